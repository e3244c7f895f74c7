"""The parts of the training script that need no PyTorch."""

from __future__ import annotations

import numpy as np
import train_classes


def test_only_the_colours_that_occur_are_kept_and_pixels_keep_theirs() -> None:
    rng = np.random.default_rng(1)
    index = rng.choice([3, 70, 900, 31000], (2, 16, 16)).astype(np.uint16)
    index[1, :8] = 12
    table = rng.random((2, 32768, 3)).astype(np.float16)
    data = {"index": index.copy(), "table": table}
    train_classes.compact(data)
    assert data["colours"].tolist() == [4, 5]
    assert data["table"].shape == (2, 5, 3)
    for k in range(2):
        assert np.array_equal(data["table"][k][data["index"][k]], table[k][index[k]])


def test_heat_peaks_at_the_middle_of_each_cast() -> None:
    casts = np.full((4, 3), np.nan)
    casts[0] = (52.5, 102.5, 25.0)  # mm: the middle of cell (20, 10)
    heat = train_classes.cast_heat(casts, 40)
    assert np.unravel_index(heat.argmax(), heat.shape) == (20, 10)
    assert heat.max() == 1.0
    assert heat[20, 30] < 1e-6
