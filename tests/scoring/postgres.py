"""A PostgreSQL server of Debian's packages, of its own in a temporary folder, as no root."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.scoring.needed import missing

USER = "lawns"
PASSWORD = "Str4w&so/il@80"
"""With letters that an address must escape."""

_OWNERS = ("postgres", "nobody")


def _programs() -> Path:
    """Return the folder of the server's programs; Debian keeps them off the path."""
    found = [path.parent for path in Path("/usr/lib/postgresql").glob("*/bin/initdb")]
    named = shutil.which("initdb")
    found += [Path(named).resolve().parent] if named else []
    if not found:
        missing("PostgreSQL is not installed: apt-get install postgresql")
    return max(found)


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _as_owner(folder: Path) -> list[str]:
    """Return what a command starts with, so that it does not run as root, which has the folder."""
    if os.geteuid() != 0:
        return []
    known = {entry.pw_name for entry in pwd.getpwall()}
    owner = next(name for name in _OWNERS if name in known)
    shutil.chown(folder, owner)
    return ["runuser", "-u", owner, "--"]


@contextmanager
def running() -> Iterator[str]:
    """Start a server on 127.0.0.1; give host and port, and stop it afterwards."""
    programs = _programs()
    folder = Path(tempfile.mkdtemp(prefix="lawnscore-pg-"))
    owner = _as_owner(folder)
    secret = folder / "pw"
    secret.write_text(PASSWORD)
    secret.chmod(0o644)
    data, port = folder / "data", _free_port()
    env = {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"}
    run = [*owner, str(programs / "initdb"), "-D", str(data), "-U", USER, "--auth=scram-sha-256"]
    options = f"-c listen_addresses=127.0.0.1 -p {port} -k {folder} -c fsync=off"
    control = [*owner, str(programs / "pg_ctl"), "-D", str(data), "-w", "-t", "60"]
    try:
        subprocess.run(
            [*run, f"--pwfile={secret}", "--no-sync"], check=True, cwd=folder, env=env,
            stdout=subprocess.DEVNULL,
        )  # fmt: skip
        start = [*control, "-l", str(folder / "log"), "-o", options, "start"]
        subprocess.run(start, check=True, cwd=folder, env=env, stdout=subprocess.DEVNULL)
        try:
            yield f"127.0.0.1:{port}"
        finally:
            stop = [*control, "-m", "immediate", "stop"]
            subprocess.run(stop, check=True, cwd=folder, env=env, stdout=subprocess.DEVNULL)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
