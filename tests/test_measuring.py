"""Measuring: flat and shaded scenes whose values are known from how they were drawn."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from hueph._backing import Backing
from hueph._light_field import log_plane
from hueph._pixels import robust_means, sampled, to_light
from hueph.colour.srgb import srgb_to_linear_rgb
from hueph.locate.types import TubeLocation
from hueph.measuring import measure_tubes
from hueph.photo import Photo, photo_from_array

LIQUID = np.array([[200.0, 150.0], [260.0, 150.0], [260.0, 330.0], [200.0, 330.0]])
CORE = np.array([[215.0, 170.0], [245.0, 170.0], [245.0, 300.0], [215.0, 300.0]])
BACKING, COLOUR = (200, 180, 160), (90, 140, 60)


def scene(blur: float = 0.0) -> Photo:
    """Draw one liquid before an even backing, its edges blurred by so many pixels (k = 1)."""
    picture = np.full((420, 480, 3), BACKING, dtype=np.uint8)
    picture[150:330, 200:260] = COLOUR
    if blur:
        picture = cv2.GaussianBlur(picture, (0, 0), blur)
    return photo_from_array(picture)


def tube() -> TubeLocation:
    """Return where the liquid was drawn."""
    return TubeLocation(LIQUID, CORE, (), frozenset(), False)


def light_of(codes: tuple[int, int, int]) -> np.ndarray:
    """Return linear light of code values."""
    return np.asarray(srgb_to_linear_rgb(np.array(codes) / 255.0))


def test_an_even_liquid_before_an_even_backing() -> None:
    (found,) = measure_tubes(scene(), None, None, (tube(),))
    np.testing.assert_allclose(found.colour, light_of(COLOUR), rtol=1e-5)
    np.testing.assert_allclose(found.backing, light_of(BACKING), rtol=1e-4)
    assert found.unevenness < 1e-6
    assert found.glare == 0.0
    assert not found.clipped_low.any()
    assert not found.clipped_high.any()
    # the empty glass was not drawn: it is as clear as the backing
    np.testing.assert_allclose(found.glass, 1.0, rtol=1e-4)


def test_edge_width_is_that_of_the_blur() -> None:
    # A Gaussian edge of standard deviation s has its steepest slope 1 / (s sqrt(2 pi)) per step, in
    # code values; what is measured, in linear light, comes close to 0.8 s sqrt(2 pi).
    widths = [measure_tubes(scene(blur), None, None, (tube(),))[0].sharpness for blur in (1.5, 3.0, 6.0)]
    np.testing.assert_allclose(widths, 0.8 * np.sqrt(2 * np.pi) * np.array([1.5, 3.0, 6.0]), rtol=0.25)


def test_backing_follows_a_slope_of_light_and_leaves_out_the_vessel() -> None:
    ramp = np.linspace(120, 220, 480).round().astype(np.uint8)
    picture = np.repeat(np.repeat(ramp[None, :, None], 420, axis=0), 3, axis=2)
    picture[100:335, 195:265] = 10
    backing = Backing(photo_from_array(picture), None, None, (tube(),))
    ((light,), (scatter,)) = backing.light_at(np.array([[230.0, 240.0]]), np.array([60.0]))
    expected = srgb_to_linear_rgb(ramp[230] / 255.0)
    np.testing.assert_allclose(light, expected, rtol=0.02)
    assert scatter < 0.02


def test_no_backing_is_not_a_number() -> None:
    backing = Backing(photo_from_array(np.full((60, 60, 3), 90, np.uint8)), None, None, ())
    ((light,), (scatter,)) = backing.light_at(np.array([[30.0, 30.0]]), np.array([20.0]))
    assert np.isnan(light).all()
    assert np.isnan(scatter)


def test_pixels_of_a_place_and_their_robust_mean() -> None:
    photo = scene()
    beyond = CORE - (230.0, 0.0)
    codes, inside = sampled(photo, np.stack([CORE, beyond]), 40, 25)
    assert codes.shape == (2, 3, 1000)
    assert inside[0].all()
    # the other place reaches from 15 pixels left of the picture to 15 within it; edges lie half a pixel out
    assert inside[1].mean() == pytest.approx(15.5 / 30, abs=0.02)
    light = to_light(photo, codes).copy()
    light[0, :, ::50] = 1.0  # two in a hundred are glare
    mean, cov, share = robust_means(light, inside)
    np.testing.assert_allclose(mean, [light_of(COLOUR), light_of(BACKING)], rtol=1e-6)
    assert share[0] == pytest.approx(0.98)
    assert np.trace(cov[0]) < 1e-6


def test_points_of_a_place_lie_row_by_row_from_its_top_left() -> None:
    ramp = np.zeros((60, 80, 3), dtype=np.uint8)
    ramp[..., 0], ramp[..., 1] = np.arange(80), np.arange(60)[:, None]
    place = np.array([[[9.5, 19.5], [29.5, 19.5], [29.5, 29.5], [9.5, 29.5]]])
    codes, _ = sampled(photo_from_array(ramp), place, 10, 20)
    np.testing.assert_array_equal(codes[0, 0].reshape(10, 20), np.tile(np.arange(10, 30), (10, 1)))
    np.testing.assert_array_equal(codes[0, 1].reshape(10, 20), np.tile(np.arange(20, 30)[:, None], 20))


@pytest.mark.parametrize("channel", [0, 1, 2])
def test_log_plane_is_not_drawn_away_by_outliers(channel: int) -> None:
    rng = np.random.default_rng(5)
    points = rng.uniform(0, 1000, (80, 2))
    slope = np.array([[3e-4, 1e-4, 0.0], [-2e-4, 0.0, 2e-4]])
    logs = -0.5 + points @ slope + rng.normal(0, 0.005, (80, 3))
    logs[::7, channel] -= 1.0  # shadows
    light, scatter = log_plane(points, logs, np.ones(80), np.array([[500.0, 500.0]]))
    np.testing.assert_allclose(light[0], np.exp(-0.5 + np.array([500.0, 500.0]) @ slope), rtol=0.01)
    assert scatter < 0.03
