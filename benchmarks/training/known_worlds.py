"""What a network knows: how the worlds that it was trained on look to it.

    python -m benchmarks.training.known_worlds --worlds DIR --nets DIR
    python -m benchmarks.training.known_worlds --worlds DIR --nets DIR --write class_net.npz

Writes NETS/NAME.known.npz for `final`, `all` and each `no-WORLD` that is there; with ``--write``
that of `final` into the network that ships. From it the program says how strange a photo is
(`ClassNet.strangeness`). `all` gets only groups that `train.py --hold` did not keep back.

Traits are scaled and whitened by what they vary within a world (the mean covariance), turned to the
directions in which the pictures of all worlds vary most, and there each world has a mean and a
spread of its own. The many directions in which a world hardly varies say most of what is new, but
no world has pictures enough to know them all.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from benchmarks.training.seen import read_net, see
from benchmarks.training.worlds import kept_back, load
from lawnscore.photo.class_net import ClassNet

KNOWN = ("rendered", "sketched", "field", "wheat")
"""Textures are too few to say what is known."""
DIRECTIONS = 128
SHRINK = 0.05
"""Part of the mean variance that is added to every direction."""
MOST_PICTURES = 600


def looked_at(net: ClassNet, file: Path, *, held: bool) -> np.ndarray:
    """Return the traits (n, t) of a world's pictures, without groups kept back."""
    world = load(file)
    back = kept_back(file.stem, world.group)
    ids = np.flatnonzero(~back) if held else np.arange(len(back))
    some = ids[:: -(-len(ids) // MOST_PICTURES)]
    return np.concatenate([see(net, world.rgb[i]).traits for i in some]).astype(float)


def root_of_inverse(cov: np.ndarray) -> np.ndarray:
    """Return the factor (d, d) that makes a spread of this covariance a unit ball."""
    size = len(cov)
    return np.linalg.cholesky(np.linalg.inv(cov + SHRINK * np.trace(cov) / size * np.eye(size)))


def known_by(traits: list[np.ndarray], n: int = DIRECTIONS) -> dict[str, np.ndarray]:
    """Return what the program keeps of worlds with these traits, each (n_pictures, t).

    Directions (t, n), a mean (w, n) of each world and a factor (w, n, n) of its spread.
    """
    scale = np.concatenate(traits).std(axis=0) + 1e-6
    within = np.mean([np.cov((x / scale).T) for x in traits], axis=0)
    whiten = root_of_inverse(within)
    white = np.concatenate(traits) / scale @ whiten
    turn = np.linalg.svd(white - white.mean(axis=0), full_matrices=False)[2][:n]
    directions = ((whiten @ turn.T) / scale[:, None]).astype(np.float16)
    seen = [x @ directions.astype(float) for x in traits]
    return {
        "strange.directions": directions,
        "strange.mean": np.array([x.mean(axis=0) for x in seen], np.float32),
        "strange.factor": np.array([root_of_inverse(np.cov(x.T)) for x in seen], np.float16),
    }


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--worlds", type=Path, required=True)
    parser.add_argument("--nets", type=Path, required=True)
    parser.add_argument("--write", type=Path, help="network file (npz) that takes that of `final`")
    a = parser.parse_args()
    for name in ("final", "all", *(f"no-{world}" for world in KNOWN)):
        if not (a.nets / f"{name}.onnx").exists():
            continue
        net = read_net(a.nets / name)
        worlds = [world for world in KNOWN if f"no-{world}" != name]
        traits = [looked_at(net, a.worlds / f"{w}.npz", held=name == "all") for w in worlds]
        known = known_by(traits)
        np.savez(a.nets / f"{name}.known.npz", **known)
        print(name, {world: len(x) for world, x in zip(worlds, traits, strict=True)}, flush=True)
        if a.write and name == "final":
            np.savez_compressed(a.write, **{**dict(np.load(a.write)), **known})


if __name__ == "__main__":
    main()
