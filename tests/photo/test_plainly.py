"""The program's short cuts against the same measures written plainly with scikit-image and NumPy.

Reference library: scikit-image (warp, label, region properties, peaks). The plain version decodes
at full size, works in floating point and tabulates nothing (`benchmarks/speed/plain.py`).
"""

from __future__ import annotations

import pytest

from benchmarks.speed.plain import COMPARED, WITHIN_POINTS, plain_measures
from lawnscore import score_photo
from tests.samples import FOLDER


def test_the_program_says_what_the_plain_version_says() -> None:
    path = FOLDER / "scarified.jpg"
    score = score_photo(path, keep_views=True)
    assert score.views is not None
    plain = plain_measures(path, score.views)
    for measure in COMPARED[:3]:
        assert plain[measure] == pytest.approx(score.row[measure], abs=WITHIN_POINTS), measure
    assert plain["casts_per_m2"] == pytest.approx(score.row["casts_per_m2"], abs=2.0)
