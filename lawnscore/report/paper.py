"""Paper: page, fonts, styles and the few blocks that every PDF is made of.

Drawn with ReportLab, which is plain Python, so it needs no browser and no system library.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from functools import cache
from xml.sax.saxutils import escape

from markupsafe import Markup
from reportlab import rl_config
from reportlab.lib.colors import Color, HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, HRFlowable, Image, Paragraph, SimpleDocTemplate, Table

from lawnscore.paper.fonts import PLAIN, TEXT, TEXT_ITALIC, register_fonts
from lawnscore.paper.sizes import MM
from lawnscore.report.language import Words
from lawnscore.report.letterhead import Letterhead

MARGIN = 16 * MM
FRAME_PADDING = 6  # points, ReportLab's own
WIDTH = float(A4[0] - 2 * MARGIN - 2 * FRAME_PADDING)
"""Width of the text, in points."""

INK, SOFT, RULE = HexColor("#1c1f19"), HexColor("#4a4f45"), HexColor("#c9c2b0")
DEEP, EARTH, BAND = HexColor("#1c4d68"), HexColor("#874700"), HexColor("#c9dce3")
FAINT = HexColor("#e6e0d1")


@cache
def _styles() -> dict[str, ParagraphStyle]:
    register_fonts()
    base = ParagraphStyle(
        "body",
        fontName=TEXT,
        bulletFontName=TEXT,
        fontSize=10,
        leading=13,
        textColor=INK,
        spaceAfter=3,
    )

    def style(name: str, **changes: object) -> ParagraphStyle:
        return ParagraphStyle(name, parent=base, **changes)

    soft = SOFT
    return {
        "body": base,
        "name": style("name", fontSize=19, leading=23, spaceAfter=4),
        "lead": style("lead", fontSize=13.5, leading=17.5, spaceAfter=6),
        "h2": style("h2", fontSize=13.5, leading=17, spaceBefore=3, spaceAfter=2, keepWithNext=1),
        "h3": style("h3", fontSize=10.5, leading=13, spaceAfter=1, keepWithNext=1),
        "small": style("small", fontName=PLAIN, fontSize=7.4, leading=10, textColor=soft),
        "number": style("number", fontSize=30, leading=32),
        "caveat": style("caveat", fontName=TEXT_ITALIC, textColor=EARTH),
        "value": style("value", fontSize=11, leading=13),
    }


def para(text: object, style: str = "body") -> Paragraph:
    """Return a paragraph of plain text in one of the styles."""
    plain = text.striptags() if isinstance(text, Markup) else str(text)
    return Paragraph(escape(plain), _styles()[style])


def valued(value: str, beside: str) -> Paragraph:
    """Return a value with what belongs to it behind it, smaller."""
    style = _styles()["small"]
    colour = style.textColor.hexval().replace("0x", "#")
    small = f'<font name="{style.fontName}" size="{style.fontSize}" color="{colour}">'
    text = escape(value) + (f"  {small}{escape(beside)}</font>" if beside else "")
    return Paragraph(text, _styles()["body"])


def build(flow: Sequence[Flowable], words: Words, *, title: str, author: str) -> tuple[bytes, int]:
    """Return the document and its number of pages; the same flow gives the same bytes."""
    rl_config.useA85 = 0  # pictures as bytes: a quarter smaller and far faster than as text
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=13 * MM,
        bottomMargin=13 * MM,
        title=title,
        author=author,
        lang=words.language,
        initialFontName=PLAIN,
        invariant=1,
    )
    document.build(list(flow), onFirstPage=_foot(title), onLaterPages=_foot(title))
    return out.getvalue(), document.page


def _foot(title: str) -> Callable[[Canvas, SimpleDocTemplate], None]:
    def draw(canvas: Canvas, document: SimpleDocTemplate) -> None:
        canvas.saveState()
        canvas.setFont(PLAIN, 6.8)
        canvas.setFillColor(SOFT)
        canvas.drawString(MARGIN, 8 * MM, title)
        canvas.drawRightString(document.pagesize[0] - MARGIN, 8 * MM, str(document.page))
        canvas.restoreState()

    return draw


def rule(colour: Color = RULE, before: float = 5.0) -> Flowable:
    """Return a line across the page."""
    return HRFlowable(width="100%", thickness=0.6, color=colour, spaceBefore=before, spaceAfter=5)


def beside(cells: Sequence[Flowable], widths: Sequence[float]) -> Flowable:
    """Return cells side by side, top-aligned, without lines."""
    style = [
        ("FONTNAME", (0, 0), (-1, -1), TEXT),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
    return Table([list(cells)], colWidths=list(widths), style=style, hAlign="LEFT")


def letterhead_row(letterhead: Letterhead, right: Sequence[str]) -> Flowable:
    """Return logo, business and contact at the left, and small lines at the right."""
    left = [para(letterhead.business, "h3")] if letterhead.business else []
    left += [para(letterhead.contact, "small")] if letterhead.contact else []
    cells: list[Flowable] = [left or "", [para(line, "small") for line in right]]
    widths = [WIDTH * 0.7, WIDTH * 0.3]
    if letterhead.logo_png:
        logo = Image(io.BytesIO(letterhead.logo_png))
        shrink = min(28 * MM / logo.imageWidth, 14 * MM / logo.imageHeight)
        logo.drawWidth, logo.drawHeight = logo.imageWidth * shrink, logo.imageHeight * shrink
        cells.insert(0, logo)
        widths = [32 * MM, WIDTH * 0.7 - 32 * MM, WIDTH * 0.3]
    return beside(cells, widths)


def plain(text: Markup | str) -> str:
    """Return text without its markup."""
    return text.striptags() if isinstance(text, Markup) else text
