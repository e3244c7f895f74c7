"""Nothing is sent anywhere: no command, and no process that it starts, may use the network.

Python raises an audit event (PEP 578) before a connection is made, a name looked up, a port bound
or a page fetched; here each of them ends the command.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.scoring.rounds import VISIT, new_round, put_lawn_photo

ROOT = Path(__file__).parents[1]
WATCH = """
import os, sys

def watch(event, args):
    online = event in ("socket.connect", "socket.getaddrinfo", "socket.gethostbyname",
                       "socket.gethostbyaddr", "socket.sendto", "socket.bind", "urllib.Request",
                       "webbrowser.open", "ftplib.connect", "smtplib.connect",
                       "http.client.connect")
    if event == "socket.__new__":
        online = args[1] != 1  # anything but a pair within this computer (AF_UNIX)
    if online:
        with open(os.environ["SEEN"], "a") as seen:
            seen.write(f"{event} {args}\\n")
        raise PermissionError(event)
    if event == "sys.addaudithook":
        return

sys.addaudithook(watch)
with open(os.environ["SEEN"] + "-watched", "a") as watched:
    watched.write("one\\n")
"""


def run(folder: Path, *words: object) -> subprocess.CompletedProcess[str]:
    code = "from lawnscore.commands.main import run\nif __name__ == '__main__': run()"
    (folder / "watch").mkdir(exist_ok=True)
    (folder / "watch" / "sitecustomize.py").write_text(WATCH)
    env = {
        **os.environ,
        "PYTHONPATH": f"{folder / 'watch'}{os.pathsep}{ROOT}",
        "SEEN": str(folder / "seen"),
    }
    command = [sys.executable, "-c", code, *map(str, words)]
    return subprocess.run(command, env=env, capture_output=True, text=True, check=False)


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    put_lawn_photo(made)
    return made


def test_no_command_uses_the_network(base: Path, tmp_path: Path) -> None:
    (tmp_path / "phone").mkdir()
    (base / "round.toml").write_text('[report]\nemail = "me@example.net"\n')
    (base / "customers.csv").write_text("customer,email\noak-lane,you@example.org\n")
    for words in (
        ("score", base, "--workers", "1"),
        ("report", base, "--pdf", "--xlsx"),
        ("report", base, "--outbox"),
        ("inspect", base / VISIT / "lawn.jpg", "--json"),
        ("slips", base, tmp_path / "slips.pdf"),
        ("file", base, tmp_path / "phone"),
        ("next", base, "--ics", tmp_path / "v.ics"),
        ("card", tmp_path / "card.pdf"),
        ("backup", base, tmp_path / "out.zip"),
        ("doctor", base),
    ):
        done = run(tmp_path, *words)
        assert done.returncode == 0, (words, done.stderr)
    assert not (tmp_path / "seen").exists(), (tmp_path / "seen").read_text()
    assert list((base / "reports" / "outbox").glob("*-oak-lane.eml"))
    # each command, and the processes that scored and drew, were watched
    assert len((tmp_path / "seen-watched").read_text().splitlines()) >= 11


def test_the_watch_sees_the_network(tmp_path: Path) -> None:
    code = "import socket; socket.create_connection(('127.0.0.1', 9))"
    run(tmp_path, "--version")
    env = {**os.environ, "PYTHONPATH": str(tmp_path / "watch"), "SEEN": str(tmp_path / "seen")}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, check=False)
    assert done.returncode != 0
    assert "socket" in (tmp_path / "seen").read_text()
