"""A PDF to draw on in millimetres, from the bottom left, and what a failed write says."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from lawnscore.contract.files import MARK, check_output, write_whole
from lawnscore.paper.fonts import PLAIN, register_fonts
from lawnscore.paper.sizes import MM

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas


class Sheet:
    """Pages of one size; ``pen`` is ReportLab's canvas in millimetres, sizes of fonts too.

    Call :meth:`next_page` after each page.
    """

    def __init__(self, size_mm: tuple[float, float], title: str) -> None:
        from reportlab.pdfgen.canvas import Canvas

        register_fonts()
        size = (size_mm[0] * MM, size_mm[1] * MM)
        self._out = io.BytesIO()
        self._canvas = Canvas(self._out, pagesize=size, invariant=1, initialFontName=PLAIN)
        self._canvas.setTitle(title)
        self._canvas.setCreator(MARK)
        self._canvas.setViewerPreference("PrintScaling", "None")
        self._begun = False
        self.n_pages = 0

    @property
    def pen(self) -> Canvas:
        """The canvas, scaled once a page: an empty last page would be drawn otherwise."""
        if not self._begun:
            self._canvas.scale(MM, MM)
            self._begun = True
        return self._canvas

    def next_page(self) -> None:
        """End the page."""
        self._canvas.showPage()
        self._begun = False
        self.n_pages += 1

    def data(self) -> bytes:
        """End the drawing and return the PDF."""
        self._canvas.save()
        return self._out.getvalue()


@contextmanager
def new_sheet(path: Path, size_mm: tuple[float, float], *, title: str) -> Iterator[Sheet]:
    """Give a sheet to draw on and save it; a folder that is not there is made.

    The same drawing gives the same bytes. A viewer is told to print at full size.

    Raises
    ------
    LawnscoreError
        When the file is no PDF by its ending, a file is there that this program did not make, or
        it cannot be written.
    """
    check_output(path, ".pdf")
    sheet = Sheet(size_mm, title)
    yield sheet
    write_whole(path, sheet.data())
