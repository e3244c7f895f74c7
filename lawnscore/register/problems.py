"""One thing in a round that a person should mend: where, what and how."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """Something to mend in a file of the round.

    Parameters
    ----------
    file
        Path relative to the round.
    row
        Row as a spreadsheet counts it (the first row is 1); ``None`` when it is about no row.
    column
        Heading as it stands in the file; empty when it is about no column.
    what
        What was found, with the offending value.
    mend
        What to do about it.
    """

    file: str
    row: int | None
    column: str
    what: str
    mend: str

    @property
    def where(self) -> str:
        """Return ``file, row 3, column date``, as far as it is known."""
        row = "" if self.row is None else f", row {self.row}"
        column = "" if not self.column else f", column {self.column}"
        return f"{self.file}{row}{column}"

    def line(self) -> str:
        """Return the problem as one line of text."""
        return " ".join(f"{self.where}: {self.what.rstrip('.')}. {self.mend}".split())
