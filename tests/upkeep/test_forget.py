"""A customer is forgotten everywhere, photos only when asked for, and nobody else is touched."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.filing.journal import Journal
from lawnscore.register.add import add_complaint, add_work
from lawnscore.register.register import read_register
from lawnscore.report import write_reports
from lawnscore.report.outbox import write_outbox
from lawnscore.scoring.batch import score_round
from lawnscore.scoring.tables import read_table
from lawnscore.upkeep.forget import AGGREGATES, forget_lawn
from tests.filing.test_filing import NOW
from tests.scoring.rounds import Counting, new_round, put_photo

NAME = "quiet-mews-17"
CUSTOMERS = (
    f"customer,name,email\n{NAME},Mrs Invented,mrs@example.org\noak-lane,Oak,oak@example.org\n"
)
LAWNS = f"lawn,zone,area_m2,name\noak-lane,front,120,Oak\n{NAME},front,90,Mrs Invented\n"


@pytest.fixture(scope="module")
def with_traces(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A round in which the customer has left every kind of trace; not changed."""
    made = new_round(
        tmp_path_factory.mktemp("traces") / "round", '[report]\nemail = "me@example.net"\n'
    )
    (made / "lawns.csv").write_text(LAWNS)
    (made / "customers.csv").write_text(CUSTOMERS)
    put_photo(made, "a.jpg", seed=1)
    for number in range(2):
        put_photo(
            made, f"q{number}.jpg", seed=5 + number, visit=f"photos/{NAME}/front/2026-05-01-check"
        )
    for lawn in ("oak-lane", NAME):
        add_work(made, date="2026-04-01", lawn=lawn, zone="front", task="mow")
    added = f'"# a note"\n{NAME.upper()},back,30,"two\nlines"\n'
    (made / "lawns.csv").write_text(LAWNS + added)
    score_round(made, scorer=Counting(), today="2026-05-02", parquet=True)
    score_round(made, scorer=Counting(fail_on="q0.jpg"), today="2026-05-02")
    write_reports(made, pictures="none", pdf=True, xlsx=True)
    assert len(write_outbox(made).drafts) == 2
    journal = Journal(made, now=NOW)
    journal.copying(made / "x.jpg", f"photos/{NAME}/front/2026-05-01-check/q0.jpg", "ab")
    journal.copying(made / "y.jpg", "photos/oak-lane/front/2026-05-01-before/a.jpg", "cd")
    (made / ".lawnscore" / "slips_seen.json").write_text(json.dumps({"1": {"ab": {"lawn": NAME}}}))
    (made / ".lawnscore" / "faults.txt").write_text(f"photos/{NAME}/front/q0.jpg, version 0\n")
    shown = made / "photos" / NAME / "front" / "2026-05-01-check" / "q1.jpg"
    add_complaint(made, date="2026-05-02", lawn=NAME, said="mud", photos=[shown])
    add_complaint(made, date="2026-05-02", lawn="oak-lane", said="moss")
    for page in (f"complaints/{NAME}--2026-05-02-1.html", f"surveys/{NAME}.html"):
        (made / "reports" / page).parent.mkdir(exist_ok=True)
        (made / "reports" / page).write_text(NAME)
    (made / "reports" / "seen" / "photos" / NAME).mkdir(parents=True)
    (made / "reports" / "seen" / "photos" / NAME / "q0-seen.png").write_bytes(b"x")
    return made


@pytest.fixture
def base(with_traces: Path, tmp_path: Path) -> Path:
    """A copy of it for one test."""
    return Path(shutil.copytree(with_traces, tmp_path / "round"))


def traces(base: Path) -> list[str]:
    """Return the files whose name or content speaks of the customer."""
    words = (NAME.encode(), NAME.upper().encode(), b"Mrs Invented", b"mrs@example.org")
    return [
        str(path.relative_to(base))
        for path in base.rglob("*")
        if NAME in str(path.relative_to(base))
        or (path.is_file() and any(word in path.read_bytes() for word in words))
    ]


def test_the_round_speaks_of_the_customer_before(base: Path) -> None:
    assert len(traces(base)) > 15


def test_nothing_is_left_but_counts(base: Path) -> None:
    oak = read_table(base, "photo_scores").query("lawn == 'oak-lane'").reset_index(drop=True)
    done = forget_lawn(base, NAME.title(), photos=True)
    assert traces(base) == []
    removed = dict(done.removed)
    assert removed["photos"] == 2
    assert removed["photos of complaints"] == 1
    assert removed["rows of complaints"] == 1
    assert not (base / "complaints" / NAME.upper()).exists()
    assert removed["rows of lawns"] == 2
    assert removed["rows of customers"] == 1
    assert removed["rows of sent"] == 1
    assert removed["drafts of messages"] == 1
    assert (base / "customers.csv").read_text().endswith("\noak-lane,Oak,oak@example.org\n")
    assert [p.name[10:] for p in (base / "reports/outbox").iterdir()] == ["-oak-lane.eml"]
    assert removed["rows of photo_scores"] == 2
    assert done.photos_left == 0
    sums = json.loads((base / AGGREGATES).read_text())
    assert (sums["lawns"], sums["photos"], sums["visits"]) == (1, 2, 1)
    assert read_table(base, "photo_scores").equals(oak)
    assert read_register(base).lawns["lawn"].tolist() == ["oak-lane"]
    assert len(read_register(base).work) == 1
    assert '"# a note"' in (base / "lawns.csv").read_text()
    rest = Counting()
    score_round(base, scorer=rest, today="2026-05-02")
    assert rest.calls == []
    write_reports(base, pictures="none")
    assert traces(base) == []


def test_a_customer_with_another_lawn_stays(base: Path) -> None:
    lawns = "lawn,zone,customer\noak-lane,front,oak-lane\n"
    (base / "lawns.csv").write_text(f"{lawns}{NAME},front,oak-lane\n")
    forget_lawn(base, NAME)
    assert "oak@example.org" in (base / "customers.csv").read_text()
    assert not list((base / "reports/outbox").glob("*oak-lane.eml"))  # it may speak of both lawns


def test_photos_stay_unless_asked_for(base: Path) -> None:
    done = forget_lawn(base, NAME)
    assert done.photos_left == 2
    assert {Path(trace).parts[0] for trace in traces(base)} == {"photos"}
    assert (base / "complaints" / NAME.upper()).is_dir()


def test_the_other_rows_keep_every_byte(base: Path) -> None:
    forget_lawn(base, NAME)
    text = (base / "lawns.csv").read_text()
    assert text == 'lawn,zone,area_m2,name\noak-lane,front,120,Oak\n"# a note"\n'


def test_an_unknown_lawn_and_a_broken_file_remove_nothing(base: Path) -> None:
    before = {p: p.read_bytes() for p in base.rglob("*.csv")}
    with pytest.raises(LawnscoreError, match="no lawn"):
        forget_lawn(base, "quiet-mews-18")
    (base / "work.csv").write_text('date,lawn\n2026-01-01,"open\n')
    before[base / "work.csv"] = (base / "work.csv").read_bytes()
    with pytest.raises(LawnscoreError, match="quotation mark"):
        forget_lawn(base, NAME)
    assert {p: p.read_bytes() for p in base.rglob("*.csv")} == before
