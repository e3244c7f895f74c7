"""The customer's report and the attention sheet on A4, as PDF: text is text, charts are lines.

Drawn with ReportLab, which is plain Python, so it needs no browser and no system library. The
fonts are DejaVu and STIX as Matplotlib ships them, embedded as subsets.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from markupsafe import Markup

from lawnscore.report.charts import Chart, Shape
from lawnscore.report.customer import CustomerStory, Drawing, Figure, ZoneStory
from lawnscore.report.language import Words
from lawnscore.report.letterhead import Letterhead
from lawnscore.report.load import RoundRows
from lawnscore.report.pictures import Pair
from lawnscore.report.sheet import SHEET_ROWS, SheetRow, more_line

MM = 72 / 25.4  # points a millimetre
MARGIN = 16 * MM
MOST_PAGES = 2
MOST_VISITS = 12

INK, SOFT, RULE, DEEP, EARTH, BAND = (
    "#1c1f19",
    "#4a4f45",
    "#c9c2b0",
    "#1c4d68",
    "#874700",
    "#c9dce3",
)
_STROKES: dict[str, tuple[str, float, Sequence[float] | None]] = {
    "grid": ("#e6e0d1", 0.6, None),
    "axis": (RULE, 0.8, None),
    "line": (DEEP, 1.2, None),
    "course": (DEEP, 1.4, None),
    "range": (DEEP, 1.0, None),
    "level": (EARTH, 1.2, (5, 3)),
    "mark": (INK, 0.8, (1, 2.5)),
}
_FONTS = {
    "Text": "STIXGeneral.ttf",
    "Text-Bold": "STIXGeneralBol.ttf",
    "Text-Italic": "STIXGeneralItalic.ttf",
    "Small": "DejaVuSans.ttf",
}


def customer_pdf(story: CustomerStory, words: Words, letterhead: Letterhead) -> bytes:
    """Return the customer's report on one or two A4 pages.

    What does not fit two pages is left out from the end of the list of visits, then from the
    zones after the first; the page says so.
    """
    for visits, zones in ((MOST_VISITS, 9), (6, 9), (6, 2), (4, 1), (0, 1)):
        flow = _customer_flow(story, words, letterhead, visits=visits, zones=zones)
        data, pages = _build(flow, words, title=story.lawn.name, author=letterhead.business)
        if pages <= MOST_PAGES:
            break
    return data


def sheet_pdf(rounds: RoundRows, rows: Sequence[SheetRow], words: Words) -> bytes:
    """Return the attention sheet on exactly one A4 page, with as many rows as fit."""
    business = rounds.settings.report.business
    for most in range(max(SHEET_ROWS, 1), -1, -1):
        flow = _sheet_flow(rounds, rows, words, most)
        data, pages = _build(flow, words, title=words.text("sheet.title"), author=business)
        if pages == 1:
            break
    return data


def to_drawing(chart: Chart, width: float) -> Any:
    """Return a chart as a ReportLab drawing of the given width in points, all of it vectors."""
    from reportlab.graphics.shapes import Drawing as Canvas
    from reportlab.graphics.shapes import Group

    _register_fonts()
    scale = width / chart.width
    group = Group(*(_drawn(shape, chart.height) for shape in chart.shapes))
    group.transform = (scale, 0, 0, scale, 0, 0)
    return Canvas(width, chart.height * scale, group)


def _drawn(shape: Shape, height: float) -> Any:
    from reportlab.graphics import shapes
    from reportlab.lib.colors import HexColor

    points = [(x, height - y) for x, y in shape.points]
    flat = [value for point in points for value in point]
    if shape.kind == "text":
        font = "Text-Italic" if shape.role == "note" else "Small"
        return shapes.String(
            *points[0],
            shape.text,
            fontName=font,
            fontSize=11 if shape.role == "note" else 9.5,
            fillColor=HexColor(INK if shape.role == "note" else SOFT),
            textAnchor=shape.anchor,
        )
    if shape.kind == "area":
        return shapes.Polygon(flat, fillColor=HexColor(BAND), strokeColor=None)
    if shape.kind == "dot":
        return shapes.Circle(*points[0], 3.0, fillColor=HexColor(DEEP), strokeColor=None)
    if shape.kind == "ring":
        return shapes.Circle(*points[0], 3.0, fillColor=None, strokeColor=HexColor(SOFT))
    colour, thick, dash = _STROKES[shape.role]
    return shapes.PolyLine(
        flat, strokeColor=HexColor(colour), strokeWidth=thick, strokeDashArray=dash
    )


@cache
def _register_fonts() -> None:
    import matplotlib
    from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in _FONTS.items():
        registerFont(TTFont(name, str(folder / file)))
    registerFontFamily(
        "Text", normal="Text", bold="Text-Bold", italic="Text-Italic", boldItalic="Text-Bold"
    )


@cache
def _styles() -> dict[str, Any]:
    from reportlab.lib.colors import HexColor
    from reportlab.lib.styles import ParagraphStyle

    _register_fonts()
    base = ParagraphStyle(
        "body", fontName="Text", fontSize=10, leading=13, textColor=HexColor(INK), spaceAfter=3
    )

    def style(name: str, **changes: Any) -> ParagraphStyle:
        return ParagraphStyle(name, parent=base, **changes)

    soft = HexColor(SOFT)
    return {
        "body": base,
        "name": style("name", fontSize=19, leading=23, spaceAfter=4),
        "lead": style("lead", fontSize=13.5, leading=17.5, spaceAfter=6),
        "h2": style("h2", fontSize=13.5, leading=17, spaceBefore=6, spaceAfter=3),
        "h3": style("h3", fontSize=10.5, leading=13, spaceAfter=1),
        "small": style("small", fontName="Small", fontSize=7.4, leading=10, textColor=soft),
        "number": style("number", fontSize=30, leading=32),
        "caveat": style("caveat", fontName="Text-Italic", textColor=HexColor(EARTH)),
        "value": style("value", fontSize=11, leading=13),
    }


def _p(text: object, style: str = "body") -> Any:
    from reportlab.platypus import Paragraph

    plain = text.striptags() if isinstance(text, Markup) else str(text)
    return Paragraph(escape(plain), _styles()[style])


def _build(flow: Sequence[Any], words: Words, *, title: str, author: str) -> tuple[bytes, int]:
    from reportlab.lib.pagesizes import A4
    from reportlab.platypus import SimpleDocTemplate

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
        invariant=1,
    )
    document.build(list(flow), onFirstPage=_foot(title), onLaterPages=_foot(title))
    return out.getvalue(), document.page


def _foot(title: str) -> Callable[[Any, Any], None]:
    def draw(canvas: Any, document: Any) -> None:
        canvas.saveState()
        canvas.setFont("Small", 6.8)
        canvas.setFillColor(SOFT)
        canvas.drawString(MARGIN, 8 * MM, title)
        canvas.drawRightString(document.pagesize[0] - MARGIN, 8 * MM, str(document.page))
        canvas.restoreState()

    return draw


def _width() -> float:
    from reportlab.lib.pagesizes import A4

    return float(A4[0] - 2 * MARGIN)


def _rule(colour: str = RULE, before: float = 5.0) -> Any:
    from reportlab.lib.colors import HexColor
    from reportlab.platypus import HRFlowable

    return HRFlowable(
        width="100%", thickness=0.6, color=HexColor(colour), spaceBefore=before, spaceAfter=5
    )


def _beside(cells: Sequence[Any], widths: Sequence[float]) -> Any:
    from reportlab.platypus import Table

    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
    return Table([list(cells)], colWidths=list(widths), style=style)


def _customer_flow(
    story: CustomerStory, words: Words, letterhead: Letterhead, *, visits: int, zones: int
) -> list[Any]:
    flow = [*_letterhead(story, words, letterhead), _rule(INK, 2)]
    flow += [_p(story.lawn.name, "name"), _p(story.head.sentence, "lead")]
    if story.head.caveat:
        flow.append(_p(story.head.caveat, "caveat"))
    several = len(story.zones) > 1
    for index, zone in enumerate(story.zones[:zones]):
        flow += _zone_flow(zone, story.pairs.get(zone.zone), words, several, first=index == 0)
    flow += _ending(story, words, letterhead, visits)
    return flow


def _letterhead(story: CustomerStory, words: Words, letterhead: Letterhead) -> list[Any]:
    from reportlab.platypus import Image

    left = [_p(letterhead.business, "h3")] if letterhead.business else []
    left += [_p(letterhead.contact, "small")] if letterhead.contact else []
    last = story.lawn.last_date
    right = words.text("customer.updated", date=words.date(last)) if last else ""
    kicker = words.text("customer.kicker")
    cells: list[Any] = [left or "", [_p(kicker, "small"), _p(right, "small")]]
    widths = [_width() * 0.7, _width() * 0.3]
    if letterhead.logo_png:
        logo = Image(io.BytesIO(letterhead.logo_png))
        shrink = min(28 * MM / logo.imageWidth, 14 * MM / logo.imageHeight)
        logo.drawWidth, logo.drawHeight = logo.imageWidth * shrink, logo.imageHeight * shrink
        cells.insert(0, logo)
        widths = [32 * MM, _width() * 0.7 - 32 * MM, _width() * 0.3]
    return [_beside(cells, widths)]


def _zone_flow(
    zone: ZoneStory, pair: Pair | None, words: Words, several: bool, *, first: bool
) -> list[Any]:
    flow: list[Any] = []
    if several:
        flow += [_rule(), _p(zone.title, "h2")]
    if pair is not None:
        flow += _pictures(pair, words, small=not first)
    if zone.n_visits:
        flow.append(_condition(zone, words))
    if zone.recovery:
        flow += _recovery_flow(zone, words)
    if zone.n_visits > 1:
        flow += [_rule(), _p(words.text("customer.over_time"), "h2"), *_charts(zone.drawings)]
    if zone.figures:
        flow += [_rule(), _p(words.text("customer.measured"), "h2")]
        flow += [_figures(zone.figures, words), _p(words.text("headline.nineteen"), "small")]
    return flow


def _pictures(pair: Pair, words: Words, *, small: bool) -> list[Any]:
    from reportlab.platypus import Image

    both = pair.before is not None
    gap = 3 * MM
    width = (_width() - gap) / 2
    height = min(width * pair.height_px / pair.width_px, (42 if small else 62) * MM)
    width = min(width, height * pair.width_px / pair.height_px)

    def image(jpeg: bytes) -> Any:
        return Image(io.BytesIO(jpeg), width=width, height=height, hAlign="LEFT")

    captions = {"from": "", "to": words.date(pair.after["date"])}
    captions["width"] = words.length(pair.width_mm)
    if pair.before is None:
        text = words.text("customer.one_picture", date=captions["to"], width=captions["width"])
        return [image(pair.after_jpeg), _p(text, "small")]
    captions["from"] = words.date(pair.before["date"])
    key = "customer.pair_same" if pair.same_spot else "customer.pair_other"
    spot = pair.after["spot"] or ""
    labels = [
        [_p(f"{words.text('customer.before')}, {captions['from']}", "h3"), image(pair.before_jpeg)],
        [_p(f"{words.text('customer.after')}, {captions['to']}", "h3"), image(pair.after_jpeg)],
    ]
    text = words.text(key, spot=spot, **captions)
    return [_beside(labels, [width + gap, width + gap]) if both else "", _p(text, "small")]


def _condition(zone: ZoneStory, words: Words) -> Any:
    left: list[Any] = [_p(words.text("measure.condition"), "small")]
    if zone.condition:
        left.append(_p(zone.condition, "number"))
        sure = (
            words.html("customer.condition_interval", range=zone.condition_range)
            if zone.condition_range
            else words.text("customer.condition_alone")
        )
        left += [_p(words.text("customer.condition_scale") + "; " + _plain(sure), "small")]
        left.append(_p(_MARKS.get(zone.verdict, "") + zone.trend, "body"))
    else:
        left.append(_p(words.text("customer.condition_unknown")))
    if zone.n_visits < 2:
        return _beside([left], [_width()])
    chart = to_drawing(zone.condition_chart.chart, 78 * MM)
    return _beside([left, chart], [_width() - 84 * MM, 84 * MM])


_MARKS = {"better": "● ", "worse": "◆ ", "no_clear_change": "– "}
"""Marks beside a verdict; its words say the same, so nothing rests on colour."""


def _plain(text: Markup | str) -> str:
    return text.striptags() if isinstance(text, Markup) else text


def _recovery_flow(zone: ZoneStory, words: Words) -> list[Any]:
    text = [_p(sentence) for sentence in zone.recovery]
    flow = [_rule(), _p(words.text("customer.recovery"), "h2")]
    if zone.recovery_drawing is None:
        return [*flow, *text]
    key = "customer.recovery_legend" + ("" if zone.recovery_has_course else "_points")
    chart = to_drawing(zone.recovery_drawing.chart, 78 * MM)
    axis = _p(f"{zone.recovery_drawing.title}, {words.text('chart.days')}", "small")
    widths = [_width() - 84 * MM, 84 * MM]
    return [*flow, _beside([[*text, _p(words.text(key), "small")], [chart, axis]], widths)]


def _charts(drawings: Sequence[Drawing]) -> list[Any]:
    width = _width() / 2
    cells = [[_p(d.title, "h3"), to_drawing(d.chart, width - 8 * MM)] for d in drawings]
    return [
        _beside(cells[i : i + 2], [width] * len(cells[i : i + 2])) for i in range(0, len(cells), 2)
    ]


def _figures(figures: Sequence[Figure], words: Words) -> Any:
    from reportlab.lib.colors import HexColor
    from reportlab.platypus import Table

    rows = []
    for figure in figures:
        sure = figure.interval or words.text("customer.no_range")
        change = words.text(f"verdict.{figure.verdict}")
        change += f" ({figure.change})" if figure.change else ""
        rows.append(
            [
                _p(figure.name),
                _p(figure.value, "value"),
                [_p(_plain(sure), "small"), _p(_MARKS.get(figure.verdict, "") + change, "small")],
                _p(figure.meaning, "small"),
            ]
        )
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, HexColor(RULE)),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
    ]
    widths = [34 * MM, 25 * MM, 42 * MM, _width() - 101 * MM]
    return Table(rows, colWidths=widths, style=style)


def _ending(story: CustomerStory, words: Words, letterhead: Letterhead, visits: int) -> list[Any]:
    flow: list[Any] = [_rule(), _p(words.text("customer.next"), "h2")]
    flow += [_p(step) for step in story.next_steps]
    if visits:
        flow += [_rule(), _p(words.text("customer.visits"), "h2")]
        for visit in story.visits[:visits]:
            said = "; ".join([*visit.lines, visit.photos] if visit.photos else visit.lines)
            flow.append(
                _beside([_p(visit.when, "small"), _p(said, "small")], [40 * MM, _width() - 40 * MM])
            )
        if not story.visits:
            flow.append(_p(words.text("customer.visits_none")))
    flow += [_rule(INK), _p(words.text("customer.made"), "small")]
    if letterhead.contact:
        flow.append(_p(words.text("customer.contact", contact=letterhead.contact), "small"))
    return flow


def _sheet_flow(rounds: RoundRows, rows: Sequence[SheetRow], words: Words, most: int) -> list[Any]:
    as_of = words.date(rounds.as_of) if rounds.as_of else words.text("unit.unknown")
    head = [
        _p(words.text("sheet.title"), "name"),
        _p(words.text("sheet.intro", date=as_of), "small"),
    ]
    flow = [*head, _rule(INK, 3)]
    if not rows:
        return [*flow, _p(words.text("sheet.none"))]
    flow.append(_sheet_table(rows[:most], words))
    more = more_line(len(rows) - most, words)
    flow += [_p(more, "small")] if more else []
    return [*flow, _rule(), _p(words.text("sheet.caution"), "small")]


def _sheet_table(rows: Sequence[SheetRow], words: Words) -> Any:
    from reportlab.lib.colors import HexColor
    from reportlab.platypus import Table

    heads = ("rank", "where", "matter", "step", "spots", "done")
    table = [[_p(words.text(f"sheet.{head}"), "small") for head in heads]]
    for row in rows:
        since = f" {words.text('sheet.since', date=row.since)}" if row.since else ""
        table.append(
            [
                _p(row.rank),
                [_p(row.name), _p(row.zone, "small")],
                [_p(row.flag + since), _p(row.evidence, "small")],
                _p(row.next_step, "small"),
                _p(row.spots, "small"),
                "",
            ]
        )
    boxes = [("BOX", (5, i), (5, i), 0.7, HexColor(INK)) for i in range(1, len(table))]
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-2, -1), 0.4, HexColor(RULE)),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        *boxes,
    ]
    fixed = [8 * MM, 32 * MM, 0.0, 0.0, 24 * MM, 12 * MM]
    rest = (_width() - sum(fixed)) / 2
    return Table(table, colWidths=[w or rest for w in fixed], style=style, repeatRows=1)
