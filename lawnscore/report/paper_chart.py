"""A chart on paper: the same shapes as on a page, drawn as vectors and text."""

from __future__ import annotations

from reportlab.lib.colors import Color
from reportlab.platypus import Flowable

from lawnscore.paper.fonts import PLAIN, TEXT_ITALIC, register_fonts
from lawnscore.report.charts import Chart, Shape
from lawnscore.report.paper import BAND, DEEP, EARTH, FAINT, INK, RULE, SOFT

_DOT = 3.0  # units of the drawing
_LINES: dict[str, tuple[Color, float, tuple[float, ...]]] = {
    "grid": (FAINT, 0.6, ()),
    "axis": (RULE, 0.8, ()),
    "line": (DEEP, 1.2, ()),
    "course": (DEEP, 1.4, ()),
    "range": (DEEP, 1.0, ()),
    "level": (EARTH, 1.2, (5, 3)),
    "mark": (INK, 0.8, (1, 2.5)),
}


class PaperChart(Flowable):  # type: ignore[misc]
    """A chart as a block of a PDF, as wide as asked for (points)."""

    def __init__(self, chart: Chart, width: float) -> None:
        super().__init__()
        register_fonts()
        self.chart = chart
        self.scale = width / chart.width
        self.width, self.height = width, chart.height * self.scale

    def draw(self) -> None:
        """Draw onto the page; called by ReportLab."""
        self.canv.saveState()
        self.canv.scale(self.scale, self.scale)
        for shape in self.chart.shapes:
            self._draw(shape, [(x, self.chart.height - y) for x, y in shape.points])
        self.canv.restoreState()

    def _draw(self, shape: Shape, points: list[tuple[float, float]]) -> None:
        if shape.kind == "text":
            self._text(shape, points[0])
        elif shape.kind == "dot":
            self.canv.setFillColor(DEEP)
            self.canv.circle(*points[0], _DOT, stroke=0, fill=1)
        elif shape.kind == "ring":
            self.canv.setStrokeColor(SOFT)
            self.canv.setLineWidth(1)
            self.canv.circle(*points[0], _DOT, stroke=1, fill=0)
        else:
            self._path(shape, points)

    def _text(self, shape: Shape, point: tuple[float, float]) -> None:
        note = shape.role == "note"
        self.canv.setFont(TEXT_ITALIC if note else PLAIN, 11.5 if note else 10)
        self.canv.setFillColor(INK if note else SOFT)
        draw = {
            "start": self.canv.drawString,
            "middle": self.canv.drawCentredString,
            "end": self.canv.drawRightString,
        }[shape.anchor]
        draw(*point, shape.text)

    def _path(self, shape: Shape, points: list[tuple[float, float]]) -> None:
        path = self.canv.beginPath()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        if shape.kind == "area":
            path.close()
            self.canv.setFillColor(BAND)
            self.canv.drawPath(path, stroke=0, fill=1)
            return
        colour, width, dash = _LINES[shape.role]
        self.canv.setStrokeColor(colour)
        self.canv.setLineWidth(width)
        self.canv.setDash(*([list(dash)] if dash else []))
        self.canv.drawPath(path, stroke=1, fill=0)
