"""The bound against estimating by brute force, and how it scales."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from limit_bound import (
    CORE_PIXELS,
    PIXELS_PER_SAMPLE,
    bounded,
    draw_metamerism,
    perfect_bound,
    pixel_variance,
    prior_of,
    raw_liquid,
    real_bound,
)
from scipy.optimize import least_squares

from hueph.synthetic import Scene, draw_world
from hueph.synthetic.card import draw_card
from hueph.synthetic.dyes import named_indicator


@pytest.fixture(scope="module")
def scene() -> Scene:
    """One tube of bromothymol blue where it turns, noisy enough for the bound to be far from 0."""
    rng = np.random.default_rng(8)
    indicator = named_indicator("bromothymol blue")
    world = draw_world(
        rng, kind="sheet", indicator=indicator, card=draw_card(rng, indicator, inks="smooth"), tube_count=1
    )
    tube = replace(world.tubes[0], ph=7.0, load=1.0)
    return replace(world, tubes=(tube,), camera=replace(world.camera, full_well=1000.0, read=5.0))


def test_no_estimator_of_two_parameters_beats_the_textbook_case() -> None:
    # Straight line through two points of standard deviation 1 at x = -1 and 1: both parameters sqrt(1/2).
    line = np.array([[1.0, -1.0], [1.0, 1.0]])
    bound = bounded(line, {"noise": np.eye(2)}, np.array([np.inf, np.inf]))
    assert bound.std == pytest.approx(np.sqrt(0.5))
    # A prior of the same precision as the data halves the variance.
    halved = bounded(line, {"noise": np.eye(2)}, np.array([np.sqrt(0.5), np.inf]))
    assert halved.std**2 == pytest.approx(0.25)
    assert sum(halved.parts.values()) == pytest.approx(halved.std**2)


def test_brute_force_maximum_likelihood_reaches_the_bound(scene: Scene) -> None:
    rng = np.random.default_rng(1)
    mean = raw_liquid(scene, 0)
    std = np.sqrt(pixel_variance(scene, mean) * PIXELS_PER_SAMPLE / CORE_PIXELS)
    prior = prior_of(scene)
    found = []
    for _ in range(150):
        seen = mean + rng.normal(0.0, 1.0, 3) * std

        def misfit(x: np.ndarray, seen: np.ndarray = seen) -> np.ndarray:
            away = (raw_liquid(scene, 0, ph=7.0 + x[0], load=float(np.exp(x[1]))) - seen) / std
            return np.append(away, x[1] / prior[1])

        found.append(least_squares(misfit, [0.0, 0.0], x_scale=[0.01, 0.01]).x[0])
    bound = perfect_bound(scene, 0)
    # 150 draws give the standard deviation to 6 %.
    assert np.std(found) == pytest.approx(bound.std, rel=0.2)
    assert abs(np.mean(found)) < 0.35 * bound.std


def test_the_perfect_bound_scales_with_noise_and_pixels(scene: Scene) -> None:
    bound = perfect_bound(scene, 0).std
    assert perfect_bound(scene, 0, pixels=4.0 * CORE_PIXELS).std == pytest.approx(bound / 2.0, rel=0.01)
    # Read noise and photon noise both at a quarter of the full well: variance four times in all.
    quarter = replace(scene.camera, full_well=scene.camera.full_well / 4.0, read=scene.camera.read / 2.0)
    louder = perfect_bound(replace(scene, camera=quarter), 0).std
    assert louder == pytest.approx(2.0 * bound, rel=0.02)


def test_the_real_ruler_is_worse_and_its_parts_add_up(scene: Scene) -> None:
    metamerism = draw_metamerism(scene.indicator, np.random.default_rng(2), worlds=6)
    real = real_bound(scene, 0, metamerism)
    assert real.std > 3.0 * perfect_bound(scene, 0).std
    assert sum(real.parts.values()) == pytest.approx(real.std**2)
    assert all(part >= 0.0 for part in real.parts.values())


def test_where_no_dye_turns_the_bound_is_wide(scene: Scene) -> None:
    metamerism = draw_metamerism(scene.indicator, np.random.default_rng(2), worlds=6)
    turning = real_bound(scene, 0, metamerism).std
    low = float(scene.card.ph[0])
    flat = replace(scene, tubes=(replace(scene.tubes[0], ph=low + 0.05),))
    assert real_bound(flat, 0, metamerism).std > 1.5 * turning
