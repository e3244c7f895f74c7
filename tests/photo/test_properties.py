"""What must hold of one photo's numbers whatever ground it shows and however it is stored."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from lawnscore.contract.measures import MEASURES, SURFACE_SHARES
from lawnscore.contract.settings import ScoringSettings
from lawnscore.photo.casts import find_casts
from lawnscore.photo.measures import Measures, measure
from lawnscore.photo.patches import find_patches
from lawnscore.photo.score import score_photo
from tests.photo import rendered
from tests.photo.maps import FlatGround, class_map

ORIENTATION = 274  # tag of Exif (CIPA DC-008)
TURNS = {  # orientation tag -> how a stored picture is turned to stand upright
    3: Image.Transpose.ROTATE_180,
    6: Image.Transpose.ROTATE_270,
    8: Image.Transpose.ROTATE_90,
}


def measured(seed: int, patchiness: float, hidden: float) -> Measures:
    """Measure a map of random ground, some of it unseen."""
    rng = np.random.default_rng(seed)
    shares = rng.dirichlet(np.array([6.0, 2.0, 1.5, 0.4, 0.4]) / patchiness, (110, 110))
    weight = (rng.random((110, 110)) >= hidden).astype(np.float32)
    made = class_map(shares[..., 0], cast=shares[..., 3], litter=shares[..., 4], weight=weight)
    ground = FlatGround()
    casts, patches = find_casts(made, ground), find_patches(made)
    return measure(made, casts, patches, ground, ScoringSettings())


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.3, 30), st.floats(0, 0.5))
def test_shares_add_up_to_100_and_every_value_keeps_to_its_range(
    seed: int, patchiness: float, hidden: float
) -> None:
    found = measured(seed, patchiness, hidden)
    assert sum(found.values[name] for name in SURFACE_SHARES) == pytest.approx(100, abs=1e-4)
    for name, about in MEASURES.items():
        value, se = found.values[name], found.se[name]
        if name in ("evenness", "condition") and np.isnan(found.values["evenness"]):
            assert np.isnan(value)  # too few squares are seen: unknown, never 0
            continue
        assert about.low is None or value >= about.low
        assert about.high is None or value <= about.high
        assert se >= 0


@pytest.mark.parametrize("orientation", TURNS)
def test_a_photo_turned_by_exif_and_one_turned_by_its_pixels_give_the_same_row(
    tmp_path: Path, orientation: int
) -> None:
    """PNG, so that turning loses nothing; only the file's own name and hash may differ."""
    stored = Image.fromarray(rendered.good().rgb)
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    stored.save(tmp_path / "tagged.png", exif=exif, compress_level=1)
    stored.transpose(TURNS[orientation]).save(tmp_path / "turned.png", compress_level=1)
    tagged, turned = (score_photo(tmp_path / f"{name}.png").row for name in ("tagged", "turned"))
    assert turned["status"] == "scored"
    assert tagged["sha256"] != turned["sha256"]
    own = ("photo", "sha256")
    assert {k: v for k, v in tagged.items() if k not in own} == {
        k: v for k, v in turned.items() if k not in own
    }
