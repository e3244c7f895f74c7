"""The invented reader: looks up the truth where the point lies, and errs as often as stated."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from lawnscore.card.design import card_design
from lawnscore.demo import round_plan
from lawnscore.demo.camera import Camera
from lawnscore.demo.demo_round import SEED
from lawnscore.demo.geometry import card_to_scene, scene_to_photo
from lawnscore.demo.reader import (
    CANNOT_TELL,
    TrueGround,
    _said,
    _to_scene,
    _true_ground,
    ground_path,
    keep_ground,
)
from lawnscore.demo.scene import LawnSpec, grow_lawn


def test_the_truth_is_read_at_its_place_and_mirrored_beyond_the_edge() -> None:
    surface = np.zeros((4, 6), np.uint8)
    surface[1, 4] = 3
    ground = TrueGround(surface, 1.0, np.zeros((0, 3)))
    assert ground.at(np.array([[4.5, 1.5], [1.5, 4.5], [7.5, 1.2]])).tolist() == [3, 0, 3]


def test_the_true_ground_is_kept_as_it_grew(tmp_path: Path) -> None:
    scene = grow_lawn(LawnSpec(width_mm=120, height_mm=80, casts_per_m2=300), seed=1)
    job = round_plan.jobs(seed=SEED, small=True)[0]
    path = ground_path(tmp_path, job)
    path.parent.mkdir(parents=True)
    keep_ground(scene, path)
    kept = _true_ground(tmp_path, job)
    assert np.array_equal(kept.surface, scene.surface[::2, ::2])
    assert len(kept.casts)
    assert np.array_equal(kept.casts, scene.casts)
    assert kept.mm_per_px == 2 * scene.mm_per_px
    # five surfaces fit into 2.4 bits a pixel; beyond that the disk holds air
    assert path.stat().st_size < 0.4 * kept.surface.size + 2000


@pytest.mark.parametrize("accuracy", [0.95, 0.8])
def test_a_reader_is_right_as_often_as_stated(accuracy: float) -> None:
    rng = np.random.default_rng(0)
    said = np.array([_said(1, accuracy, rng) for _ in range(4000)])
    told = said[said < 5]
    assert (told == 1).mean() == pytest.approx(accuracy, abs=0.02)
    assert 1 - len(told) / 4000 == pytest.approx(CANNOT_TELL, abs=0.008)
    assert set(told.tolist()) == {0, 1, 2}


def test_a_place_of_the_card_is_found_in_the_scene() -> None:
    """With the pose known without error, the way over the photo is the way of the renderer."""
    job = round_plan.jobs(seed=SEED, small=True)[0]
    assert isinstance(job.camera, Camera)
    to_scene = card_to_scene(job.view, card_design("turf-a5"))
    to_photo = scene_to_photo(job.view, job.camera.focal_35mm) @ to_scene
    pose = SimpleNamespace(homography=to_photo)
    views = SimpleNamespace(card_fit=SimpleNamespace(pose=pose))
    found = _to_scene(views, job)  # type: ignore[arg-type]
    np.testing.assert_allclose(found / found[2, 2], to_scene, atol=1e-6)
