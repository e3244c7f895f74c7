"""How well a network finds casts in scenes that it was not trained on, and how sure a peak is.

    python -m benchmarks.training.cast_evidence --worlds DIR --net FILE.npz
        ... --world sketched          one generator: the other one, of a network trained without it

Every third group of eight scenes, which `train.py --hold` keeps back. Fitted is the evidence of a
peak, as `benchmarks/studies/fit_casts.py` does on whole photos; printed are counts, and how far
they and their stated errors hold by density and by how green the ground is.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.studies.fit_casts import fit
from benchmarks.training.seen import read_net, see
from benchmarks.training.worlds import MM_PER_PX, load

CELL_PX = 4
GENERATORS = ("rendered", "sketched")
NEAR_MM = 15.0
DENSITY = ((0.0, 0.0), (1e-9, 10.0), (10.0, 30.0), (30.0, 1e9))
GREEN = ((0.0, 0.3), (0.3, 0.6), (0.6, 1.01))


@dataclass(frozen=True, eq=False)
class Scene:
    """What was seen in one scene: peak heights and which are casts, true casts per m2, green."""

    height: np.ndarray
    is_cast: np.ndarray
    true_per_m2: float
    area_m2: float
    green: float
    density: float
    se: float


def scene_of(net, rgb: np.ndarray, label: np.ndarray, casts: np.ndarray) -> Scene:
    """Run a network over one scene and pair its peaks with the true casts."""
    from lawnscore.photo.casts import DIAMETER_MM, find_casts
    from lawnscore.photo.class_net import sigmoid
    from lawnscore.photo.classes import ClassMap
    from lawnscore.photo.ground import Ground
    from lawnscore.photo.measures import _cast_density

    picture = see(net, rgb)
    side, out, shares = len(picture.rgb), picture.out, picture.shares.astype(np.float32)
    nothing = np.full(3, np.nan)
    seen = ClassMap(
        shares, picture.keep.astype(np.float32), CELL_PX * MM_PER_PX, sigmoid(out[..., 5]),
        sigmoid(out[..., -1]), np.zeros(5), 1.0, nothing, nothing,
    )  # fmt: skip
    ground = Ground(
        picture.rgb, np.zeros((side, side), bool), MM_PER_PX, (0.5 * MM_PER_PX,) * 2,
        (side * MM_PER_PX / 1000) ** 2, np.zeros((0, 2)), 0.0,
    )  # fmt: skip
    found = find_casts(seen, ground)
    true = casts[~np.isnan(casts[:, 0])]
    true = true[(true[:, :2] < side * MM_PER_PX).all(1) & (true[:, 2] >= DIAMETER_MM[0])]
    is_cast, taken = np.zeros(found.height.size, bool), set()
    for i in np.argsort(-found.height):
        apart = np.hypot(true[:, 0] - found.x_mm[i], true[:, 1] - found.y_mm[i])
        free = [j for j in np.flatnonzero(apart <= np.maximum(true[:, 2] / 2, NEAR_MM))
                if j not in taken]  # fmt: skip
        if free:
            taken.add(min(free, key=lambda j: apart[j]))
            is_cast[i] = True
    area = (side * MM_PER_PX / 1000) ** 2
    said = _cast_density(seen, found, ground)["casts_per_m2"]
    return Scene(found.height, is_cast, len(true) / area, area,
                 float((label[:side, :side] == 0).mean()), said.value, said.se)  # fmt: skip


def counted(scene: Scene, evidence: tuple[float, float]) -> float:
    """Return casts per m2 with this evidence."""
    from lawnscore.photo import casts

    before = casts.EVIDENCE
    casts.EVIDENCE = evidence
    try:
        return float(casts.chances(scene.height).sum()) / scene.area_m2
    finally:
        casts.EVIDENCE = before


def report(name: str, scenes: list[Scene], evidence: tuple[float, float]) -> None:
    """Print ratio of counted to true, error and how often the intervals hold, by kind of ground."""
    true = np.array([s.true_per_m2 for s in scenes])
    green = np.array([s.green for s in scenes])
    found = np.array([counted(s, evidence) for s in scenes])
    said, se = (np.array([getattr(s, f) for s in scenes]) for f in ("density", "se"))
    hit = np.array([s.is_cast.sum() / s.area_m2 for s in scenes])
    for low_green, high_green in GREEN:
        for low, high in DENSITY:
            here = (true >= low) & (true <= high if high == 0 else true < high)
            here &= (green >= low_green) & (green < high_green)
            if here.sum() < 3:
                continue
            e = found[here] - true[here]
            mean = true[here].mean()
            parts = (found[here].mean() / mean, hit[here].mean() / mean) if mean else (np.nan,) * 2
            holds = 100 * (np.abs(said[here] - true[here]) <= 1.96 * se[here]).mean()
            print(
                f"{name:9s} green {low_green:.1f}-{high_green:.1f} n {here.sum():3d} "
                f"true {mean:5.1f} counted {found[here].mean():5.1f} "
                f"of true: counted {parts[0]:.2f}, peaks {parts[1]:.2f} "
                f"rms {np.sqrt((e**2).mean()):5.1f}; in use holds {holds:.0f} %"
            )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--worlds", type=Path, required=True)
    parser.add_argument("--net", type=Path, required=True)
    parser.add_argument("--world", choices=GENERATORS, action="append")
    parser.add_argument("--most", type=int, default=400, help="scenes of a world")
    a = parser.parse_args()
    net = read_net(a.net)
    found: dict[str, list[Scene]] = {}
    for name in a.world or GENERATORS:
        world = load(a.worlds / f"{name}.npz")
        held = [i for i in range(len(world.rgb)) if world.group[i] // 8 % 3 == 2][: a.most]
        found[name] = [scene_of(net, world.rgb[i], world.label[i], world.casts[i]) for i in held]
    scenes = [s for some in found.values() for s in some]
    intercept, slope = fit(
        *(np.concatenate([getattr(s, f) for s in scenes]) for f in ("height", "is_cast"))
    )
    evidence = (intercept, slope)
    print("EVIDENCE", tuple(round(v, 2) for v in evidence))
    for name, some in found.items():
        report(name, some, evidence)


if __name__ == "__main__":
    main()
