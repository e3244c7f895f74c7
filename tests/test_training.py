"""Twenty steps of training on a CPU: it learns, and what it writes is what the package runs.

Needs PyTorch, which neither the program nor its other tests need; skipped, and said, without it.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="PyTorch is not installed: no training was run")

from benchmarks.training.worlds import SIDE_PX, World, save  # noqa: E402
from lawnscore.photo.class_net import CELL_PX, ClassNet, by_cell  # noqa: E402

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::UserWarning")
"""Of the exporter of PyTorch, which we keep for the small files it writes."""

GREEN, BROWN = (58, 104, 38), (112, 88, 64)
N_PICTURES, STEPS = 5, 20


def two_colours(seed: int = 1) -> World:
    """A world of green leaf and brown soil in patches, whose colours alone tell them apart."""
    rng = np.random.default_rng(seed)
    coarse = rng.random((N_PICTURES, 11, 11)) < 0.5
    soil = coarse.repeat(SIDE_PX // 11, axis=1).repeat(SIDE_PX // 11, axis=2)
    rgb = np.where(soil[..., None], BROWN, GREEN) + rng.normal(0, 6, (*soil.shape, 3))
    nothing = np.full((N_PICTURES, 96, 3), np.nan, np.float32)
    return World(
        rgb=np.clip(rgb, 0, 255).astype(np.uint8),
        label=np.where(soil, 2, 0).astype(np.uint8),
        shade=None,
        casts=nothing,
        leaf=np.full((N_PICTURES, 3), np.nan, np.float32),
        group=np.arange(N_PICTURES),
    )


@pytest.fixture(scope="module")
def trained(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from benchmarks.training import train

    folder = tmp_path_factory.mktemp("training")
    save(two_colours(), folder / "texture.npz")
    out = folder / "net.npz"
    said, threads = sys.argv, torch.get_num_threads()
    torch.set_num_threads(1)  # twenty small steps: threads would only wait for one another
    sys.argv = ["train.py", "--worlds", str(folder), "--out", str(out), "--steps", str(STEPS),
                "--batch", "3", "--rate", "0.02", "--forget", "0", "--hold"]  # fmt: skip
    try:
        train.main()
    finally:
        sys.argv = said
        torch.set_num_threads(threads)
    return out


def test_twenty_steps_tell_green_from_brown(trained: Path) -> None:
    found = np.load(trained.with_suffix(".errors.npz"))
    off = found["said"][:, [0, 2]] - found["true"][:, [0, 2]]
    assert len(found["picture"]) == 1  # the one that was kept back
    assert np.abs(off).max() < 0.35
    assert found["said"][:, [0, 2]].sum() > 0.4


def test_a_run_says_what_it_was_made_from(trained: Path) -> None:
    record: dict[str, Any] = json.loads(trained.with_suffix(".json").read_text(encoding="utf-8"))
    assert record["steps"] == STEPS
    assert {"seed", "torch", "commit"} <= set(record)
    assert len(record["worlds"]["texture"]["sha256"]) == 64


def test_the_package_computes_what_was_trained(trained: Path) -> None:
    """The exported arrays and the ONNX file, run by NumPy and OpenCV, against PyTorch itself."""
    import cv2

    from benchmarks.training.network import Net

    stored = np.load(trained)
    weights = {key: stored[key].astype(np.float32) for key in stored.files}
    rest = cv2.dnn.readNetFromONNX(str(trained.with_suffix(".onnx")))
    ours = ClassNet(weights, rest)
    rng = np.random.default_rng(3)
    colours = rng.uniform(0.02, 0.4, (50, 3)).astype(np.float32)
    index = rng.integers(0, 50, (64, 96)).astype(np.uint16)
    keep = np.ones((64 // CELL_PX, 96 // CELL_PX), bool)
    out, _ = ours.cells(colours, by_cell(index), keep)
    model = Net()
    model.load_state_dict(torch.load(trained.with_suffix(".pt"), map_location="cpu"))
    model.eval()
    linear = torch.from_numpy(colours[index][None])
    with torch.no_grad():
        said = model(linear, torch.ones(1, *keep.shape))
    np.testing.assert_allclose(out, said[0].permute(1, 2, 0).numpy(), atol=0.35)
    assert np.corrcoef(out.ravel(), said.numpy().transpose(0, 2, 3, 1).ravel())[0, 1] > 0.99


def test_a_run_can_go_on_from_the_network_that_ships() -> None:
    """Whatever its widths: read back, it says what the package computes with it."""
    from benchmarks.training.network import read
    from lawnscore.photo import class_net

    shipped = Path(class_net.__file__).with_name("class_net.npz")
    pytest.importorskip("onnx", reason="the ONNX package is not installed: no weights were read")
    model, ours = read(shipped).eval(), class_net.load_net()
    rng = np.random.default_rng(5)
    colours = rng.uniform(0.02, 0.4, (50, 3)).astype(np.float32)
    index = rng.integers(0, 50, (64, 96)).astype(np.uint16)
    keep = np.ones((64 // CELL_PX, 96 // CELL_PX), bool)
    out, _ = ours.cells(colours, by_cell(index), keep)
    with torch.no_grad():
        said = model(torch.from_numpy(colours[index][None]), torch.ones(1, *keep.shape))
    both = said[0].permute(1, 2, 0).numpy()
    shares = np.r_[0:5]
    np.testing.assert_allclose(out[..., shares], both[..., shares], atol=0.2)
    np.testing.assert_allclose(out[..., -1], both[..., -1], atol=0.2)
