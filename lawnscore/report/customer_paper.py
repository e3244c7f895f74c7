"""The customer's report on one or two A4 pages."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence

from reportlab.platypus import Flowable, Image, KeepTogether, Table

from lawnscore.paper.fonts import TEXT
from lawnscore.paper.sizes import MM
from lawnscore.report.customer import (
    CustomerStory,
    Drawing,
    ZoneStory,
    measured_on,
    pair_caption,
    pair_labels,
)
from lawnscore.report.figures import Figure
from lawnscore.report.language import Words
from lawnscore.report.letterhead import Letterhead
from lawnscore.report.paper import (
    INK,
    RULE,
    WIDTH,
    beside,
    build,
    letterhead_row,
    para,
    plain,
    rule,
)
from lawnscore.report.paper_chart import PaperChart
from lawnscore.report.pictures import Pair

MOST_PAGES = 2
MOST_VISITS = 12
_CHART_WIDTH = 68 * MM
_FITS = (
    (MOST_VISITS, 9, True),
    (6, 9, True),
    (6, 9, False),
    (3, 9, False),
    (3, 3, False),
    (3, 2, False),
    (0, 1, False),
)
"""What is tried to fit two pages: visits, zones, and pictures of the zones after the first."""
MARKS = {"better": "● ", "worse": "◆ ", "no_clear_change": "– "}
"""Marks beside a verdict; its words say the same, so nothing rests on colour."""


def customer_pdf(story: CustomerStory, words: Words, letterhead: Letterhead) -> bytes:
    """Return the customer's report on one or two A4 pages.

    What does not fit two pages is left out from the end of the list of visits, then from the
    zones after the first; the page says so.
    """
    for visits, zones, pictures in _FITS:
        shown = story.pairs if pictures else {}
        flow = _customer_flow(story, words, letterhead, shown, visits=visits, zones=zones)
        data, pages = build(flow, words, title=story.lawn.name, author=letterhead.business)
        if pages <= MOST_PAGES:
            break
    return data


def _customer_flow(
    story: CustomerStory,
    words: Words,
    letterhead: Letterhead,
    pairs: Mapping[str, Pair],
    *,
    visits: int,
    zones: int,
) -> list[Flowable]:
    flow = [*_letterhead(story, words, letterhead), rule(INK, 2)]
    flow += [para(story.lawn.name, "name"), para(story.head.sentence, "lead")]
    if story.head.caveat:
        flow.append(para(story.head.caveat, "caveat"))
    several = len(story.zones) > 1
    flow += _zone_flow(story.zones[0], story.pairs.get(story.zones[0].zone), words, several)
    for zone in story.zones[1:zones]:
        flow += _other_zone_flow(zone, pairs.get(zone.zone), words)
    if len(story.zones) > zones:
        flow.append(para(words.text("customer.more_zones"), "small"))
    flow += _ending(story, words, letterhead, visits)
    return flow


def _letterhead(story: CustomerStory, words: Words, letterhead: Letterhead) -> list[Flowable]:
    last = story.lawn.last_date
    right = words.text("customer.updated", date=words.date(last)) if last else ""
    return [letterhead_row(letterhead, [words.text("customer.kicker"), right])]


def _zone_flow(zone: ZoneStory, pair: Pair | None, words: Words, several: bool) -> list[Flowable]:
    flow: list[Flowable] = [para(zone.title, "h2")] if several else []
    if pair is not None and pair.before is None and zone.n_visits:
        widths = [_CHART_WIDTH + 12 * MM, WIDTH - _CHART_WIDTH - 12 * MM]
        flow.append(beside([_pictures(pair, zone, words), _condition(zone, words)], widths))
    else:
        flow += _pictures(pair, zone, words) if pair is not None else []
        flow += _condition(zone, words) if zone.n_visits else []
    if zone.recovery:
        flow += _recovery_flow(zone, words)
    if zone.n_visits > 1:
        flow += [rule(), para(words.text("customer.over_time"), "h2"), *_charts(zone.drawings)]
    if zone.figures:
        flow += [rule(), para(words.text("customer.measured"), "h2")]
        flow.append(para(measured_on(zone, words), "small"))
        notes = [zone.surer, words.text("headline.nineteen")]
        flow += [_figures(zone.figures, words), para(" ".join(filter(None, notes)), "small")]
    return flow


def _other_zone_flow(zone: ZoneStory, pair: Pair | None, words: Words) -> list[Flowable]:
    """Return a zone after the first: pictures, condition and figures, without charts."""
    flow: list[Flowable] = [rule(), para(zone.title, "h2")]
    if pair is not None:
        flow += _pictures(pair, zone, words, tall_mm=34)
    text = [para(sentence) for sentence in zone.recovery]
    if zone.figures:
        lines = [
            f"{f.name}: {f.value}" + (f" ({plain(f.interval)})" if f.interval else "")
            for f in zone.figures
        ]
        half = (len(lines) + 1) // 2
        columns = [[para(line, "small") for line in part] for part in (lines[:half], lines[half:])]
        flow.append(beside(columns, [WIDTH / 2] * 2))
        flow += [para(f.note, "small") for f in zone.figures if f.note]
    return [KeepTogether([*flow, *text])]


def _pictures(pair: Pair, zone: ZoneStory, words: Words, *, tall_mm: float = 54) -> list[Flowable]:
    gap = 3 * MM
    width = (WIDTH - gap) / 2
    height = min(width * pair.height_px / pair.width_px, tall_mm * MM)
    width = min(width, height * pair.width_px / pair.height_px)

    def image(jpeg: bytes) -> Flowable:
        return Image(io.BytesIO(jpeg), width=width, height=height, hAlign="LEFT")

    caption = para(pair_caption(pair, zone.basis, words), "small")
    if pair.before is None:
        return [image(pair.after_jpeg), caption]
    named = pair_labels(zone.basis, words)
    labels = [
        [para(f"{name}, {words.date(row['date'])}", "h3"), image(jpeg)]
        for name, row, jpeg in zip(
            named, (pair.before, pair.after), (pair.before_jpeg, pair.after_jpeg), strict=True
        )
    ]
    return [beside(labels, [width + gap, width + gap]), caption]


def _condition(zone: ZoneStory, words: Words) -> list[Flowable]:
    left: list[Flowable] = [para(words.text("measure.condition"), "small")]
    if zone.condition:
        left.append(para(zone.condition, "number"))
        sure = (
            words.html("customer.condition_interval", range=zone.condition_range)
            if zone.condition_range
            else words.text("customer.condition_alone")
        )
        left += [para(words.text("customer.condition_scale") + "; " + plain(sure), "small")]
        left.append(para(MARKS.get(zone.verdict, "") + zone.trend, "body"))
    else:
        left.append(para(words.text("customer.condition_unknown")))
    if zone.n_visits < 2:
        return left
    chart = PaperChart(zone.condition_chart.chart, _CHART_WIDTH)
    return [beside([left, chart], [WIDTH - 74 * MM, 74 * MM])]


def _recovery_flow(zone: ZoneStory, words: Words) -> list[Flowable]:
    text = [para(sentence) for sentence in zone.recovery]
    flow = [rule(), para(words.text("customer.recovery"), "h2")]
    if zone.recovery_drawing is None:
        return [*flow, *text]
    key = "customer.recovery_legend" + ("" if zone.recovery_has_course else "_points")
    chart = PaperChart(zone.recovery_drawing.chart, _CHART_WIDTH)
    axis = para(f"{zone.recovery_drawing.title}, {words.text('chart.days')}", "small")
    widths = [WIDTH - 74 * MM, 74 * MM]
    return [*flow, beside([[*text, para(words.text(key), "small")], [chart, axis]], widths)]


def _charts(drawings: Sequence[Drawing]) -> list[Flowable]:
    width = WIDTH / 2
    cells = [[para(d.title, "h3"), PaperChart(d.chart, _CHART_WIDTH)] for d in drawings]
    return [
        beside(cells[i : i + 2], [width] * len(cells[i : i + 2])) for i in range(0, len(cells), 2)
    ]


def _figures(figures: Sequence[Figure], words: Words) -> Flowable:
    rows = []
    for figure in figures:
        sure = figure.interval or words.text("customer.no_range")
        change = words.text(f"verdict.{figure.verdict}") if figure.verdict else ""
        change += f" ({figure.change})" if figure.change else ""
        rows.append(
            [
                para(figure.name),
                para(figure.value, "value"),
                [para(plain(sure), "small"), para(MARKS.get(figure.verdict, "") + change, "small")],
                para(f"{figure.meaning} {figure.note}".strip(), "small"),
            ]
        )
    style = [
        ("FONTNAME", (0, 0), (-1, -1), TEXT),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
    ]
    widths = [34 * MM, 25 * MM, 42 * MM, WIDTH - 101 * MM]
    return Table(rows, colWidths=widths, style=style, hAlign="LEFT")


def _ending(
    story: CustomerStory, words: Words, letterhead: Letterhead, visits: int
) -> list[Flowable]:
    flow: list[Flowable] = [rule(), para(words.text("customer.next"), "h2")]
    flow += [para(step) for step in story.next_steps]
    if visits:
        flow += [rule(), para(words.text("customer.visits"), "h2")]
        for visit in story.visits[:visits]:
            said = "; ".join([*visit.lines, visit.photos] if visit.photos else visit.lines)
            flow.append(
                beside([para(visit.when, "small"), para(said, "small")], [40 * MM, WIDTH - 40 * MM])
            )
        if not story.visits:
            flow.append(para(words.text("customer.visits_none")))
    last = [rule(INK), para(words.text("customer.made"), "small")]
    if letterhead.contact:
        last.append(para(words.text("customer.contact", contact=letterhead.contact), "small"))
    return [*flow, KeepTogether(last)]
