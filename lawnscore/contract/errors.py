"""The exceptions a user can put right. Anything else that is raised is a bug."""

from __future__ import annotations

from pathlib import Path

from lawnscore.contract.reasons import REASONS


def printable(text: Path | str) -> str:
    r"""Return a file name that can be printed on one line and written as UTF-8.

    Line breaks, other control characters and bytes that are not UTF-8 become escapes.

    >>> printable("two\nlines.jpg")
    'two\\nlines.jpg'
    """
    text = str(text)
    if text.isprintable():
        return text
    escaped = (c if c.isprintable() else c.encode("unicode_escape").decode() for c in str(text))
    return "".join(escaped)


class LawnscoreError(Exception):
    """Something the operator can mend: what is wrong, where, and how to mend it.

    Parameters
    ----------
    what
        What was found, with the offending value.
    mend
        What to do about it; one sentence.
    where
        The file (or ``file, row 3, column date``) it was found in.
    """

    def __init__(self, what: str, mend: str, where: Path | str | None = None) -> None:
        self.what = what
        self.mend = mend
        self.where = None if where is None else printable(where)
        super().__init__(self.line())

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle by what it says, so that it comes whole out of another process."""
        return (_plain_error, (type(self), self.what, self.mend, self.where, self.__dict__))

    def line(self) -> str:
        """Return the message as one line of text."""
        place = "" if self.where is None else f"{self.where}: "
        return " ".join(f"{place}{self.what.rstrip('.')}. {self.mend}".split())


def _plain_error(
    kind: type[LawnscoreError], what: str, mend: str, where: str | None, state: dict[str, object]
) -> LawnscoreError:
    error = kind.__new__(kind)
    LawnscoreError.__init__(error, what, mend, where)
    error.__dict__.update(state)
    return error


class PhotoRefused(LawnscoreError):
    """A photo that cannot be measured; carries one reason of the registry.

    Raises
    ------
    KeyError
        When ``reason`` is not in :data:`lawnscore.contract.reasons.REASONS`.
    """

    def __init__(self, reason: str, detail: str = "", where: Path | str | None = None) -> None:
        entry = REASONS[reason]
        self.reason = reason
        self.detail = detail
        super().__init__(detail or entry.meaning, entry.advice, where)
