from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lawnscore.demo import sward
from lawnscore.demo.materials import BLOCKS, SURFACES, Tint, palette, surface_of_number
from lawnscore.demo.scene import LawnSpec, grow_lawn
from lawnscore.demo.truth import cell_shares, scene_measures

SMALL = LawnSpec(width_mm=420.0, height_mm=360.0)


def whole(spec: LawnSpec) -> np.ndarray:
    w, h = spec.width_mm, spec.height_mm
    return np.array([[0, 0], [w, 0], [w, h], [0, h]])


def test_same_seed_same_lawn() -> None:
    one, two, other = (grow_lawn(SMALL, seed=s) for s in (4, 4, 5))
    assert np.array_equal(one.number, two.number)
    assert not np.array_equal(one.number, other.number)


@pytest.mark.parametrize(("green", "straw"), [(0.0, 0.0), (0.2, 0.1), (0.5, 0.3), (0.9, 0.05)])
def test_lawn_grows_about_as_asked(green: float, straw: float) -> None:
    shares = grow_lawn(replace(SMALL, green=green, straw=straw, thatch=0.1), seed=2).shares()
    assert sum(shares.values()) == pytest.approx(1.0)
    assert shares["green"] == pytest.approx(green, abs=0.12)
    if green == 0:
        assert shares["green"] == 0


def test_truth_is_counted_pixel_by_pixel() -> None:
    scene = grow_lawn(replace(SMALL, casts_per_m2=60, leaves_per_m2=20), seed=3)
    truth = scene_measures(scene, whole(SMALL))
    names = ("green_cover_pct", "straw_cover_pct", "bare_soil_pct", "cast_cover_pct", "litter_pct")
    assert sum(truth[n] for n in names) == pytest.approx(100.0)
    for name, column in zip(SURFACES, names[:3] + names[3:4] + names[4:], strict=True):
        share = float((scene.surface == SURFACES.index(name)).mean())
        assert truth[column] == pytest.approx(100 * share, abs=0.4)
    assert truth["casts_per_m2"] == pytest.approx(len(scene.casts) / (0.42 * 0.36), rel=0.02)
    assert cell_shares(scene.surface, scene.mm_per_px).sum(axis=2) == pytest.approx(1.0)


def test_many_polygons_come_out_as_drawn_one_by_one() -> None:
    rng = np.random.default_rng(4)
    corners = rng.uniform(-10, 90, (2500, 1, 2)) + rng.uniform(0, 9, (2500, 3, 2))
    values = rng.integers(0, 256, (2500, 3))
    drawn, wanted = (np.full((70, 80, 3), 7, np.uint8) for _ in range(2))
    sward.fill(drawn, corners, values)
    for k in range(0, 2500, 500):
        sward.fill(wanted, corners[k : k + 500], values[k : k + 500])
    assert np.array_equal(drawn, wanted)
    assert (wanted == 7).any()


def test_casts_have_the_area_of_their_diameter() -> None:
    spec = replace(SMALL, green=0.0, straw=0.0, thatch=0.0, casts_per_m2=25, cast_state="dry")
    scene = grow_lawn(spec, seed=6)
    inside = scene.casts[np.all((scene.casts[:, :2] > 40) & (scene.casts[:, :2] < 320), axis=1)]
    assert len(inside) >= 1
    for x, y, d in inside:
        r = int(0.8 * d / scene.mm_per_px)
        cx, cy = int(x / scene.mm_per_px), int(y / scene.mm_per_px)
        seen = (scene.surface[cy - r : cy + r, cx - r : cx + r] == 3).sum() * scene.mm_per_px**2
        assert seen == pytest.approx(np.pi * d**2 / 4, rel=0.35)  # neighbours may overlap


def test_bare_patches_are_found_by_the_rule_of_the_measure() -> None:
    spec = LawnSpec(width_mm=700, height_mm=700, green=0.96, straw=0.02, thatch=0.1, patchiness=0.1,
                    bare_patches_per_m2=4, bare_patch_cm2=120)  # fmt: skip
    scene = grow_lawn(spec, seed=2)
    truth = scene_measures(scene, whole(spec))
    assert truth["bare_patches_per_m2"] > 1
    assert truth["largest_bare_patch_cm2"] > 150
    even = scene_measures(grow_lawn(replace(spec, bare_patches_per_m2=0), seed=2), whole(spec))
    assert even["bare_patch_pct"] < 0.5
    assert even["evenness"] > truth["evenness"]


def test_leaf_colour_follows_chlorophyll_and_not_cover() -> None:
    def index(chl: float, green: float) -> float:
        spec = replace(SMALL, green=green, yellowing=0.0, tint=Tint(chlorophyll=chl))
        return scene_measures(grow_lawn(spec, seed=1), whole(SMALL))["colour_index_overcast"]

    dark, pale, thin = index(4.5, 0.9), index(1.2, 0.9), index(4.5, 0.4)
    assert dark > pale + 0.05
    assert thin == pytest.approx(dark, abs=0.03)


def test_every_palette_number_belongs_to_one_block() -> None:
    numbers = [n for b in BLOCKS for n in range(b.first, b.first + b.count)]
    assert len(numbers) == len(set(numbers))
    assert set(surface_of_number()[numbers]) == set(range(5))


def test_families_do_not_share_their_soils() -> None:
    for soil in ("loam", "clay", "sand"):
        one, two = (
            palette(Tint(family=f, soil=soil), np.random.default_rng(0))[:16]
            for f in ("train", "report")
        )
        assert np.abs(one - two).max() > 0.01
