"""How right is a network on a world that it never saw, and on other groups of one that it did?

    python -m benchmarks.training.left_out --nets DIR

NETS holds what `train.py` wrote: `no-WORLD` of a run `--without WORLD`, and `all` of a run with
`--hold`, which kept every third group back. Read are their `.errors.npz`: shares and truth of every
picture that the network of that name never saw. Of renders no network can be left without what a
network needs of turf, so `no-rendered` is looked at on `report` by `stated_error.py`.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from benchmarks.training.worlds import WORLDS

CLASSES = ("green", "straw", "soil")
COMPARED = {"field": "fields", "wheat": "young wheat"}


def errors_of(file: Path, world: str) -> np.ndarray:
    """Return (n, 3): said less true shares of a world's pictures, in points."""
    found = np.load(file)
    here = found["world"] == WORLDS.index(world)
    return np.asarray(100 * (found["said"][here] - found["true"][here])[:, :3])


def row(name: str, errors: np.ndarray) -> str:
    """Return a line of the table: pictures, then bias and RMSE of each class."""
    bias, rmse = errors.mean(axis=0), np.sqrt((errors**2).mean(axis=0))
    cells = [f"{b:+.1f}, {r:.1f}" for b, r in zip(bias, rmse, strict=True)]
    return f"| {name} | {len(errors)} | {' | '.join(cells)} |"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--nets", type=Path, required=True)
    nets = parser.parse_args().nets
    print(
        "| ground | pictures | green: bias, RMSE | straw | soil |\n| --- | --- | --- | --- | --- |"
    )
    for world, name in COMPARED.items():
        never, others = nets / f"no-{world}.errors.npz", nets / "all.errors.npz"
        print(row(f"{name}, never seen", errors_of(never, world)))
        print(row(f"{name}, other groups seen", errors_of(others, world)))
    for world, name in (("sketched", "sketches"), ("rendered", "renders")):
        print(row(f"{name}, others seen", errors_of(nets / "all.errors.npz", world)))


if __name__ == "__main__":
    main()
