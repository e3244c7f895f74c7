"""Which colour correction measures best? Each patch is left out of its own fit.

    python -m benchmarks.studies.colour_fit            real charts and rendered cards, every method
    python -m benchmarks.studies.colour_fit --quick    a few of each

Real photographs with a 24-patch chart are read from the folder that LAWNSCORE_DATA names; rendered
cards (ink, light and camera as spectra; the camera family that no method was chosen on) need
nothing. Figures are CIEDE2000: median over the patches, and for rendered cards the mean over leaf,
straw and soil spectra that the fit never saw.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000

from lawnscore.card.chart24 import chart24_linear
from lawnscore.card.colourspace import decode_srgb, encode_srgb, linear_to_lab
from lawnscore.card.design import card_design
from lawnscore.photo.colour import patch_places
from lawnscore.photo.colour_model import ModelChoice, fit_model, leave_one_out

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from colour.characterisation import apply_matrix_colour_correction, matrix_colour_correction

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Card:
    """Patches as a camera saw them and as they are; unseen colours beside them, maybe none."""

    name: str
    camera: Array
    reference: Array
    places: Array
    unseen: Array
    unseen_reference: Array


Method = Callable[[Card, NDArray[np.int_], Array, Array], Array]
"""(card, rows to fit on, camera values, places) -> linear sRGB."""

# Centres of the corner patches: dark skin, bluish green, white, black (px), and the half side of
# the window. Two photos: as their index gives them; the other two: read off the photos by eye.
_CHARTS = {
    "two_charts/Image_1.JPG": (((260, 203), (851, 203), (261, 552), (851, 552)), 25),
    "two_charts/Sample_1.JPG": (
        ((845.7, 479.3), (1039.7, 483.2), (843.2, 595.1), (1037.2, 598.0)),
        9,
    ),
    "rig_chart/baseline.jpg": (((162, 167), (162.3, 77), (213, 167), (213, 77.7)), 4),
    "lying_chart/below_fishbox.jpg": (((1345, 983), (1685, 982), (1347, 1189), (1686, 1188)), 16),
}  # fmt: skip


def real_cards(folder: Path) -> list[Card]:
    """Read the photographed charts, each with the edition of the values that suits it better."""
    cards = []
    for file, (corners, half) in _CHARTS.items():
        image = cv2.imread(str(folder / "colour" / file))
        if image is None:
            print(f"# {folder / 'colour' / file} is not there", file=sys.stderr)
            continue
        tl, tr, bl, br = (np.array(c, dtype=np.float64) for c in corners)
        u, v = np.meshgrid(np.linspace(0, 1, 6), np.linspace(0, 1, 4))
        u, v = u.reshape(-1, 1), v.reshape(-1, 1)
        centres = (1 - v) * ((1 - u) * tl + u * tr) + v * ((1 - u) * bl + u * br)
        camera = np.array(
            [
                image[round(y) - half : round(y) + half + 1, round(x) - half : round(x) + half + 1]
                .reshape(-1, 3)
                .mean(axis=0)[::-1]
                for x, y in centres
            ]
        )
        places = (centres - centres.mean(axis=0)) / np.abs(centres - centres.mean(axis=0)).max()
        name = Path(file).stem
        empty = np.zeros((0, 3))
        cards.append(Card(name, camera / 255, chart24_linear("chart24"), places, empty, empty))
    return cards


def rendered_card(seed: int, family: str) -> Card:
    """Photograph the printed card's patches and natural surfaces, as numbers alone."""
    from lawnscore.demo import spectra
    from lawnscore.demo.camera import CAMERAS, Light
    from lawnscore.demo.develop import tone_table
    from lawnscore.demo.ink import Ink, printed_spectra

    rng = np.random.default_rng([seed, len(family)])
    camera = rng.choice([c for c in CAMERAS.values() if c.family == family])
    camera = replace(
        camera,
        white_balance=tuple(np.exp(rng.normal(0, 0.1, 3)).tolist()),
        saturation=float(rng.uniform(1.0, 1.3)),
        tone=float(rng.uniform(0.0, 1.0)),
    )
    light = Light(
        sun_share=float(rng.choice([0.0, 0.5, 0.85])),
        sun_cct_k=float(rng.uniform(3000, 6000)),
        sky_cct_k=float(rng.uniform(5500, 12000)),
    )
    design = card_design("turf-a5")
    inks = printed_spectra([p.srgb for p in design.patches], Ink())
    natural = np.array(
        [spectra.leaf(c, browning=b) for c in (0.5, 1.0, 2.0, 4.0) for b in (0.0, 0.1)]
        + [spectra.straw(p, weathering=w) for p in (0.5, 1.5) for w in (0.0, 0.5)]
        + [spectra.soil(h, goethite=g, haematite=r)
           for h, g, r in ((1.5, 0.6, 0.2), (0.3, 1.0, 0.9), (0.1, 0.3, 0.05))]
    )  # fmt: skip
    see = light.total_spectrum()[:, None] * camera.to_linear(light)
    places = patch_places(design)
    gain, slope = rng.uniform(0.5, 1.0), rng.normal(0, 0.03, 2)
    flare = rng.choice([0.0, 0.004])
    linear = inks @ see * gain * np.exp(places @ slope)[:, None] + flare
    linear += rng.normal(0, 0.003, linear.shape)
    table = tone_table(camera).astype(np.float64) / 255
    at = np.linspace(0, 1.25, len(table))

    def shoot(values: Array) -> Array:
        # The table is indexed by the square root of linear light.
        return np.interp(np.sqrt(np.clip(values, 0, 1)), at, table)

    seen = shoot(linear)
    kept = (seen.max(axis=1) < 0.985) & (seen.min(axis=1) > 0.01)
    return Card(
        f"rendered {seed}",
        seen[kept],
        spectra.to_linear_srgb(inks)[kept],
        places[kept],
        shoot(natural @ see * gain + flare),
        spectra.to_linear_srgb(natural),
    )


def ours(choice: ModelChoice) -> Method:
    """Return our fit with some choice of terms."""

    def run(card: Card, rows: NDArray[np.int_], values: Array, places: Array) -> Array:
        model = fit_model(card.camera[rows], card.reference[rows], card.places[rows], choice=choice)
        return model.apply(values, places)

    return run


def colour_science(method: str, **options: object) -> Method:
    """Return a correction of colour-science on sRGB-decoded values."""

    def run(card: Card, rows: NDArray[np.int_], values: Array, places: Array) -> Array:
        seen = decode_srgb(card.camera[rows])
        matrix = matrix_colour_correction(seen, card.reference[rows], method, **options)
        return apply_matrix_colour_correction(decode_srgb(values), matrix, method, **options)

    return run


def opencv_ccm(linearization: str, kind: str) -> Method:
    """Return OpenCV's colour correction model."""

    def run(card: Card, rows: NDArray[np.int_], values: Array, places: Array) -> Array:
        ccm = cv2.ccm
        reference = encode_srgb(np.clip(card.reference[rows], 0, 1)).reshape(-1, 1, 3)
        model = ccm.ColorCorrectionModel(
            card.camera[rows].reshape(-1, 1, 3), reference, ccm.COLOR_SPACE_SRGB
        )
        model.setLinearization(getattr(ccm, f"LINEARIZATION_{linearization}"))
        model.setCcmType(getattr(ccm, f"CCM_{kind}"))
        model.setDistance(ccm.DISTANCE_CIE2000)
        model.compute()
        # Images go in and out as BGR, encoded.
        bgr = np.ascontiguousarray(values[:, ::-1], dtype=np.float32).reshape(-1, 1, 3)
        out = np.asarray(model.correctImage(bgr), dtype=np.float64).reshape(-1, 3)
        return decode_srgb(out[:, ::-1])

    return run


METHODS: dict[str, Method] = {
    "sRGB curve, 3 x 3": ours(ModelChoice(1, 0, False)),
    "sRGB curve, root-polynomial 2": ours(ModelChoice(2, 0, False)),
    "fitted curve, 3 x 3": ours(ModelChoice(1, 3, False)),
    "fitted curve, root-polynomial 2": ours(ModelChoice(2, 3, False)),
    "the same, slanting light (kept)": ours(ModelChoice()),
    "fitted curve, root-polynomial 3, slant": ours(ModelChoice(degree=3)),
    **{
        f"colour-science Cheung 2004, {n} terms": colour_science("Cheung 2004", terms=n)
        for n in (3, 4, 5, 7, 8, 10, 11, 14)
    },
    **{
        f"colour-science Finlayson 2015, {d}{' root' if r else ''}": colour_science(
            "Finlayson 2015", degree=d, root_polynomial_expansion=r
        )
        for d in (2, 3)
        for r in (True, False)
    },
    **{
        f"colour-science Vandermonde, {d}": colour_science("Vandermonde", degree=d)
        for d in (1, 2, 3)
    },
}
if hasattr(cv2, "ccm"):
    METHODS |= {
        f"OpenCV ccm, {lin.lower()}, {kind.lower()}": opencv_ccm(lin, kind)
        for lin in ("IDENTITY", "GAMMA", "COLORPOLYFIT", "COLORLOGPOLYFIT")
        for kind in ("LINEAR", "AFFINE")
    }
OURS = "the same, slanting light (kept)"


def left_out(method: Method, card: Card) -> float:
    """Return the median CIEDE2000 of the patches, each predicted by a fit without it."""
    n = len(card.camera)
    found = np.full((n, 3), np.nan)
    for i in range(n):
        rows = np.delete(np.arange(n), i)
        try:
            found[i] = method(card, rows, card.camera[[i]], card.places[[i]])[0]
        except cv2.error:
            return float("nan")
    off = deltaE_ciede2000(linear_to_lab(found), linear_to_lab(card.reference))
    return float(np.median(off))


def on_unseen(method: Method, card: Card) -> float:
    """Return the mean CIEDE2000 of surfaces that the fit never saw."""
    rows = np.arange(len(card.camera))
    try:
        found = method(card, rows, card.unseen, np.zeros((len(card.unseen), 2)))
    except cv2.error:
        return float("nan")
    off = deltaE_ciede2000(linear_to_lab(found), linear_to_lab(card.unseen_reference))
    return float(np.mean(off))


def leverage_gap(card: Card) -> float:
    """Return how far the leave-one-out by leverage is from fitting anew, median CIEDE2000."""
    n = len(card.camera)
    model = fit_model(card.camera, card.reference, card.places)
    quick = leave_one_out(model, card.camera, card.reference, card.places, np.ones(n))
    anew = np.array(
        [
            METHODS[OURS](card, np.delete(np.arange(n), i), card.camera[[i]], card.places[[i]])[0]
            for i in range(n)
        ]
    )
    return float(np.median(deltaE_ciede2000(linear_to_lab(quick), linear_to_lab(anew))))


def _table(real: list[Card], rendered: list[Card], quick: bool) -> list[list[str]]:
    rows = []
    for name, method in METHODS.items():
        if quick and "OpenCV" in name and "gamma" not in name:
            continue
        charts = [f"{left_out(method, card):.2f}" for card in real]
        slow = "OpenCV" in name
        some = rendered[: 2 if slow else len(rendered)]
        patches = np.mean([left_out(method, card) for card in some])
        unseen = np.mean([on_unseen(method, card) for card in rendered])
        rows.append([name, *charts, f"{patches:.2f}{'*' if slow else ''}", f"{unseen:.2f}"])
    return rows


def _speed(card: Card) -> float:
    """Return milliseconds of one fit with its leave-one-out, best of 20."""
    best = float("inf")
    for _ in range(20):
        start = time.thread_time()
        model = fit_model(card.camera, card.reference, card.places)
        leave_one_out(model, card.camera, card.reference, card.places, np.ones(len(card.camera)))
        best = min(best, time.thread_time() - start)
    return 1000 * best


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="few cases: a check that it runs")
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    data = os.environ.get("LAWNSCORE_DATA", "")
    real = real_cards(Path(data)) if data else []
    rendered = [rendered_card(seed, "report") for seed in range(2 if options.quick else 12)]
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, OpenCV {cv2.__version__}")
    head = ["method", *(card.name for card in real), "rendered cards", "unseen surfaces"]
    rows = _table(real[:1] if options.quick else real, rendered, options.quick)
    if options.quick:
        head = ["method", *(card.name for card in real[:1]), "rendered cards", "unseen surfaces"]
    widths = [max(len(r[c]) for r in [head, *rows]) for c in range(len(head))]
    for row in [head, *rows]:
        print("  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)))
    print("* on the first two rendered cards")
    print(f"Leave-one-out by leverage against fitting anew: {leverage_gap(rendered[0]):.3f}")
    print(f"One fit with its leave-one-out: {_speed(rendered[0]):.1f} ms")


if __name__ == "__main__":
    main()
