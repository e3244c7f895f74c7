"""Who scores on one machine needs nothing of what scores on many, and pays for nothing of it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.scoring.batch import score_round
from tests.scoring.rounds import new_round, put_lawn_photo, put_photo

ROOT = Path(__file__).parents[2]
EXTRAS = {"distributed", "dask", "fsspec", "s3fs", "sqlalchemy", "psycopg"}


@pytest.fixture
def base(tmp_path: Path) -> Path:
    made = new_round(tmp_path / "round")
    put_photo(made)
    return made


def imported(code: str, *arguments: object) -> set[str]:
    """Return the packages that are imported once the code has run in a fresh process."""
    code += "\nimport sys; print(*{name.partition('.')[0] for name in sys.modules})"
    command = [sys.executable, "-c", code, *map(str, arguments)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_a_round_in_a_folder_needs_no_extra(base: Path) -> None:
    code = "import sys; from lawnscore import score_round; score_round(sys.argv[1])"
    assert not imported(code, base) & EXTRAS


def test_a_process_that_scores_imports_no_library_of_tables(tmp_path: Path) -> None:
    photo = put_lawn_photo(new_round(tmp_path))
    code = (
        "import sys; from lawnscore.scoring import each_photo, processes\n"
        "from lawnscore import score_photo\n"
        "assert score_photo(sys.argv[1]).row['status'] == 'scored'"
    )
    assert not imported(code, photo) & (EXTRAS | {"pandas", "scipy", "skimage", "matplotlib"})


@pytest.mark.parametrize(
    ("absent", "extra", "place", "options"),
    [
        ("distributed", "cluster", "", {"cluster": "tcp://127.0.0.1:9"}),
        ("sqlalchemy", "postgresql", "", {"ledger": "postgresql://127.0.0.1/db"}),
        ("psycopg", "postgresql", "", {"ledger": "postgresql://127.0.0.1/db"}),
        ("fsspec.core", "remote", "s3://firm/round", {}),
    ],
)
def test_an_extra_that_is_not_there_is_named(
    base: Path,
    monkeypatch: pytest.MonkeyPatch,
    absent: str,
    extra: str,
    place: str,
    options: dict[str, str],
) -> None:
    monkeypatch.setitem(sys.modules, absent, None)
    with pytest.raises(LawnscoreError, match=rf"pip install 'lawnscore\[{extra}\]'"):
        score_round(place or base, **options)
