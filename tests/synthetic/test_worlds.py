"""Random worlds and the fast path."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hueph.synthetic import Scene, SceneMeasurements, draw_world, simulate_measurements
from hueph.synthetic.layout import outline, patch_corners, project
from hueph.synthetic.measure import tube_absorbance, tube_spectra
from hueph.synthetic.scene import KINDS
from hueph.synthetic.tubes import TubeOptics, with_truth

# A column that does nothing but absorb.
PURE = TubeOptics(
    path=1.0, clear=1.0, veil=0.0, stray=0.0, relit=0.0, relit_path=1.0, neighbour=0.0, empty=1.0, shade=1.0,
    side_shade=(1.0, 1.0), side_spill=(0.0, 0.0),
)  # fmt: skip


def with_optics(scene: Scene, **changes: object) -> Scene:
    """Return the scene with pure tubes, changed as said."""
    optics = replace(PURE, **changes)  # type: ignore[arg-type]
    return replace(scene, tubes=tuple(replace(tube, optics=optics) for tube in scene.tubes))


@pytest.fixture
def scene() -> Scene:
    """A plain scene of two tubes."""
    return draw_world(np.random.default_rng(11), kind="sheet", tube_count=2)


def test_every_world_can_be_measured() -> None:
    rng = np.random.default_rng(0)
    kinds = set()
    for _ in range(150):
        world = draw_world(rng)
        kinds.add(world.kind)
        seen = simulate_measurements(world, rng)
        count, patches = len(world.tubes), len(world.card.ph)
        assert seen.patch.linear.shape == seen.patch_paper.linear.shape == (patches, 3)
        for region in (seen.tube, seen.glass, seen.backing, seen.backing_left, seen.far_backing):
            assert region.linear.shape == region.srgb.shape == region.std.shape == (count, 3)
            assert np.isfinite(region.linear).all()
            assert (region.srgb >= 0).all()
            assert (region.srgb <= 1).all()
            assert (region.std > 0).all()
        reach = 1.0 + 1e-9
        known = seen.tube_ph[np.isfinite(seen.tube_ph)]
        assert (known >= seen.chart_ph[0] - reach).all()
        assert (known <= seen.chart_ph[-1] + reach).all()
    assert kinds == set(KINDS)


def test_cards_and_liquids_lie_inside_the_picture() -> None:
    rng = np.random.default_rng(1)
    for _ in range(150):
        world = draw_world(rng)
        card = project(world.card_to_picture, outline(world.card.layout))
        assert card.min() >= 0
        assert (card.max(axis=0) <= world.size).all()
        patches = project(world.card_to_picture, patch_corners(world.card.layout))
        assert np.linalg.norm(patches[:, 1] - patches[:, 0], axis=1).min() > 15
        for tube in world.tubes:
            half = 0.5 * tube.width_px / world.size[0]
            assert half < tube.position[0] < 1 - half
            assert 0 < tube.bottom_px(world.size) < world.size[1]


def test_the_same_seed_gives_the_same_colours() -> None:
    def colours(seed: int) -> SceneMeasurements:
        rng = np.random.default_rng(seed)
        return simulate_measurements(draw_world(rng), rng)

    assert (colours(3).tube.srgb == colours(3).tube.srgb).all()
    assert (
        colours(3).tube.srgb.shape != colours(4).tube.srgb.shape
        or (colours(3).tube.srgb != colours(4).tube.srgb).any()
    )


def test_named_parts_are_kept(scene: Scene) -> None:
    again = draw_world(
        np.random.default_rng(5),
        kind="bench",
        backing_name="blue",
        indicator=scene.indicator,
        card=scene.card,
        camera=scene.camera,
        illumination=scene.illumination,
        tubes=scene.tubes,
    )
    assert again.backing_name == "blue"
    assert again.card is scene.card
    assert again.tubes is scene.tubes
    assert again.camera is scene.camera


def test_absorbance_grows_with_load_and_bore(scene: Scene) -> None:
    # Beer and Lambert: absorbance is proportional to concentration and to path.
    tube = scene.tubes[0]
    once = tube_absorbance(scene, tube)
    assert tube_absorbance(scene, replace(tube, load=2.0 * tube.load)) == pytest.approx(2.0 * once)
    assert tube_absorbance(scene, replace(tube, bore_mm=0.5 * tube.bore_mm)) == pytest.approx(0.5 * once)


def test_a_pure_column_transmits_what_its_absorbance_says(scene: Scene) -> None:
    pure = with_optics(scene)
    about = tube_spectra(pure, 0)
    assert about.liquid / about.glass == pytest.approx(10.0 ** -tube_absorbance(pure, pure.tubes[0]))


def test_light_that_crossed_the_dye_before_doubles_the_absorbance(scene: Scene) -> None:
    twice = with_optics(scene, relit=1.0)
    about = tube_spectra(twice, 0)
    assert about.liquid / about.glass == pytest.approx(
        10.0 ** (-2.0 * tube_absorbance(twice, twice.tubes[0]))
    )


def test_stray_light_sets_a_floor(scene: Scene) -> None:
    tube = replace(scene.tubes[0], load=500.0)
    dark = with_optics(replace(scene, tubes=(tube, *scene.tubes[1:])), stray=0.02)
    about = tube_spectra(dark, 0)
    absorbing = tube_absorbance(dark, dark.tubes[0]) > 6.0
    assert absorbing.any()
    assert (about.liquid / about.glass)[absorbing] == pytest.approx(0.02, rel=1e-3)


def test_water_looks_like_the_empty_glass(scene: Scene) -> None:
    water = with_truth(scene.tubes[0], ph=None, drops=0.0, volume_ml=4.0)
    plain = with_optics(replace(scene, tubes=(replace(water, haze=0.0), *scene.tubes[1:])))
    about = tube_spectra(plain, 0)
    assert about.liquid == pytest.approx(about.glass)


def test_more_indicator_makes_a_darker_tube(scene: Scene) -> None:
    levels = []
    for load in (0.5, 1.0, 2.0):
        tubes = tuple(replace(tube, load=load) for tube in scene.tubes)
        seen = simulate_measurements(replace(scene, tubes=tubes), np.random.default_rng(1))
        levels.append(float(seen.tube.linear.sum()))
    assert levels == sorted(levels, reverse=True)


def test_an_odd_scene_begins_with_something_else() -> None:
    rng = np.random.default_rng(2)
    whats = set()
    for _ in range(40):
        world = draw_world(rng, kind="odd", tube_count=2)
        assert world.tubes[0].ph is None
        assert world.tubes[1].ph is not None
        whats.add(world.tubes[0].what)
    assert whats == {"water", "milky", "food dye"}
