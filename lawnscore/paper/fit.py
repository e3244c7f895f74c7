"""Text that fits a width: cut off with an ellipsis, or wrapped.

Sizes and widths share one unit, whichever it is.
"""

from __future__ import annotations

from lawnscore.paper.fonts import register_fonts


def text_width(text: str, font: str, size: float) -> float:
    """Return how wide a line of text is."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    register_fonts()
    return float(stringWidth(text, font, size))


def fitted(text: str, font: str, size: float, width: float) -> str:
    """Return the text, or as much of it as fits with an ellipsis.

    Examples
    --------
    >>> fitted("Wisteria Cottage", "Plain", 10, 60)
    'Wisteria …'
    """
    if text_width(text, font, size) <= width:
        return text
    while text and text_width(text + "…", font, size) > width:
        text = text[:-1]
    return text + "…"


def wrapped(text: str, font: str, size: float, width: float) -> list[str]:
    """Return the lines of a text; a word too long for one is broken, if it can after a hyphen.

    Examples
    --------
    >>> wrapped("by the old well-kept wall", "Plain", 10, 60)
    ['by the old', 'well-kept', 'wall']
    """
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if text_width(longer, font, size) <= width:
            lines[-1] = longer
            continue
        pieces = _broken(word, font, size, width)
        lines = [*lines, *pieces] if lines[-1] else pieces
    return lines


def _broken(word: str, font: str, size: float, width: float) -> list[str]:
    pieces, piece = [], ""
    for letter in word:
        while piece and text_width(piece + letter, font, size) > width:
            cut = piece.rfind("-") + 1 or len(piece)
            pieces.append(piece[:cut])
            piece = piece[cut:]
        piece += letter
    return [*pieces, piece]
