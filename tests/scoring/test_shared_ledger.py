"""A real PostgreSQL that rounds share: nothing doubled, nothing told, nothing lost."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from typer.testing import CliRunner

from lawnscore.commands.main import build_app
from lawnscore.contract.errors import LawnscoreError
from lawnscore.scoring.batch import score_round
from lawnscore.scoring.ledger import Ledger
from lawnscore.scoring.shared_ledger import SharedLedger
from lawnscore.upkeep.forget import forget_lawn
from tests.scoring import postgres
from tests.scoring.needed import needed
from tests.scoring.rounds import VISIT, Counting, new_round, put_photo

sa = needed("sqlalchemy", "lawnscore[postgresql]")
needed("psycopg", "lawnscore[postgresql]")

TODAY = "2026-05-02"
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    with postgres.running() as host:
        yield host


@pytest.fixture
def address(server: str, request: pytest.FixtureRequest) -> Iterator[str]:
    """Give an empty database of its own to each test."""
    name = f"db{abs(hash(request.node.name)) % 10**8}"
    login = f"{postgres.USER}:{quote(postgres.PASSWORD, safe='')}"
    engine = sa.create_engine(
        f"postgresql+psycopg://{login}@{server}/postgres", isolation_level="AUTOCOMMIT"
    )
    with engine.connect() as db:
        db.execute(sa.text(f"CREATE DATABASE {name}"))
    engine.dispose()
    yield f"postgresql://{login}@{server}/{name}"


def rows(address: str, query: str) -> list[Any]:
    engine = sa.create_engine(address.replace("postgresql:", "postgresql+psycopg:", 1))
    with engine.begin() as db:
        found = db.execute(sa.text(query))
        kept = found.all() if found.returns_rows else []
    engine.dispose()
    return list(kept)


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    for number in range(5):
        put_photo(made, f"p{number}.jpg", seed=number)
    return made


def another(base: Path, name: str = "other") -> Path:
    """Return a copy of the round on another machine: without what the program keeps."""
    copy = shutil.copytree(base, base.with_name(name))
    for made in (".lawnscore", "reports"):
        shutil.rmtree(copy / made, ignore_errors=True)
    return copy


def tables(base: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (base / "reports").glob("*.csv")}


def test_what_one_round_scored_another_need_not(base: Path, address: str) -> None:
    other = another(base)
    first = score_round(base, scorer=Counting(), today=TODAY, ledger=address)
    scorer = Counting()
    second = score_round(other, scorer=scorer, today=TODAY, ledger=address)
    assert (first.n_new, second.n_new, second.n_known) == (5, 0, 5)
    assert scorer.calls == []
    assert tables(other) == tables(base)


def test_the_tables_are_those_of_a_ledger_in_the_round(base: Path, address: str) -> None:
    other = another(base)
    score_round(base, scorer=Counting(), today=TODAY, ledger=address)
    score_round(other, scorer=Counting(), today=TODAY)
    assert tables(other) == tables(base)


def test_a_round_scored_before_gives_its_scores_to_the_database(base: Path, address: str) -> None:
    score_round(base, scorer=Counting(), today=TODAY)
    score_round(base, scorer=Counting(), today=TODAY, ledger=address)
    assert rows(address, "SELECT count(*) FROM lawnscore_scores") == [(5,)]


def test_two_runs_at_once_double_nothing(base: Path, address: str) -> None:
    code = (
        "import sys; from lawnscore.scoring.batch import score_round\n"
        "from tests.scoring.rounds import score_by_content\n"
        f"score_round(sys.argv[1], scorer=score_by_content, today={TODAY!r}, ledger=sys.argv[2])"
    )
    for number in range(5, 150):
        put_photo(base, f"p{number}.jpg", seed=number)
    places = [base, another(base)]
    runs = [
        subprocess.Popen([sys.executable, "-c", code, place, address], cwd=ROOT) for place in places
    ]
    assert [run.wait(120) for run in runs] == [0, 0]
    assert tables(places[0]) == tables(places[1])
    assert rows(address, "SELECT count(*), count(DISTINCT sha256) FROM lawnscore_scores") == [
        (150, 150)
    ]
    assert rows(address, "SELECT count(*) FROM lawnscore_holdings") == [(300,)]


def test_a_score_is_forgotten_when_no_round_holds_it(base: Path, address: str) -> None:
    other = another(base)
    for place in (base, other):
        score_round(place, scorer=Counting(), today=TODAY, ledger=address)
    count = "SELECT count(*) FROM lawnscore_scores"
    (base / VISIT / "p0.jpg").unlink()
    score_round(base, scorer=Counting(), today=TODAY, ledger=address)
    assert rows(address, count) == [(5,)]
    (other / VISIT / "p0.jpg").unlink()
    score_round(other, scorer=Counting(), today=TODAY, ledger=address)
    assert rows(address, count) == [(4,)]


def test_no_name_of_a_lawn_or_place_is_in_the_database(base: Path, address: str) -> None:
    score_round(base, scorer=Counting(), today=TODAY, ledger=address)
    everything = json.dumps(
        [
            [str(value) for value in row]
            for table in ("scores", "holdings", "schema")
            for row in rows(address, f"SELECT * FROM lawnscore_{table}")
        ]
    )
    for name in ("oak-lane", "front", "p0.jpg", str(base)):
        assert name not in everything


def test_a_row_changed_in_the_database_is_not_believed(base: Path, address: str) -> None:
    other = another(base)
    score_round(base, scorer=Counting(), today=TODAY, ledger=address)
    rows(address, "UPDATE lawnscore_scores SET row = replace(row, '0.5', '0.6')")
    summary = score_round(other, scorer=Counting(), today=TODAY, ledger=address)
    assert summary.n_new == 5
    assert "changed" in summary.problems[0]
    assert tables(other) == tables(base)
    third = another(base, "third")
    assert score_round(third, scorer=Counting(), today=TODAY, ledger=address).n_new == 0


def test_a_run_goes_on_after_the_connection_broke(base: Path, address: str) -> None:
    ended: list[int] = []

    def break_it(_done: int, _total: int, _photo: str) -> None:
        ended.append(
            len(
                rows(
                    address,
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                    "WHERE application_name = 'lawnscore'",
                )
            )
        )

    score_round(base, scorer=Counting(), today=TODAY, ledger=address, progress=break_it)
    assert sum(ended) > 0
    assert rows(address, "SELECT count(*) FROM lawnscore_scores") == [(5,)]


def test_a_database_of_a_later_version_is_left_alone(base: Path, address: str) -> None:
    score_round(base, scorer=Counting(), today=TODAY, ledger=address)
    rows(address, "UPDATE lawnscore_schema SET version = 99")
    with pytest.raises(LawnscoreError, match="another program version"):
        score_round(base, scorer=Counting(), today=TODAY, ledger=address)


# ------------------------------------------------------------------ forgetting a customer


def with_a_customer(base: Path) -> Path:
    """Add two photos of another lawn, one of which is a photo of oak-lane too."""
    (base / "lawns.csv").write_text("lawn,zone,area_m2\noak-lane,front,120\nelm-row-9,all,80\n")
    for number, seed in enumerate((20, 21, 0)):
        put_photo(base, f"e{number}.jpg", seed=seed, visit="photos/elm-row-9/all/2026-05-01-check")
    return base


@pytest.mark.parametrize("tables_there", [True, False])
def test_a_customer_is_forgotten_in_the_database_too(
    base: Path, address: str, tables_there: bool
) -> None:
    score_round(with_a_customer(base), scorer=Counting(), today=TODAY, ledger=address)
    assert rows(address, "SELECT count(*) FROM lawnscore_scores") == [(7,)]
    if not tables_there:
        shutil.rmtree(base / "reports")
    done = forget_lawn(base, "elm-row-9", photos=True, ledger=address)
    assert dict(done.removed)["rows of the shared ledger"] == 2
    assert (done.held_elsewhere, done.ledger_unnamed) == (0, False)
    for table in ("scores", "holdings"):
        assert rows(address, f"SELECT count(*) FROM lawnscore_{table}") == [(5,)]
    with Ledger(base) as ledger:
        assert ledger.audit() == (10, 0)  # a file and a score of each photo of oak-lane


def test_what_another_round_holds_is_kept_for_it_and_said(base: Path, address: str) -> None:
    other = another(with_a_customer(base))
    for place in (base, other):
        score_round(place, scorer=Counting(), today=TODAY, ledger=address)
    first = forget_lawn(base, "elm-row-9", ledger=address)
    assert "rows of the shared ledger" not in dict(first.removed)
    assert (first.held_elsewhere, first.photos_left) == (2, 3)
    assert rows(address, "SELECT count(*) FROM lawnscore_scores") == [(7,)]
    last = forget_lawn(other, "elm-row-9", ledger=address)
    assert (dict(last.removed)["rows of the shared ledger"], last.held_elsewhere) == (2, 0)


def test_a_ledger_that_is_not_named_is_told_of(base: Path, address: str) -> None:
    score_round(with_a_customer(base), scorer=Counting(), today=TODAY, ledger=address)
    assert forget_lawn(base, "elm-row-9").ledger_unnamed
    assert rows(address, "SELECT count(*) FROM lawnscore_scores") == [(7,)]


def test_a_database_that_cannot_be_reached_leaves_the_customer_whole(base: Path) -> None:
    score_round(with_a_customer(base), scorer=Counting(), today=TODAY)
    before = {path: path.read_bytes() for path in base.rglob("*.csv")}
    with pytest.raises(LawnscoreError, match="cannot be used"):
        forget_lawn(base, "elm-row-9", ledger="postgresql://lawns@127.0.0.1:1/none")
    assert {path: path.read_bytes() for path in base.rglob("*.csv")} == before


def test_the_command_forgets_in_the_ledger_that_the_environment_names(
    base: Path, address: str
) -> None:
    score_round(with_a_customer(base), scorer=Counting(), today=TODAY, ledger=address)
    words = ["forget", str(base), "elm-row-9", "--yes", "--json"]
    done = CliRunner().invoke(build_app(), words, env={"LAWNSCORE_LEDGER": address})
    said = json.loads(done.stdout)
    assert said["removed"]["rows of the shared ledger"] == 2
    assert (said["held_elsewhere"], said["ledger_unnamed"], said["photos_left"]) == (0, False, 3)


# ------------------------------------------------------------------ passwords


@pytest.mark.parametrize(
    "login",
    ["lawns:hunter%40two@", "lawns:hunter@two@", "lawns:hun/ter@", "lawns:hun?ter@", "hunter:@"],
)
def test_a_password_is_said_nowhere(base: Path, server: str, login: str) -> None:
    with pytest.raises(LawnscoreError) as error:
        score_round(base, ledger=f"postgresql://{login}{server}/postgres", today=TODAY)
    said = f"{error.value} {error.value.__cause__} {error.value.where}"
    if login != "hunter:@":
        for piece in ("hunter", "two", "hun", "ter"):
            assert piece not in said.replace("postgres", "")
    assert len(str(error.value).splitlines()) == 1


def test_a_password_is_written_nowhere(base: Path, address: str, server: str) -> None:
    env = os.environ | {"PYTHONPATH": str(ROOT), "LAWNSCORE_LEDGER": address}
    command = [
        sys.executable,
        "-c",
        "from lawnscore.commands.main import run; run()",
        "-v",
        "score",
        str(base),
    ]
    done = subprocess.run(command, env=env, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 1, done.stderr  # noise is no lawn: each photo is refused
    assert rows(address, "SELECT count(*) FROM lawnscore_scores") == [(5,)]
    kept = [path.read_bytes() for path in base.rglob("*") if path.is_file()]
    for form in (postgres.PASSWORD, quote(postgres.PASSWORD, safe="")):
        assert not any(form.encode() in data for data in kept)
        assert form not in done.stdout + done.stderr


@pytest.mark.parametrize("other", ["mysql://h/db", "sqlite:///x.db", "postgresql://h:port/db"])
def test_another_kind_of_address_is_one_line(base: Path, other: str) -> None:
    with pytest.raises(LawnscoreError, match=r"PostgreSQL|no address"):
        score_round(base, ledger=other, today=TODAY)


def test_a_round_keeps_its_number(base: Path, address: str) -> None:
    first, second = SharedLedger(address, base), SharedLedger(address, base)
    assert first.round_id == second.round_id
    first.close()
    second.close()
