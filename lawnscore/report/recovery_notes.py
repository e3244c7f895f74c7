"""What recovery.csv says in words, told in the reader's language."""

from __future__ import annotations

import re

from lawnscore.report.language import Words

_PATTERNS: tuple[tuple[str, re.Pattern[str]], ...] = tuple(
    (key, re.compile(pattern))
    for key, pattern in (
        ("default", r"default of (?P<n>[\d.]+) days"),
        ("round", r"(?P<n>\d+) recoveries of this round"),
        ("unrecorded", r"work not in work\.csv; seen from the photos before and after"),
        ("hardly", r"the work cost hardly any cover"),
        ("level", r"not reached: levels off at (?P<n>\d+) %, 95 % of the cover before is "
                  r"(?P<target>\d+) %"),
        ("years", r"not reached: not within two years, 95 % of the cover before is "
                  r"(?P<target>\d+) %"),
        ("open", r"that it is never reached cannot be ruled out"),
        ("no_before", r"no photos from the (?P<n>\d+) days before the work"),
        ("no_after", r"no photos since the work"),
        ("one_after", r"one set of photos since the work; two are needed"),
    )
)  # fmt: skip
"""Phrases that the history writes, by the key of their words."""


def note_words(text: str | None, words: Words) -> str:
    """Return a note or a source of recovery.csv; a phrase that is not known stays as it is."""
    told, left = [], (text or "").strip()
    while left:
        for key, pattern in _PATTERNS:
            match = pattern.match(left)
            if match and (match.end() == len(left) or left[match.end() :].startswith("; ")):
                numbers = {k: words.number(float(v)) for k, v in match.groupdict().items()}
                told.append(words.text(f"recovery_note.{key}", **numbers))
                left = left[match.end() :].removeprefix("; ")
                break
        else:
            told.append(left)
            break
    return "; ".join(told)
