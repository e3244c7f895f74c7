"""Photos on a disk that is not there: their rows are kept, not dropped, until it is back."""

from __future__ import annotations

import json

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.rows import Row, rows_of
from lawnscore.contract.tables import PHOTO_SCORES
from lawnscore.register.folder import PHOTOS, PhotoPlace, Round, place_of
from lawnscore.scoring.ledger import Ledger, Method
from lawnscore.scoring.tables import read_table, table_path


class Away:
    """The rows of photos that cannot be looked at: from the ledger, else from the last table.

    Parameters
    ----------
    opened
        The round, whose folder of older photos is not there.
    ledger, method
        Where scores are kept, and under which method they are asked for.

    Attributes
    ----------
    rows
        The row of each photo, by its place.
    as_written
        Photos whose row is that of the last table, with whatever was corrected in it.
    """

    def __init__(self, opened: Round, ledger: Ledger, method: Method) -> None:
        self.elsewhere = opened.elsewhere
        self.rows: dict[PhotoPlace, Row] = {}
        self.as_written: set[str] = set()
        here = {place.relative for place in opened.photos}
        for relative, sha256 in ledger.files().items():
            row = None if relative in here else ledger.score(sha256, method)
            if row is not None:
                self._keep(relative, row)
        known = here | {place.relative for place in self.rows}
        for row in _last_rows(opened):
            relative = str(row["photo"])
            if relative not in known and self._keep(relative, row):
                self.as_written.add(relative)

    def digest(self) -> str:
        """Return the rows as text, to tell whether they are those of the last run."""
        rows = {place.relative: row for place, row in self.rows.items()}
        return json.dumps(rows, sort_keys=True, default=str)

    def line(self) -> str:
        """Return what a person should know."""
        n = len(self.rows)
        kept = "1 photo keeps its row" if n == 1 else f"{n} photos keep their rows"
        return (
            f"{self.elsewhere}: this folder of older photos (`photos.elsewhere`) is not there or"
            f" empty; {kept}. Connect its disk, or mend round.toml."
        )

    def _keep(self, relative: str, row: Row) -> bool:
        folder = self.elsewhere
        try:
            path = (folder / relative.removeprefix(f"{PHOTOS}/")) if folder else None
            place = None if path is None else place_of(relative, path)
        except LawnscoreError:
            return False
        if place is None:
            return False
        self.rows[place] = row
        return True


def _last_rows(opened: Round) -> list[Row]:
    if not table_path(opened.path, PHOTO_SCORES.name).exists():
        return []
    return rows_of(read_table(opened.path, PHOTO_SCORES.name))
