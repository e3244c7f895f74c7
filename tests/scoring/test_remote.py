"""A round in a real S3-compatible server: the same tables, nothing fetched twice, nothing lost."""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from lawnscore.card.design import card_design
from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from lawnscore.demo.printed_card import write_cgats
from lawnscore.scoring import remote as remote_module
from lawnscore.scoring.batch import score_round
from tests.scoring.needed import needed
from tests.scoring.rounds import (
    VISIT,
    Counting,
    new_round,
    put_lawn_photo,
    put_photo,
    score_by_content,
)

fsspec = needed("fsspec", "lawnscore[remote]")
needed("s3fs", "lawnscore[remote]")
moto_server = needed("moto.server", "moto[server]")

TODAY = "2026-05-02"


@pytest.fixture(scope="module")
def store() -> Iterator[Any]:
    """Start the server, and let every client of this process, and of its children, find it."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = moto_server.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
        patch.setenv("AWS_ACCESS_KEY_ID", "testing")
        patch.setenv("AWS_SECRET_ACCESS_KEY", "testing-secret")
        patch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        fs = fsspec.filesystem("s3")
        fs.mkdir("firm")
        yield fs
        fs.clear_instance_cache()
    server.stop()


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    for number in range(3):
        put_photo(made, f"p{number}.jpg", seed=number)
    return made


@pytest.fixture
def address(base: Path, store: Any, request: pytest.FixtureRequest) -> str:
    """Put the round into the store."""
    root = f"firm/{request.node.name}"
    for path in base.rglob("*"):
        if path.is_file():
            store.pipe_file(f"{root}/{path.relative_to(base).as_posix()}", path.read_bytes())
    return f"s3://{root}"


def tables_in(store: Any, address: str) -> dict[str, bytes]:
    store.invalidate_cache()
    paths = store.glob(f"{address.removeprefix('s3://')}/reports/*.csv")
    return {path.rpartition("/")[2]: store.cat_file(path) for path in paths}


def tables(base: Path, scorer: Any = score_by_content) -> dict[str, bytes]:
    score_round(base, scorer=scorer, today=TODAY)
    return {path.name: path.read_bytes() for path in (base / "reports").glob("*.csv")}


def test_a_round_in_a_store_gives_the_tables_of_a_folder(
    base: Path, address: str, store: Any
) -> None:
    summary = score_round(address, scorer=score_by_content, today=TODAY)
    assert (summary.n_photos, summary.n_scored) == (3, 3)
    assert tables_in(store, address) == tables(base)
    assert not list(store.glob(f"{address}/**/*.part"))


def test_real_photos_and_other_processes(base: Path, store: Any, address: str) -> None:
    for made in (put_lawn_photo(base), base / VISIT / "no-photo.jpg"):
        if not made.exists():
            made.write_text("no photo")
        store.pipe_file(f"{address}/{made.relative_to(base).as_posix()}", made.read_bytes())
    summary = score_round(address, workers=2, today=TODAY)
    assert (summary.n_scored, len(summary.refused)) == (1, 4)
    assert tables_in(store, address) == tables(base, scorer=None)


def test_an_unchanged_photo_is_not_fetched_again(
    address: str, store: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    score_round(address, scorer=score_by_content, today=TODAY)
    fetched: list[str] = []
    real = remote_module.RemotePhoto._data

    def counted(photo: Any) -> bytes:
        fetched.append(photo.name)
        return real(photo)

    monkeypatch.setattr(remote_module.RemotePhoto, "_data", counted)
    before = tables_in(store, address)
    summary = score_round(address, scorer=score_by_content, today=TODAY)
    assert (summary.n_new, summary.n_known, fetched) == (0, 3, [])
    other = store.cat_file(f"{address}/{VISIT}/p0.jpg")
    store.pipe_file(f"{address}/{VISIT}/p1.jpg", other)
    store.rm(f"{address}/{VISIT}/p2.jpg")
    summary = score_round(address, scorer=score_by_content, today=TODAY)
    assert (summary.n_photos, fetched) == (2, ["p1.jpg"])
    assert tables_in(store, address) != before


def test_a_stopped_run_goes_on_where_it_stopped(address: str) -> None:
    with pytest.raises(KeyboardInterrupt):
        score_round(address, scorer=Counting(stop_at=3), today=TODAY)
    scorer = Counting()
    score_round(address, scorer=scorer, today=TODAY)
    assert len(scorer.calls) == 1


def test_what_was_scored_is_kept_there_while_a_run_goes_on(
    address: str, store: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(remote_module, "KEPT_SECONDS", 0.0)
    kept: list[int] = []

    def look(*_: object) -> None:
        store.invalidate_cache()
        copy = tmp_path / "copy.sqlite3"
        store.get_file(f"{address.removeprefix('s3://')}/.lawnscore/ledger.sqlite3", str(copy))
        with contextlib.closing(sqlite3.connect(copy)) as db:
            kept.append(db.execute("SELECT count(*) FROM scores").fetchone()[0])

    score_round(address, scorer=score_by_content, today=TODAY, progress=look)
    assert kept == [1, 2, 3]


def test_settings_hand_kept_files_and_card_come_from_the_store(
    base: Path, address: str, store: Any
) -> None:
    (base / "cards").mkdir()
    write_cgats(card_design("turf-a5"), base / "cards/mine.txt")
    store.pipe_file(f"{address}/cards/mine.txt", (base / "cards/mine.txt").read_bytes())
    store.pipe_file(f"{address}/round.toml", b'[scoring]\ncard = "cards/mine.txt"\n')
    work = b"date,lawn,zone,task\nnever,oak-lane,front,mow\n"
    store.pipe_file(f"{address}/work.csv", work)
    scorer = Counting()
    summary = score_round(address, scorer=scorer, today=TODAY)
    assert {card.design.name for card in scorer.cards} == {"turf-a5"}
    assert any("work.csv" in line and "never" in line for line in summary.problems)
    assert "/tmp" not in " ".join(summary.problems)


def test_a_lawn_is_taken_on_in_the_store(address: str, store: Any) -> None:
    photo = store.cat_file(f"{address}/{VISIT}/p0.jpg")
    store.pipe_file(f"{address}/photos/elm/all/2026-05-01-check/a.jpg", photo + b"\0")
    score_round(address, scorer=score_by_content, today=TODAY, add=True)
    assert b"elm" in store.cat_file(f"{address}/lawns.csv")


def test_a_file_changed_there_meanwhile_is_not_written_over(address: str, store: Any) -> None:
    photo = store.cat_file(f"{address}/{VISIT}/p0.jpg")
    store.pipe_file(f"{address}/photos/elm/all/2026-05-01-check/a.jpg", photo + b"\0")

    def edit(*_: object) -> None:
        store.pipe_file(f"{address}/lawns.csv", b"lawn,zone\nmine,all\n")

    with pytest.raises(LawnscoreError, match=r"lawns.csv: the file was changed there"):
        score_round(address, scorer=score_by_content, today=TODAY, add=True, progress=edit)
    assert store.cat_file(f"{address}/lawns.csv") == b"lawn,zone\nmine,all\n"


def test_names_in_a_store_reach_no_other_folder(
    address: str, store: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    photo = store.cat_file(f"{address}/{VISIT}/p0.jpg")
    real = type(store).find
    odd = {
        f"{address.removeprefix('s3://')}/photos/{name}": {"name": name, "size": 1, "type": "file"}
        for name in ("../../../escaped.jpg", "oak-lane//b.jpg", "a\\b.jpg", "x" * 300 + ".jpg")
    }

    def find(fs: Any, path: str, **options: Any) -> Any:
        return real(fs, path, **options) | odd

    monkeypatch.setattr(type(store), "find", find)
    summary = score_round(address, scorer=score_by_content, today=TODAY)
    assert len(photo) > 1
    assert summary.n_photos == 3
    assert len(summary.misplaced) == 4
    assert not list(tmp_path.rglob("*escaped*"))


def test_the_command_says_where_it_wrote(address: str, store: Any) -> None:
    result = CliRunner().invoke(build_app(), ["score", address, "--workers", "1"])
    assert result.exit_code == 1, result.output  # noise is no lawn
    assert f"Tables in {address}/reports:" in result.stdout
    assert "/tmp/" not in result.stdout
    assert len(tables_in(store, address)) == 5


@pytest.mark.parametrize("name", ["s3://firm/nowhere", "s3://none/round", "nonsense://me:pw@x/y"])
def test_no_round_there_is_one_line(store: Any, name: str) -> None:
    with pytest.raises(LawnscoreError) as error:
        score_round(name, today=TODAY)
    assert len(str(error.value).splitlines()) == 1
    assert "pw" not in str(error.value)


def test_any_other_address_will_do(base: Path, tmp_path: Path) -> None:
    other = shutil.copytree(base, tmp_path / "other")
    for photo in other.rglob("*.jpg"):
        os.utime(photo, (1, 1))  # one changed just now is not believed to be unchanged
    score_round(f"file://{other}", scorer=score_by_content, today=TODAY)
    made = {path.name: path.read_bytes() for path in (other / "reports").glob("*.csv")}
    assert made == tables(base)
    assert score_round(f"file://{other}", scorer=score_by_content, today=TODAY).n_new == 0
