"""Shares at places: by hand, off the ground, and asked only once."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from lawnscore.photo.classes import SURFACES
from lawnscore.photo.measures import _SURFACE_COLUMN
from lawnscore.points.compare import SHARE_COLUMNS
from lawnscore.points.program import Program, measured_pixels, shares_at
from lawnscore.register.folder import open_round


def laid_out() -> tuple[Any, Any]:
    shares = np.zeros((2, 3, 5), np.float32)
    shares[..., 0] = 1.0
    shares[1, 2] = (0, 0, 1, 0, 0)
    weight = np.ones((2, 3), np.float32)
    weight[0, 1] = 0
    classes = SimpleNamespace(shares=shares, weight=weight, cell_mm=5.0)
    mask = np.zeros((9, 12), bool)
    mask[0, 0] = True
    return classes, SimpleNamespace(origin_mm=(100.0, 200.0), mm_per_px=1.25, mask=mask)


def test_the_columns_are_those_of_the_class_map() -> None:
    assert tuple(_SURFACE_COLUMN[surface] for surface in SURFACES) == SHARE_COLUMNS


def test_shares_are_those_of_the_cell_that_holds_the_place() -> None:
    classes, ground = laid_out()
    # cells of 5 mm from the outer corner of the first pixel: 99.375, 199.375
    places = np.array([[99.5, 199.5], [104.3, 204.3], [111.0, 205.0], [105.0, 200.0], [90, 200]])
    found = shares_at(classes, ground, places)
    assert found[0].tolist() == found[1].tolist() == [1, 0, 0, 0, 0]
    assert found[2].tolist() == [0, 0, 1, 0, 0]
    assert np.isnan(found[3:]).all()  # not measured; off the ground


def test_measured_pixels_leave_out_mask_and_cells() -> None:
    classes, ground = laid_out()
    keep = measured_pixels(ground, classes)
    assert keep.shape == (8, 12)
    assert not keep[0, 0]
    assert keep[0, 1]
    assert not keep[:4, 4:8].any()
    assert keep[4:].all()


def test_a_photo_is_looked_at_once(own_round: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = Program(open_round(own_round))
    sha256, relative = next(iter(program.current.items()))
    path = own_round / relative
    first = program.at(path, sha256, [(-150.0, 100.0)])
    assert np.isnan(first.shares).all() or first.shares.sum() == pytest.approx(1.0, abs=1e-3)
    monkeypatch.setattr(Program, "views", lambda *_: pytest.fail("looked again"))
    again = Program(open_round(own_round)).at(path, sha256, [(-150.0, 100.0)])
    np.testing.assert_array_equal(first.shares, again.shares)


def test_kept_rubbish_is_made_anew(own_round: Path) -> None:
    program = Program(open_round(own_round))
    sha256, relative = next(iter(program.current.items()))
    program.at(own_round / relative, sha256, [(-150.0, 100.0)])
    kept = next((own_round / ".lawnscore" / "points").iterdir())
    kept.write_text("{")
    assert program.at(own_round / relative, sha256, [(-150.0, 100.0)]).shares.shape == (1, 5)


def test_plain_rows_are_the_programs_own(own_round: Path) -> None:
    program = Program(open_round(own_round))
    rows = program.plain_rows()
    assert len(rows) == 4
    shares = [sum(float(row[name]) for name in SHARE_COLUMNS) for row in rows]
    assert shares == pytest.approx([100.0] * 4, abs=0.01)
