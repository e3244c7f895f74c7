"""The same measures, written plainly with scikit-image at full size: what the speed is set against.

    python -m benchmarks.speed.plain            a 12-megapixel photo, three pairs
    python -m benchmarks.speed.plain --quick    3 megapixels, one pair

Plainly: every pixel of the photo is decoded, corrected by the polynomial of its card and laid flat
by `skimage.transform.warp`; every ground pixel passes the network's perceptron, every cell its
convolutions, written out in NumPy; patches are found by `skimage.measure`, casts by
`skimage.feature`. Nothing is tabulated, nothing read at half size, nothing done in eight bits. The
card is found, and its colours are fitted, as the program does: scikit-image has no markers.

The weights and the order of the stages are the program's, and so must be the result: this is also
an independent reckoning of what its short cuts cost. The row that is compared: green, straw, soil,
bare patches, casts.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")

import numpy as np
import skimage
from numpy.typing import NDArray
from skimage import draw, feature, filters, io, measure, morphology, transform

from benchmarks.speed.score import one_core, render_apart
from lawnscore import score_photo
from lawnscore.card.colourspace import LUMINANCE
from lawnscore.photo import patches as patch_stage
from lawnscore.photo.casts import DIAMETER_MM, MIN_PEAK, SMOOTHING_MM, chances
from lawnscore.photo.class_net import (
    CELL_PX,
    GROUND_MM_PER_PX,
    STRIDE_PX,
    load_net,
)
from lawnscore.photo.score import PhotoScore, PhotoViews

Array = NDArray[np.float64]
COMPARED = (
    "green_cover_pct",
    "straw_cover_pct",
    "bare_soil_pct",
    "bare_patch_pct",
    "casts_per_m2",
)
TARGET = 40.0
WITHIN_POINTS = 1.0


def relu(x: Array) -> Array:
    """Return what is above 0."""
    return np.maximum(x, 0.0)


def convolved(x: Array, layer: tuple[Array, Array], stride: int = 1) -> Array:
    """Return a convolution (channels, rows, columns) of as many pixels, or of every second."""
    weight, bias = layer
    size = weight.shape[2]
    if size == 3:
        x = np.pad(x, ((0, 0), (1, 1), (1, 1)))
    rows, columns = ((side - size) // stride + 1 for side in x.shape[1:])
    out = np.zeros((len(weight), rows, columns))
    for i in range(size):
        for j in range(size):
            seen = x[:, i : i + stride * rows : stride, j : j + stride * columns : stride]
            out += np.tensordot(weight[:, :, i, j], seen, axes=1)
    return out + bias[:, None, None]


def doubled(x: Array) -> Array:
    """Return each pixel four times."""
    return x.repeat(2, axis=1).repeat(2, axis=2)


def layers() -> dict[str, tuple[Array, Array]]:
    """Return weight and bias of each convolution of the network that ships, by name."""
    net, found = load_net().rest, {}
    for name in net.getLayerNames():
        if name.endswith("/Conv"):
            parts = name.removeprefix("onnx_node!/rest/").removesuffix("/Conv").split("/")
            if len(parts) > 1 and parts[-1].startswith(f"{parts[-2]}."):
                parts.pop()
            weight, bias = (np.asarray(net.getParam(name, k), dtype=np.float64) for k in (0, 1))
            found[".".join(parts)] = (weight, bias.ravel())
    return found


def seen_by_the_network(linear: Array, keep: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return shares (5, Hc, Wc) and the cast score of ground (H, W, 3) in linear sRGB.

    The perceptron, the first layer and the U of `photo/class_net.py`, pixel by pixel.
    """
    w = {k: v.astype(float) for k, v in load_net().weights.items()}
    pixels = linear.reshape(-1, 3)
    held = np.clip(pixels, 0.0, 1.5)
    features = np.column_stack(
        [np.sqrt(held), 2.0 * held[:, :2] / (held.sum(axis=1, keepdims=True) + 0.01)]
    )

    def layer(name: str, x: Array) -> Array:
        return np.asarray(x @ w[f"{name}.weight"] + w[f"{name}.bias"])

    measured = keep.repeat(CELL_PX, axis=0).repeat(CELL_PX, axis=1).ravel()
    said = relu(layer("mood1", relu(layer("mood0", features[measured])))).mean(axis=0)
    mood = relu(layer("mood2", said))
    learned = layer("pixel2", relu(layer("pixel1", relu(layer("pixel0", features) + mood))))
    light = np.cbrt(np.clip(pixels @ LUMINANCE, 0.0, 1.0))
    channels = np.column_stack([light, 1.0 / (1.0 + np.exp(-learned))]) * 255.0
    rows, columns = keep.shape
    blocks = channels.reshape(rows, CELL_PX, columns, CELL_PX, -1).swapaxes(1, 2)
    cells = relu(blocks.reshape(rows, columns, -1) @ w["stem.weight"] + w["stem.bias"])
    cells = np.moveaxis(cells * keep[..., None], -1, 0)
    mean = cells.sum(axis=(1, 2)) / keep.sum()
    context = layer("context", np.concatenate([mean, mood]))[:, None, None]

    c = layers()
    x2 = relu(convolved(cells, c["d2"], 2))
    x2 = relu(convolved(x2, c["e2.0"]))
    x3 = relu(convolved(x2, c["d3"], 2) + context)
    x3 = relu(convolved(relu(convolved(x3, c["e3.0"])), c["e3.1"]))
    x4 = relu(convolved(x3, c["d4"], 2))
    x4 = relu(convolved(relu(convolved(x4, c["e4.0"])), c["e4.1"]))
    y3 = relu(convolved(relu(doubled(convolved(x4, c["u3"])) + x3), c["f3"]))
    y2 = relu(convolved(relu(doubled(convolved(y3, c["u2"])) + x2), c["f2"]))
    y1 = relu(doubled(convolved(y2, c["u1"])) + convolved(cells, c["skip"]))
    out = convolved(relu(convolved(y1, c["f1"])), c["head"])
    mound = relu(doubled(convolved(y2, c["casts.up"])) + convolved(cells, c["casts.skip"]))
    mound = relu(convolved(relu(convolved(mound, c["casts.c1"])), c["casts.c2"]))
    score = convolved(mound, c["casts.head"])[0]
    power = np.exp(out[:5] - out[:5].max(axis=0))
    return power / power.sum(axis=0), 1.0 / (1.0 + np.exp(-score))


def flat(photo: NDArray[np.uint8], views: PhotoViews) -> tuple[Array, NDArray[np.bool_]]:
    """Return the corrected ground (H, W, 3) in linear sRGB and what of its cells is measured."""
    linear = views.colour_fit.correct(photo).astype(np.float64)
    ground, pose = views.ground, views.card_fit.pose
    shrunk = GROUND_MM_PER_PX / views.card_fit.mm_per_px
    blur = max(0.0, (shrunk - 1.0) / 2.0)  # as `skimage.transform.resize` smooths by default
    linear = filters.gaussian(linear, blur, channel_axis=-1)
    step, (x, y) = GROUND_MM_PER_PX, ground.origin_mm
    place = np.array([[step, 0.0, x], [0.0, step, y], [0.0, 0.0, 1.0]])
    rows, columns = (side // STRIDE_PX * STRIDE_PX for side in ground.mask.shape)
    to_photo = transform.ProjectiveTransform(matrix=pose.homography @ place)
    out = transform.warp(linear, to_photo, output_shape=(rows, columns), order=1, mode="edge")
    inside = draw.polygon2mask(photo.shape[:2], ground.measured_polygon_px[:, ::-1])
    shown = transform.warp(
        inside.astype(float), to_photo, output_shape=(rows, columns), order=0, cval=0.0
    )
    mask = (shown > 0.5) & ~ground.mask[:rows, :columns]  # the card and its rim
    whole = measure.block_reduce(mask, (CELL_PX, CELL_PX), np.min)
    return out, whole.astype(bool)


def plain_measures(path: Path, views: PhotoViews) -> dict[str, float]:
    """Return the measures of a photo whose card and colours are known."""
    linear, keep = flat(io.imread(path), views)
    shares, score = seen_by_the_network(linear, keep)
    mean = 100.0 * shares[:, keep].mean(axis=1)
    cell_mm = CELL_PX * GROUND_MM_PER_PX
    area_m2 = keep.sum() * (cell_mm / 1000.0) ** 2
    disc = morphology.disk(round(patch_stage.STRAY_LEAF_WINDOW_MM / cell_mm / 2)).astype(float)
    around = filters.rank.mean((255 * shares[0]).astype(np.uint8), disc.astype(np.uint8), mask=keep)
    bare = measure.label((around < 255 * patch_stage.BARE_LEAF_SHARE) & keep)
    areas = [region.area for region in measure.regionprops(bare)]
    least = 25.0 / (cell_mm / 10.0) ** 2
    smooth = filters.gaussian(score * keep, SMOOTHING_MM / cell_mm)
    peaks = feature.peak_local_max(
        smooth, min_distance=round(DIAMETER_MM[0] / cell_mm), threshold_abs=MIN_PEAK
    )
    count = float(chances(smooth[tuple(peaks.T)]).sum()) if len(peaks) else 0.0
    return {
        "green_cover_pct": float(mean[0]),
        "straw_cover_pct": float(mean[1]),
        "bare_soil_pct": float(mean[2]),
        "bare_patch_pct": float(100.0 * sum(a for a in areas if a >= least) / keep.sum()),
        "casts_per_m2": count / area_m2,
    }


@dataclass(frozen=True)
class Compared:
    """Seconds of the program and of the plain version, and what each says."""

    fast_s: float
    plain_s: float
    fast: dict[str, float]
    plain: dict[str, float]

    @property
    def times(self) -> float:
        """How often the program goes into the plain version."""
        return self.plain_s / self.fast_s

    @property
    def apart(self) -> float:
        """Points by which the two differ most in a share of the ground."""
        return max(abs(self.fast[name] - self.plain[name]) for name in COMPARED[:3])


def compare(path: Path, pairs: int) -> Compared:
    """Score a photo both ways, in turn, on one core."""
    score: PhotoScore = score_photo(path, keep_views=True)
    if score.views is None:
        raise SystemExit(f"the photo was {score.row['status']}: nothing was measured")
    layers()
    fast, plain, said = [], [], {}
    for _ in range(pairs):
        began = time.process_time()
        score_photo(path)
        fast.append(time.process_time() - began)
        began = time.process_time()
        said = plain_measures(path, score.views)
        plain.append(time.process_time() - began)
    known = {name: float(score.row[name]) for name in COMPARED}  # type: ignore[arg-type]
    return Compared(float(np.median(fast)), float(np.median(plain)), known, said)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--photo", type=Path, help="in place of a rendered one")
    parser.add_argument("--quick", action="store_true", help="3 megapixels, one pair")
    options = parser.parse_args()
    print(f"Python {platform.python_version()}, scikit-image {skimage.__version__}")
    with one_core(), tempfile.TemporaryDirectory() as folder:
        path = options.photo or Path(folder) / "photo.jpg"
        if not options.photo:
            render_apart(path, size="quick" if options.quick else "usual")
        found = compare(path, 1 if options.quick else 3)
    print("| measure | the program | plainly |\n| --- | ---: | ---: |")
    for name in COMPARED:
        print(f"| {name} | {found.fast[name]:.2f} | {found.plain[name]:.2f} |")
    print(
        f"the program {found.fast_s:.2f} s, plainly {found.plain_s:.1f} s: {found.times:.0f} times"
        f" (target {TARGET:.0f}); shares differ by {found.apart:.2f} points at most"
        f" (target {WITHIN_POINTS:.0f})"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
