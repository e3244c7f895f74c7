"""Real photographs: vegetation masks drawn by hand, and classic 24-patch charts.

Read from the folder that LAWNSCORE_DATA names; nothing of them is kept in the project.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.accuracy.tables import Table, mark

Mask = NDArray[np.bool_]
Rgb = NDArray[np.uint8]


def excess_green_otsu(rgb: Rgb) -> Mask:
    """Excess green (Woebbecke 1995) of chromatic coordinates above Otsu's threshold."""
    from skimage.filters import threshold_otsu

    index = _excess_green(rgb)
    return index > threshold_otsu(index)


def excess_green_minus_red(rgb: Rgb) -> Mask:
    """ExG - ExR above 0 (Meyer & Neto 2008; ExR = 1.4 r - g)."""
    r, g, b = _chromatic(rgb)
    return (2 * g - r - b) - (1.4 * r - g) > 0


def excess_green_fixed(rgb: Rgb) -> Mask:
    """Excess green of chromatic coordinates above 0.10."""
    return _excess_green(rgb) > 0.10


def _chromatic(rgb: Rgb) -> tuple[NDArray, NDArray, NDArray]:
    value = rgb.astype(np.float64)
    total = np.maximum(value.sum(axis=-1), 1.0)
    return tuple(value[..., k] / total for k in range(3))


def _excess_green(rgb: Rgb) -> NDArray:
    r, g, b = _chromatic(rgb)
    return 2 * g - r - b


def segmentation(found: Mask, true: Mask) -> dict[str, float]:
    """Precision, recall, F1, intersection over union, accuracy and kappa of one mask."""
    tp = float((found & true).sum())
    fp = float((found & ~true).sum())
    fn = float((~found & true).sum())
    tn = float((~found & ~true).sum())
    return from_counts(tp, fp, fn, tn)


def from_counts(tp: float, fp: float, fn: float, tn: float) -> dict[str, float]:
    """The same from counts of pixels; NaN where nothing is there to divide by.

    Examples
    --------
    >>> round(from_counts(80, 10, 20, 890)["iou"], 6)
    0.727273
    """

    def ratio(a: float, b: float) -> float:
        return a / b if b else float("nan")

    n = tp + fp + fn + tn
    agree = ratio(tp + tn, n)
    chance = ratio((tp + fp) * (tp + fn) + (fn + tn) * (fp + tn), n * n)
    return {
        "precision": ratio(tp, tp + fp),
        "recall": ratio(tp, tp + fn),
        "f1": ratio(2 * tp, 2 * tp + fp + fn),
        "iou": ratio(tp, tp + fp + fn),
        "accuracy": agree,
        "kappa": ratio(agree - chance, 1 - chance),
    }


def cover_table(data: Path) -> Table:
    """Cover error and IoU by pixel on photographs with masks drawn by hand."""
    from lawnscore.photo.green import green_mask

    methods: dict[str, Callable[[Rgb], Mask]] = {
        "lawnscore, no card, no scale": green_mask,
        "ExG + Otsu": excess_green_otsu,
        "ExGR > 0": excess_green_minus_red,
        "ExG > 0.10": excess_green_fixed,
    }
    pairs = _masked_photos(data / "cover" / "ews")
    rows = []
    figures = {}
    for name, method in methods.items():
        found = [(method(rgb), true) for rgb, true in pairs]
        error = np.array([100 * (f.mean() - t.mean()) for f, t in found])
        iou = np.array([segmentation(f, t)["iou"] for f, t in found])
        figures[name] = (np.abs(error).mean(), iou.mean())
        rows.append(
            (name, str(len(pairs)), f"{np.abs(error).mean():.2f}", f"{error.mean():.2f}",
             f"{np.sqrt((error**2).mean()):.2f}", f"{np.nanmean(iou):.3f}")
        )  # fmt: skip
    ours = figures.get("lawnscore, no card, no scale")
    notes = ["Photographs of winter wheat on soil, Zenkl et al. 2022, Front. Plant Sci. 12:774068."]
    if ours:
        better = all(
            ours[0] < figures[other][0] and ours[1] > figures[other][1]
            for other in ("ExG + Otsu", "ExGR > 0")
        )
        notes.append(f"Target: better than ExG + Otsu and ExGR > 0 in both: {mark(better)}.")
    headers = ("method", "photographs", "mean |cover error|, points", "bias", "RMSE", "mean IoU")
    title = "Real vegetation photographs with masks drawn by hand"
    return Table(title, headers, tuple(rows), tuple(notes))


def _masked_photos(folder: Path) -> list[tuple[Rgb, Mask]]:
    pairs = []
    for path in sorted((folder / "img").iterdir()):
        masks = list((folder / "mask").glob(f"{path.stem}.*"))
        image = cv2.imread(str(path))
        if image is None or not masks:
            continue
        mask = cv2.imread(str(masks[0]), cv2.IMREAD_GRAYSCALE)
        pairs.append((np.ascontiguousarray(image[..., ::-1]), mask > 127))
    return pairs


def charts_table(data: Path) -> Table:
    """Leave-one-patch-out CIEDE2000 on real charts against the libraries' own methods."""
    from benchmarks.studies.colour_fit import METHODS, OURS, left_out, real_cards

    warnings.simplefilter("ignore")
    cards = real_cards(data)
    rows = []
    medians = {}
    for name, method in METHODS.items():
        library = name.startswith(("colour-science", "OpenCV"))
        if name != OURS and not library:
            continue
        found = [left_out(method, card) for card in cards]
        medians[name] = found
        label = "lawnscore" if name == OURS else name
        rows.append((label, *(f"{value:.2f}" for value in found), f"{np.nanmean(found):.2f}"))
    best = np.nanmin([found for name, found in medians.items() if name != OURS], axis=0)
    rows.append(
        ("best library method of each chart", *(f"{b:.2f}" for b in best), f"{best.mean():.2f}")
    )
    means = {name: np.mean(found) for name, found in medians.items() if np.isfinite(found).all()}
    first = means[OURS] <= min(value for name, value in means.items() if name != OURS)
    no_worse = [bool(o <= b) for o, b in zip(medians[OURS], best, strict=True)]
    headers = ("method", *(card.name for card in cards), "mean")
    return Table(
        "Real photographs with a 24-patch chart: left-out median CIEDE2000",
        headers,
        tuple(rows),
        (
            f"No worse than the best of the libraries' methods, chosen chart by chart: on "
            f"{sum(no_worse)} of {len(no_worse)} charts; in the mean over charts "
            f"than the best single method: {mark(bool(first))}.",
        ),
    )
