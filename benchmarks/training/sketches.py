"""A second world of labelled ground: strokes, discs and noise, drawn in colour space.

Written apart from `lawnscore.demo`: no spectra, no blades of its kind, another soil, another maker
of worm casts. What a lawn looks like is guessed as widely as a picture allows: straw from
white-grey to red-brown, soil from black to white, leaf from yellow to blue, and light from flat to
hard within a blade. So what is learned from it is shape and grain, not one renderer's colours.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lawnscore.card.colourspace import lab_to_linear

Floats = NDArray[np.float32]

GREEN, STRAW, SOIL, CAST, LITTER = range(5)
FINE_MM = 0.625
"""Scale at which is drawn; what leaves is half as fine."""
MM_PER_PX = 1.25


@dataclass(frozen=True, eq=False)
class Sketch:
    """Ground from straight above at 1.25 mm a pixel.

    Parameters
    ----------
    linear
        (H, W, 3) linear sRGB.
    label
        (H, W) uint8: 0 green, 1 straw, 2 soil, 3 cast, 4 litter.
    shade
        (H, W) uint8: how much of the sun is taken away by something outside the picture.
    casts
        (n, 3): x, y, diameter in mm.
    leaf
        (3,) mean linear sRGB of the leaf that lies in the light; NaN where there is hardly any.
    """

    linear: Floats
    label: NDArray[np.uint8]
    shade: NDArray[np.uint8]
    casts: Floats
    leaf: Floats


class _Canvas:
    """What has been drawn so far, layer on layer, at the fine scale."""

    def __init__(self, side: int, rng: np.random.Generator) -> None:
        self.side, self.rng = side, rng
        self.colour = np.zeros((side, side, 3), np.float32)
        self.label = np.full((side, side), SOIL, np.uint8)
        angle, low = rng.uniform(0, 2 * np.pi), rng.uniform(0.4, 2.2)
        self.sun = rng.uniform(0, 1) ** 0.7 if rng.random() < 0.7 else 0.0
        self.towards = np.array([np.cos(angle), np.sin(angle)]) * low
        self.gloom = rng.uniform(0.0, 0.55)
        """How much a layer darkens what lies below it, all around."""

    def lay(self, layer: Floats, label: NDArray[np.uint8], lift_mm: float) -> None:
        """Lay a layer over what is there; it throws a shadow and takes light away around it."""
        inside = (label < 255).astype(np.float32)
        around = cv2.GaussianBlur(inside, (0, 0), max(1.0, 3.0 * lift_mm))
        light = 1.0 - self.gloom * np.clip(around, 0, 1)
        if self.sun > 0:
            reach = lift_mm / FINE_MM * self.towards
            move = np.array([[1, 0, reach[0]], [0, 1, reach[1]]])
            thrown = cv2.warpAffine(inside, move, inside.shape[::-1], borderMode=cv2.BORDER_REFLECT)
            thrown = cv2.GaussianBlur(thrown, (0, 0), 0.6 + 0.3 * lift_mm)
            light *= 1.0 - 0.75 * self.sun * np.clip(thrown, 0, 1)
        keep = (1.0 - inside)[..., None]
        self.colour = self.colour * light[..., None] * keep + layer * inside[..., None]
        self.label = np.where(label < 255, label, self.label)


def draw_sketch(seed: int, *, side_mm: float = 440.0) -> Sketch:
    """Draw one piece of ground; same seed, same ground."""
    rng = np.random.default_rng([seed, 4242])
    side = 2 * round(side_mm / MM_PER_PX)
    canvas = _Canvas(side, rng)
    base = _soil(canvas)
    plan = _plan(rng)
    casts: list[tuple[float, float, float]] = []
    _cover(canvas, plan, base, casts)
    shade = _cast_shade(canvas)
    colour = _whole_light(canvas, shade)
    half = (side // 2, side // 2)
    lit = (canvas.label == GREEN) & (shade < 0.1)
    leaf = colour[lit].mean(axis=0) if lit.sum() > 2000 else np.full(3, np.nan)
    return Sketch(
        np.asarray(cv2.resize(colour, half, interpolation=cv2.INTER_AREA), np.float32),
        np.ascontiguousarray(canvas.label[::2, ::2]),
        np.rint(255 * cv2.resize(shade, half, interpolation=cv2.INTER_AREA)).astype(np.uint8),
        np.array(casts, np.float32).reshape(-1, 3),
        np.asarray(leaf, np.float32),
    )


def _plan(rng: np.random.Generator) -> dict[str, float]:
    """Say what lies on the soil: densities, from nothing to far more than enough."""
    kind = str(rng.choice(["lawn", "thin", "dead", "bare", "casts", "litter", "moss"],
                          p=[0.26, 0.2, 0.2, 0.08, 0.14, 0.06, 0.06]))  # fmt: skip
    green = {"lawn": rng.uniform(0.8, 5), "thin": rng.uniform(0, 1.0), "dead": rng.uniform(0, 0.5),
             "bare": rng.uniform(0, 0.08), "casts": rng.uniform(0, 4), "litter": rng.uniform(0, 3),
             "moss": rng.uniform(0, 1.5)}[kind]  # fmt: skip
    straw = {"lawn": 1.2 * rng.beta(0.7, 2), "thin": rng.uniform(0, 1.5),
             "dead": rng.uniform(0.5, 4), "bare": 0.5 * rng.beta(0.6, 2),
             "casts": rng.uniform(0, 2) * rng.integers(0, 2), "litter": rng.uniform(0, 1.5),
             "moss": rng.uniform(0, 0.8)}[kind]  # fmt: skip
    return {
        "green": float(green), "straw": float(straw),
        "casts": float(np.exp(rng.uniform(np.log(4), np.log(150)))
                       if kind == "casts" or rng.random() < 0.12 else 0.0),
        "litter": float(rng.uniform(0.05, 1.6) if kind == "litter" else
                        0.25 * rng.random() if rng.random() < 0.12 else 0.0),
        "moss": float(rng.uniform(0.2, 1.8) if kind == "moss" else
                      0.4 * rng.random() if rng.random() < 0.1 else 0.0),
        "weeds": float(rng.uniform(0.05, 0.8) if rng.random() < 0.15 else 0.0),
        "stones": float(rng.uniform(0, 0.12) if rng.random() < 0.3 else 0.0),
    }  # fmt: skip


def _cover(canvas: _Canvas, plan: dict[str, float], soil: NDArray[np.float64],
           casts: list[tuple[float, float, float]]) -> None:  # fmt: skip
    """Lay stones, moss, straw and leaf in turn, casts among them, litter on top or half below."""
    rng = canvas.rng
    look = {GREEN: _Blades.of_leaf(rng), STRAW: _Blades.of_straw(rng)}
    others = [look[STRAW], _Blades.of_straw(rng)]
    if plan["stones"]:
        _discs(
            canvas,
            plan["stones"],
            SOIL,
            (4, 30),
            lambda n: _lab(rng, n, (25, 80), (0, 8), (40, 110)),
        )
    if plan["moss"]:
        hue = rng.uniform(92, 125)
        _discs(canvas, plan["moss"], GREEN, (1.2, 5),
               lambda n: _lab(rng, n, (22, 62), (12, 45), (hue - 7, hue + 7)))  # fmt: skip
    n_layers = int(rng.integers(3, 8))
    casts_after = int(rng.integers(0, n_layers + 1))
    order = rng.dirichlet(np.ones(n_layers))
    rising = np.sort(rng.random(n_layers))
    for k in range(n_layers):
        if k == casts_after and plan["casts"]:
            _casts(canvas, plan["casts"], soil, casts)
        early = rng.beta(1.2, 1.2) if rng.random() < 0.3 else float(rising[k])
        straw = plan["straw"] * order[k] * 2 * (1 - early)
        green = plan["green"] * order[k] * 2 * early
        low, high = 0.4 + 2.0 * rising[k], 0.8 + 4.0 * rising[k]
        if straw > 0.005:
            _strokes(canvas, straw, others[k % 2], STRAW, rng.uniform(low, high) * 0.6)
        if green > 0.005:
            _strokes(canvas, green, look[GREEN], GREEN, rng.uniform(low, high))
    if casts_after == n_layers and plan["casts"]:
        _casts(canvas, plan["casts"], soil, casts)
        if plan["green"] > 0.3 and rng.random() < 0.7:
            _strokes(canvas, 0.12 * rng.random(), look[GREEN], GREEN, 3.0)
    if plan["weeds"]:
        hue = rng.uniform(105, 150)
        _discs(canvas, plan["weeds"], GREEN, (3, 26),
               lambda n: _lab(rng, n, (25, 62), (12, 42), (hue - 8, hue + 8)))  # fmt: skip
    if plan["litter"]:
        _leaves(canvas, plan["litter"])
        if rng.random() < 0.5 and plan["green"] > 0.2:
            _strokes(canvas, 0.5 * rng.random(), look[GREEN], GREEN, 3.0)


def _lab(rng: np.random.Generator, n: int, light: tuple[float, float],
         chroma: tuple[float, float], hue: tuple[float, float]) -> NDArray[np.float64]:  # fmt: skip
    """Return n colours, linear sRGB, about a middle drawn within the ranges."""

    def some(low_high: tuple[float, float], part: float) -> NDArray[np.float64]:
        middle = rng.uniform(*low_high)
        spread = part * (low_high[1] - low_high[0]) * rng.random()
        return np.clip(rng.normal(middle, spread, n), *low_high)

    level, c, h = some(light, 0.3), some(chroma, 0.25), np.radians(some(hue, 0.35))
    return np.clip(
        lab_to_linear(np.column_stack([level, c * np.cos(h), c * np.sin(h)])), 0.002, 1.2
    )


def _noise(rng: np.random.Generator, side: int, scale_px: float) -> Floats:
    """Return smooth noise (side, side), mean 0, spread 1, of features about scale_px wide."""
    small = max(4, round(side / max(scale_px, 1.0)) + 3)
    grid = rng.normal(0, 1, (small, small)).astype(np.float32)
    return np.asarray(cv2.resize(grid, (side, side), interpolation=cv2.INTER_CUBIC), np.float32)


def _soil(canvas: _Canvas) -> NDArray[np.float64]:
    """Lay soil: a colour, blotches, relief of noise or of crumbs, cracks; return its colour."""
    rng, side = canvas.rng, canvas.side
    colour = _lab(rng, 1, (7, 80), (2, 30), (40, 98))[0]
    relief = np.zeros((side, side), np.float32)
    rough = rng.uniform(0.2, 1.4)
    for scale in (2.0, 4.0, 9.0, 22.0, 60.0):
        relief += rng.uniform(0, 1) ** 2 * scale**rough / 4 * _noise(rng, side, scale)
    if rng.random() < 0.6:
        for spacing in rng.choice([5.0, 9.0, 16.0, 30.0], int(rng.integers(1, 3)), replace=False):
            relief += _crumbs(rng, side, spacing) * spacing * rng.uniform(0.2, 0.7)
    if rng.random() < 0.12:
        cells = _crumbs(rng, side, rng.uniform(50, 140))
        relief -= 8.0 * np.clip(0.12 - cells, 0, 1) / 0.12
    relief *= rng.uniform(0.15, 1.0) / max(
        float(np.abs(cv2.Sobel(relief, cv2.CV_32F, 1, 0)).mean()), 1e-3
    )
    light = _relief_light(canvas, relief)
    tone = np.exp(0.25 * rng.random() * _noise(rng, side, rng.uniform(20, 200))
                  + 0.22 * rng.random() * _noise(rng, side, rng.uniform(2, 8))
                  + 0.18 * rng.random() * rng.normal(0, 1, (side, side)))  # fmt: skip
    canvas.colour = (colour * (light * tone)[..., None]).astype(np.float32)
    return colour


def _crumbs(rng: np.random.Generator, side: int, spacing: float) -> Floats:
    """Return domes (0 to 1) around random points, ``spacing`` pixels apart."""
    seeds = np.full((side, side), 255, np.uint8)
    n = max(4, int((side / spacing) ** 2))
    seeds[rng.integers(0, side, n), rng.integers(0, side, n)] = 0
    away = cv2.distanceTransform(seeds, cv2.DIST_L2, 5)
    return np.asarray(np.sqrt(np.clip(1 - (away / (0.75 * spacing)) ** 2, 0, 1)), np.float32)


def _relief_light(canvas: _Canvas, relief: Floats) -> Floats:
    """Return the light on a relief: slope towards the sun, and less of it in hollows."""
    gx, gy = (
        cv2.Sobel(relief, cv2.CV_32F, *order, ksize=3, scale=0.25) for order in ((1, 0), (0, 1))
    )
    u, v = canvas.towards / max(float(np.hypot(*canvas.towards)), 1e-6)
    slope = np.tanh(gx * u + gy * v)
    hollow = relief - cv2.GaussianBlur(relief, (0, 0), 4.0)
    hollow /= max(float(hollow.std()), 1e-3)
    out = 1.0 + (0.15 + 0.6 * canvas.sun) * slope + 0.5 * canvas.gloom * np.tanh(hollow)
    return np.asarray(np.clip(out, 0.08, 2.5), np.float32)


@dataclass(frozen=True)
class _Blades:
    """How strokes of one make look."""

    length_mm: float
    width_mm: float
    spread: float
    taper: float
    bend: float
    heading: float
    order: float
    colours: NDArray[np.float64]
    edge: float
    gloss: float

    @classmethod
    def of_leaf(cls, rng: np.random.Generator) -> _Blades:
        hue = rng.uniform(96, 148)
        main = _lab(rng, 48, (18, 72), (9, 55), (max(94, hue - 12), hue + 12))
        if rng.random() < 0.4:
            main[:6] = _lab(rng, 6, (45, 82), (18, 50), (94, 106))
        return cls(float(np.exp(rng.uniform(np.log(7), np.log(110)))),
                   float(np.exp(rng.uniform(np.log(0.7), np.log(5.5)))),
                   float(rng.uniform(0.1, 0.5)),
                   float(rng.uniform(0.0, 0.7)), float(rng.uniform(0, 0.5)),
                   float(rng.uniform(0, 2 * np.pi)), float(rng.choice([0, 0, rng.uniform(0, 4)])),
                   main, float(rng.uniform(-0.4, 0.4)), float(rng.beta(0.6, 2.5)))  # fmt: skip

    @classmethod
    def of_straw(cls, rng: np.random.Generator) -> _Blades:
        main = _lab(rng, 48, (20, 92), (2, 42), (48, 96))
        felt = rng.random() < 0.3
        length = rng.uniform(3, 14) if felt else np.exp(rng.uniform(np.log(6), np.log(220)))
        width = rng.uniform(0.5, 1.4) if felt else np.exp(rng.uniform(np.log(0.7), np.log(7)))
        return cls(float(length), float(width), float(rng.uniform(0.2, 0.7)),
                   float(rng.uniform(0.3, 1.0)), float(rng.uniform(0, 0.35)),
                   float(rng.uniform(0, 2 * np.pi)), float(rng.choice([0, 0, rng.uniform(0, 3)])),
                   main, float(rng.uniform(-0.4, 0.5)), float(0.5 * rng.beta(0.6, 3)))  # fmt: skip


_MOST_STROKES = 9000


def _strokes(canvas: _Canvas, cover: float, look: _Blades, label: int, lift_mm: float) -> None:
    """Draw strokes until their areas add up to ``cover`` of the ground, and lay them."""
    rng, side = canvas.rng, canvas.side
    each = max(look.length_mm * look.width_mm * (0.5 + 0.5 * look.taper), 0.6) / FINE_MM**2
    n = int(min(cover * side * side / each, _MOST_STROKES))
    if n < 1:
        return
    at = rng.uniform(-0.05 * side, 1.05 * side, (n, 2))
    if rng.random() < 0.5:  # gathered, as a sward wears
        field = _noise(rng, side, rng.uniform(40, 300)) + rng.normal(0, 0.7)
        inner = np.clip(at, 0, side - 1).astype(int)
        at = at[field[inner[:, 1], inner[:, 0]] > rng.normal(0, 0.8, n)]
        n = len(at)
    heading = (
        rng.vonmises(look.heading, look.order, n) if look.order else rng.uniform(0, 2 * np.pi, n)
    )
    length = look.length_mm * rng.lognormal(0, look.spread, n) / FINE_MM
    width = np.maximum(look.width_mm * rng.lognormal(0, 0.6 * look.spread, n) / FINE_MM, 0.9)
    bend = rng.normal(0, look.bend, n)
    colour = (
        look.colours[rng.integers(0, len(look.colours), n)] * rng.lognormal(0, 0.16, n)[:, None]
    )
    shine = rng.random(n) < look.gloss * (0.3 + 0.7 * canvas.sun)
    colour[shine] = colour[shine] + rng.uniform(0.04, 0.5, (int(shine.sum()), 1)) * (
        np.array([0.9, 1.0, 1.12]) if rng.random() < 0.5 else np.ones(3))  # fmt: skip
    facing = 1.0 + (0.2 + 0.6 * canvas.sun) * np.cos(2 * heading + rng.uniform(0, 6)) * rng.uniform(
        0, 0.8
    )
    colour *= np.clip(facing, 0.2, 2)[:, None]
    root_light = rng.uniform(0.4, 1.0)
    layer = np.zeros((side, side, 3), np.float32)
    drawn = np.full((side, side), 255, np.uint8)
    for polygons, tones in _stroke_pieces(at, heading, length, width, bend, look, root_light):
        paint = (colour * tones[:, None]).tolist()
        for polygon, one in zip(np.rint(16 * polygons).astype(np.int32), paint, strict=True):
            cv2.fillConvexPoly(layer, polygon, one, cv2.LINE_8, 4)
            cv2.fillConvexPoly(drawn, polygon, label, cv2.LINE_8, 4)
    canvas.lay(layer, drawn, lift_mm)


def _stroke_pieces(at, heading, length, width, bend, look, root_light):  # type: ignore[no-untyped-def]
    """Yield quadrilaterals (n, 4, 2) and their tones (n,): lower half, upper half, a lit side."""

    def point(t: float) -> NDArray[np.float64]:
        turn = heading + bend * t
        return at + (t * length)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])

    ends = [point(t) for t in (0.0, 0.5, 1.0)]
    wide = [width, width * (0.65 + 0.35 * look.taper), width * look.taper]
    across = np.column_stack([-np.sin(heading), np.cos(heading)])
    ones = np.ones(len(at))
    for k, tone in ((0, root_light), (1, 1.0)):
        a, b = (across * (w[:, None] / 2) for w in (wide[k], wide[k + 1]))
        yield (
            np.stack([ends[k] - a, ends[k] + a, ends[k + 1] + b, ends[k + 1] - b], axis=1),
            tone * ones,
        )
    if np.median(width) > 2.2:
        a, b = (across * (w[:, None] / 2) for w in (wide[0], wide[1]))
        side = np.stack([ends[0] + 0.2 * a, ends[0] + a, ends[1] + b, ends[1] + 0.2 * b], axis=1)
        yield side, (root_light + 1) / 2 * (1.0 + look.edge) * ones


def _discs(
    canvas: _Canvas, cover: float, label: int, size_mm: tuple[float, float], colours
) -> None:  # type: ignore[no-untyped-def]
    """Lay ellipses: stones, cushions of moss, round leaves."""
    rng, side = canvas.rng, canvas.side
    middle = np.exp(rng.uniform(*np.log(size_mm)))
    n = int(min(cover * side**2 * FINE_MM**2 / (0.6 * middle**2), 6000))
    if n < 1:
        return
    at = rng.uniform(0, side, (n, 2))
    if rng.random() < 0.6:
        field = _noise(rng, side, rng.uniform(60, 300))
        inner = np.clip(at, 0, side - 1).astype(int)
        at = at[field[inner[:, 1], inner[:, 0]] > rng.normal(0, 0.6, n)]
    palette = colours(32)
    layer = np.zeros((side, side, 3), np.float32)
    drawn = np.full((side, side), 255, np.uint8)
    for x, y in at:
        r = middle * rng.lognormal(0, 0.3) / 2 / FINE_MM
        axes = (max(1, round(r)), max(1, round(r * rng.uniform(0.45, 1.0))))
        turn, colour = float(rng.uniform(0, 180)), palette[rng.integers(32)] * rng.lognormal(0, 0.2)
        cv2.ellipse(layer, (round(x), round(y)), axes, turn, 0, 360, colour.tolist(), -1)
        cv2.ellipse(drawn, (round(x), round(y)), axes, turn, 0, 360, label, -1)
        if r > 3:
            off = canvas.towards / max(float(np.hypot(*canvas.towards)), 1e-6) * r * 0.3
            inner_axes = (max(1, axes[0] // 2), max(1, axes[1] // 2))
            cv2.ellipse(layer, (round(x - off[0]), round(y - off[1])), inner_axes, turn, 0, 360,
                        (colour * (1.1 + 0.5 * canvas.sun)).tolist(), -1)  # fmt: skip
    canvas.lay(layer, drawn, 0.5 + 0.15 * middle)


def _leaves(canvas: _Canvas, cover: float) -> None:
    """Lay fallen leaves: pointed or lobed outlines with a rib, in autumn colours."""
    rng, side = canvas.rng, canvas.side
    size = rng.uniform(14, 90) / FINE_MM
    n = int(min(cover * side**2 / (0.35 * size**2), 900)) + 1
    makes = [
        _lab(rng, 12, (18, 45), (4, 28), (45, 80)),
        _lab(rng, 12, (45, 82), (25, 75), (70, 95)),
        _lab(rng, 12, (25, 55), (20, 55), (25, 55)),
        _lab(rng, 12, (30, 75), (2, 14), (50, 100)),
    ]
    palette = np.concatenate([makes[k] for k in rng.integers(0, 4, 2)])
    layer = np.zeros((side, side, 3), np.float32)
    drawn = np.full((side, side), 255, np.uint8)
    lobes, wide = int(rng.integers(0, 6)), rng.uniform(0.25, 0.6)
    t = np.linspace(0, 2 * np.pi, 36)
    for x, y in rng.uniform(0, side, (n, 2)):
        r = size / 2 * rng.lognormal(0, 0.3)
        shape = 1.0 + (0.3 * np.cos(lobes * t) if lobes > 2 else 0.0)
        u, v = r * shape * np.cos(t), r * shape * wide * np.sin(t) * rng.uniform(0.7, 1.3)
        a = rng.uniform(0, 2 * np.pi)
        outline = np.column_stack(
            [x + u * np.cos(a) - v * np.sin(a), y + u * np.sin(a) + v * np.cos(a)]
        )
        colour = palette[rng.integers(len(palette))] * rng.lognormal(0, 0.15)
        cv2.fillPoly(layer, [np.rint(outline).astype(np.int32)], colour.tolist())
        cv2.fillPoly(drawn, [np.rint(outline).astype(np.int32)], LITTER)
        half = outline[: len(outline) // 2]
        cv2.fillPoly(
            layer, [np.rint(half).astype(np.int32)], (colour * rng.uniform(0.6, 1.0)).tolist()
        )
        rib = np.rint(outline[[0, 18]]).astype(np.int32)
        cv2.line(layer, rib[0].tolist(), rib[1].tolist(), (colour * 1.35).tolist(), 1)
    canvas.lay(layer, drawn, rng.uniform(0.6, 3.0))


def _casts(canvas: _Canvas, per_m2: float, soil: NDArray[np.float64],
           casts: list[tuple[float, float, float]]) -> None:  # fmt: skip
    """Heap up casts: coiled, crumbly, smooth or flat, of the soil below or another colour."""
    rng, side = canvas.rng, canvas.side
    n = rng.poisson(per_m2 * (side * FINE_MM / 1000) ** 2)
    middle = np.exp(rng.uniform(np.log(9), np.log(45)))
    make = str(rng.choice(["coil", "crumb", "dome", "flat"]))
    colour = soil * np.exp(rng.normal(0, 0.45)) * np.exp(rng.normal(0, 0.07, 3))
    if rng.random() < 0.35:
        colour = _lab(rng, 1, (14, 60), (3, 24), (45, 95))[0]
    for _ in range(n):
        diameter = float(np.clip(middle * rng.lognormal(0, 0.35), 8, 60))
        x, y = rng.uniform(0, side * FINE_MM, 2)
        if casts and rng.random() < 0.25:  # touching
            bx, by, bd = casts[int(rng.integers(len(casts)))]
            a = rng.uniform(0, 2 * np.pi)
            x, y = bx + np.cos(a) * (bd + diameter) / 2, by + np.sin(a) * (bd + diameter) / 2
            if not (0 < x < side * FINE_MM and 0 < y < side * FINE_MM):
                continue
        one = str(rng.choice(["coil", "crumb", "dome", "flat"])) if rng.random() < 0.3 else make
        got = _heap(canvas, (x, y), diameter, one, colour * rng.lognormal(0, 0.12))
        casts.append((float(x), float(y), got))


def _heap(canvas: _Canvas, at_mm: tuple[float, float], diameter: float, make: str,
          colour: NDArray[np.float64]) -> float:  # fmt: skip
    """Draw one cast; return the diameter of the circle of its area, mm."""
    rng = canvas.rng
    size = int(1.6 * diameter / FINE_MM) + 10
    yy, xx = np.mgrid[:size, :size].astype(np.float32) - size / 2
    away = np.hypot(xx, yy * rng.uniform(1.0, 1.4)) * FINE_MM / (diameter / 2)
    ragged = 0.16 * _noise(rng, size, max(3.0, 0.25 * diameter / FINE_MM))
    inside = away + ragged < 1.0
    dome = np.sqrt(np.clip(1.0 - away**2, 0, 1)) * diameter / 4 / FINE_MM
    if make == "coil":
        thick = rng.uniform(1.6, 4.0) / FINE_MM
        turn = np.arctan2(yy, xx)
        wave = np.abs(np.sin(np.pi * (away * diameter / 2 / FINE_MM / thick + turn / (2 * np.pi))
                             + 1.2 * _noise(rng, size, 3 * thick)))  # fmt: skip
        relief = 0.5 * dome + thick * wave
    elif make == "crumb":
        relief = 0.6 * dome + 4.0 * _crumbs(rng, size, rng.uniform(3, 7))
        inside &= _noise(rng, size, 3.0) < rng.uniform(0.8, 2.5)
    elif make == "dome":
        relief = dome + 0.3 * _noise(rng, size, 4.0)
    else:
        relief = 1.0 + 0.6 * _noise(rng, size, 5.0)
    relief = np.where(inside, relief, 0).astype(np.float32)
    light = _relief_light(canvas, relief)
    grain = np.exp(rng.uniform(0.02, 0.15) * rng.normal(0, 1, (size, size)))
    patch = (colour * (light * grain)[..., None]).astype(np.float32)
    if rng.random() < 0.25:  # wet: it shines
        patch += (np.clip(light - 1.25, 0, 1)[..., None] * 0.5).astype(np.float32)
    _paste(canvas, patch, inside, at_mm, lift_mm=0.2 if make == "flat" else 0.12 * diameter)
    return float(2 * np.sqrt(inside.sum() * FINE_MM**2 / np.pi))


def _paste(canvas: _Canvas, patch: Floats, inside: NDArray[np.bool_],
           at_mm: tuple[float, float], *, lift_mm: float) -> None:  # fmt: skip
    size, side = len(patch), canvas.side
    left, top = (round(v / FINE_MM) - size // 2 for v in at_mm)
    x0, y0, x1, y1 = max(left, 0), max(top, 0), min(left + size, side), min(top + size, side)
    if x1 <= x0 or y1 <= y0:
        return
    inner = (slice(y0 - top, y1 - top), slice(x0 - left, x1 - left))
    if canvas.sun > 0:
        reach = np.rint(lift_mm / FINE_MM * canvas.towards).astype(int)
        a, b = (slice(max(lo + r, 0), max(min(hi + r, side), 0)) for (lo, hi), r in
                zip(((y0, y1), (x0, x1)), reach[::-1], strict=True))  # fmt: skip
        part = canvas.colour[a, b]
        dark = cv2.GaussianBlur(inside[inner].astype(np.float32), (0, 0), 1.0)[
            : part.shape[0], : part.shape[1]
        ]
        part[: dark.shape[0], : dark.shape[1]] *= (1 - 0.7 * canvas.sun * dark)[..., None]
    here = inside[inner]
    canvas.colour[y0:y1, x0:x1][here] = patch[inner][here]
    canvas.label[y0:y1, x0:x1][here] = CAST


def _cast_shade(canvas: _Canvas) -> Floats:
    """Return how much of the sun is taken away, 0 to 1: an edge, dapple, or nothing."""
    rng, side = canvas.rng, canvas.side
    if rng.random() > 0.22:
        return np.zeros((side, side), np.float32)
    if rng.random() < 0.5:
        yy, xx = np.mgrid[:side, :side].astype(np.float32)
        a = rng.uniform(0, 2 * np.pi)
        x, y = rng.uniform(0.15, 0.85, 2) * side
        away = (xx - x) * np.cos(a) + (yy - y) * np.sin(a)
        away += rng.uniform(0, 12) * _noise(rng, side, rng.uniform(20, 120))
    else:
        away = 40 * (_noise(rng, side, rng.uniform(25, 160)) + rng.normal(0, 0.6))
    out = 1.0 / (1.0 + np.exp(np.clip(-away / rng.uniform(1.5, 30), -30, 30)))
    return np.asarray(out, np.float32)


def _whole_light(canvas: _Canvas, shade: Floats) -> Floats:
    """Return the linear picture in its light; shade is darker and bluer than the card's light."""
    rng = canvas.rng
    deep = rng.uniform(0.12, 0.65)
    blue = np.exp(rng.uniform(0, 0.35) * np.array([-0.6, 0.0, 0.7]))
    light = 1.0 - shade[..., None] * (1.0 - deep * blue)
    mean = float(canvas.colour.mean())
    gain = np.exp(rng.normal(0, 0.12))
    if mean * gain > 0.5:
        gain = 0.5 / mean
    return np.asarray(canvas.colour * light * gain, np.float32)
