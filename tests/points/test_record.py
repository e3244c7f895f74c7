"""points.csv: what is taken, what is said, and that nothing is lost."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.tables import POINTS
from lawnscore.points.program import current_photos
from lawnscore.points.record import FILE_NAME, keep_file, read_points
from lawnscore.register.folder import open_round
from lawnscore.register.lock import locked

Row = dict[str, object]


def rows_of(base: Path, n: int = 4, **changes: object) -> list[Row]:
    sha256, photo = next(iter(current_photos(open_round(base)).items()))
    return [
        {
            "kind": "point", "photo": photo, "sha256": sha256, "draw": "aabbccdd", "number": k + 1,
            "x_mm": 10.5 * k, "y_mm": -3.25, "side_mm": "", "seen": "straw", "reader": "A. B.",
            "session": "0011", "read_at": f"2026-06-04T09:00:0{k}.000Z", **changes,
        }
        for k in range(n)
    ]  # fmt: skip


def write(path: Path, rows: list[Row], said: int | None = None) -> Path:
    out = io.StringIO()
    writer = csv.DictWriter(out, [*POINTS.column_names, "rows_in_file"], quoting=csv.QUOTE_ALL)
    writer.writeheader()
    writer.writerows([{**row, "rows_in_file": said or len(rows)} for row in rows])
    path.write_text("\ufeff" + out.getvalue(), encoding="utf-8", newline="")
    return path


def test_a_file_is_kept_and_read_back(own_round: Path, tmp_path: Path) -> None:
    kept = keep_file(own_round, write(tmp_path / "a.csv", rows_of(own_round)))
    assert (kept.n_rows, kept.n_new, kept.problems) == (4, 4, ())
    table = read_points(own_round)
    assert list(table.columns) == POINTS.column_names
    assert table["x_mm"].tolist() == [0.0, 10.5, 21.0, 31.5]
    assert set(table["seen"]) == {"straw"}


def test_the_same_file_twice_adds_nothing_and_more_points_are_added(
    own_round: Path, tmp_path: Path
) -> None:
    rows = rows_of(own_round)
    keep_file(own_round, write(tmp_path / "a.csv", rows[:2]))
    first = (own_round / FILE_NAME).read_bytes()
    kept = keep_file(own_round, write(tmp_path / "b.csv", rows))
    assert (kept.n_rows, kept.n_new) == (4, 2)
    assert (own_round / FILE_NAME).read_bytes().startswith(first)
    assert keep_file(own_round, tmp_path / "b.csv").n_new == 0
    assert len(read_points(own_round)) == 4


def test_a_changed_mind_is_kept_and_the_later_one_counts(own_round: Path, tmp_path: Path) -> None:
    rows = rows_of(own_round, 1)
    keep_file(own_round, write(tmp_path / "a.csv", rows))
    later = rows_of(own_round, 1, seen="soil", read_at="2026-06-04T09:30:00Z")
    keep_file(own_round, write(tmp_path / "b.csv", later))
    assert read_points(own_round)["seen"].tolist() == ["soil"]
    assert (own_round / FILE_NAME).read_text().count("straw") == 1


def test_two_readers_and_two_sittings_stay_apart(own_round: Path, tmp_path: Path) -> None:
    for reader, session in (("A", "1"), ("B", "2"), ("A", "3")):
        rows = rows_of(own_round, 2, reader=reader, session=session)
        keep_file(own_round, write(tmp_path / "a.csv", rows))
    assert len(read_points(own_round)) == 6


def test_saved_again_by_a_spreadsheet(own_round: Path, tmp_path: Path) -> None:
    """Semicolons and decimal commas, as a spreadsheet of another country writes them."""
    path = write(tmp_path / "a.csv", rows_of(own_round))
    lines = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    at = [lines[0].index(name) for name in ("x_mm", "y_mm")]
    for line in lines[1:]:
        for k in at:
            line[k] = line[k].replace(".", ",")
    out = io.StringIO()
    csv.writer(out, delimiter=";").writerows(lines)
    path.write_text(out.getvalue(), encoding="utf-8")
    assert keep_file(own_round, path).n_new == 4
    assert read_points(own_round)["y_mm"].tolist() == [-3.25] * 4


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name,price\nx,1\n", "no column kind"),
        ("", "no column kind"),
        ("PK\x03\x04 not text", "a spreadsheet"),
    ],
)
def test_a_foreign_file_is_refused_in_one_line(
    own_round: Path, tmp_path: Path, text: str, words: str
) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text)
    with pytest.raises(LawnscoreError, match=words) as caught:
        keep_file(own_round, path)
    assert "\n" not in caught.value.line()
    assert not (own_round / FILE_NAME).exists()
    assert path.read_text() == text


def test_a_file_that_is_not_there(own_round: Path, tmp_path: Path) -> None:
    with pytest.raises(LawnscoreError, match="cannot be read"):
        keep_file(own_round, tmp_path / "none.csv")


def test_points_of_another_round_are_refused(own_round: Path, tmp_path: Path) -> None:
    rows = rows_of(own_round, photo="photos/x/all/2026-01-01-check/y.jpg", sha256="0" * 64)
    with pytest.raises(LawnscoreError, match="not a photo of this round") as caught:
        keep_file(own_round, write(tmp_path / "a.csv", rows))
    assert "y.jpg" in caught.value.line()
    assert not (own_round / FILE_NAME).exists()


def test_a_photo_that_was_replaced_is_said_and_its_rows_are_kept(
    own_round: Path, tmp_path: Path
) -> None:
    rows = [*rows_of(own_round, 2, sha256="0" * 64), *rows_of(own_round, 2)]
    kept = keep_file(own_round, write(tmp_path / "a.csv", rows))
    assert kept.n_new == 4
    assert len(kept.problems) == 1
    assert "has been replaced" in kept.problems[0]


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("seen", "strow", "`strow` is no class. Did you mean `straw`?"),
        ("seen", "", "`` is no class"),
        ("kind", "pint", "kind is `pint`"),
        ("x_mm", "left", "`left` is not a number"),
        ("x_mm", "", "x_mm is empty"),
        ("reader", "", "reader is empty"),
        ("read_at", "yesterday", "read_at is `yesterday`"),
    ],
)
def test_a_row_that_cannot_be_read_is_named_and_the_others_are_taken(
    own_round: Path, tmp_path: Path, column: str, value: str, words: str
) -> None:
    rows = rows_of(own_round)
    rows[1][column] = value
    kept = keep_file(own_round, write(tmp_path / "a.csv", rows))
    assert kept.n_rows == kept.n_new == 3
    assert len(kept.problems) == 1
    assert words in kept.problems[0]
    assert "a.csv, row 3" in kept.problems[0]
    # mended, it comes in; nothing is doubled
    assert keep_file(own_round, write(tmp_path / "a.csv", rows_of(own_round))).n_new == 1


def test_half_a_file_is_noticed_and_taken(own_round: Path, tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", rows_of(own_round, 4))
    text = path.read_text(encoding="utf-8-sig")
    path.write_text(text[: text.rindex("straw") + 2])  # cut in the middle of the last row
    kept = keep_file(own_round, path)
    assert kept.n_new == 3
    assert any("was cut short" in line or "row 5" in line for line in kept.problems)
    path.write_text("\n".join(text.splitlines()[:3]) + "\n")
    assert "only 2 of its 4 rows" in keep_file(own_round, path).problems[0]


def test_points_csv_that_was_broken_by_hand_is_one_line(own_round: Path, tmp_path: Path) -> None:
    keep_file(own_round, write(tmp_path / "a.csv", rows_of(own_round)))
    path = own_round / FILE_NAME
    path.write_text(path.read_text().replace("straw", "stro", 1))
    with pytest.raises(LawnscoreError, match="row 2: `stro` is no class"):
        read_points(own_round)


def test_nothing_is_kept_while_another_run_holds_the_round(own_round: Path, tmp_path: Path) -> None:
    """Two readers' files taken at the same moment would leave only the later one's rows."""
    file = write(tmp_path / "a.csv", rows_of(own_round))
    with locked(own_round), pytest.raises(LawnscoreError, match="another run"):
        keep_file(own_round, file)
    assert keep_file(own_round, file).n_new == 4
