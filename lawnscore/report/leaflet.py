"""A leaflet: one page of headings, sentences, a table and pictures.

The page for a browser and the sheet of paper (`leaflet_paper`) are made from the same blocks, so
they say the same.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from markupsafe import Markup

from lawnscore.report.language import Words
from lawnscore.report.letterhead import Letterhead
from lawnscore.report.pages import render

Style = Literal["body", "lead", "small", "caveat"]
Text = Markup | str


@dataclass(frozen=True)
class Heading:
    """A heading within the leaflet."""

    text: str
    kind: str = "heading"


@dataclass(frozen=True)
class Sentence:
    """A paragraph; ``optional`` ones are left out first where the sheet is full."""

    text: Text
    style: Style = "body"
    optional: bool = False
    kind: str = "sentence"


@dataclass(frozen=True)
class Bullets:
    """A list; from ``keep`` on its items are left out first where the sheet is full."""

    items: Sequence[Text]
    small: bool = False
    keep: int = 100
    kind: str = "bullets"


@dataclass(frozen=True)
class Cell:
    """A cell: what it says, and below it, small, what else belongs to it."""

    text: Text
    small: Text = ""


@dataclass(frozen=True)
class Grid:
    """A table; the first cell of a row names it.

    ``widths_mm`` are the widths on paper; one of 0 takes what the others leave. The last ``spare``
    columns are left out where the sheet is full.
    """

    heads: Sequence[str]
    rows: Sequence[Sequence[Cell]]
    widths_mm: Sequence[float]
    spare: int = 0
    kind: str = "grid"


@dataclass(frozen=True, eq=False)
class Shot:
    """One picture with the label above it."""

    jpeg: bytes
    width_px: int
    height_px: int
    label: str
    alt: str

    @property
    def uri(self) -> str:
        """The picture as a data URI."""
        return "data:image/jpeg;base64," + base64.b64encode(self.jpeg).decode()


@dataclass(frozen=True, eq=False)
class Shots:
    """Pictures side by side under one caption."""

    items: Sequence[Shot]
    caption: str
    kind: str = "shots"


Block = Heading | Sentence | Bullets | Grid | Shots


@dataclass(frozen=True, eq=False)
class Leaflet:
    """All that the page says.

    Parameters
    ----------
    title
        Of the file, at the foot of the sheet.
    kicker
        What it is, in two words.
    name
        Whose lawn.
    dated
        The line at the top right.
    blocks
        In order.
    closing
        Small print below the last line.
    """

    title: str
    kicker: str
    name: str
    dated: str
    blocks: Sequence[Block]
    closing: Sequence[str] = ()


def leaflet_page(leaflet: Leaflet, words: Words, letterhead: Letterhead) -> str:
    """Return the leaflet as an HTML page that needs nothing else."""
    return render("leaflet.html", leaflet=leaflet, words=words, letterhead=letterhead)
