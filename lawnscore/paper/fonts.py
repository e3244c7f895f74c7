"""Fonts of everything printed: DejaVu and STIX as Matplotlib ships them, embedded as subsets.

They hold Latin, Greek and Cyrillic letters, so that a name prints as it is written.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

TEXT, TEXT_BOLD, TEXT_ITALIC = "Text", "Text-Bold", "Text-Italic"
"""For reading: a face with serifs."""
PLAIN, PLAIN_BOLD = "Plain", "Plain-Bold"
"""For labels and small print: a face without serifs."""

_FILES = {
    TEXT: "STIXGeneral.ttf",
    TEXT_BOLD: "STIXGeneralBol.ttf",
    TEXT_ITALIC: "STIXGeneralItalic.ttf",
    PLAIN: "DejaVuSans.ttf",
    PLAIN_BOLD: "DejaVuSans-Bold.ttf",
}


def font_file(name: str) -> Path:
    """Return the TrueType file of a font, for a raster.

    Raises
    ------
    KeyError
        When the font is none of this module's.
    """
    import matplotlib as mpl

    return Path(mpl.get_data_path()) / "fonts" / "ttf" / _FILES[name]


@cache
def register_fonts() -> None:
    """Make the fonts known to ReportLab by their names; once."""
    from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
    from reportlab.pdfbase.ttfonts import TTFont

    for name in _FILES:
        registerFont(TTFont(name, str(font_file(name))))
    registerFontFamily(TEXT, normal=TEXT, bold=TEXT_BOLD, italic=TEXT_ITALIC, boldItalic=TEXT_BOLD)
