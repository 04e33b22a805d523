"""Round trips, shapes and refusals of every colour function."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from hueph.colour.adaptation import adapt_xyz, bradford_matrix
from hueph.colour.cam16 import xyz_to_cam16, xyz_to_cam16_ucs
from hueph.colour.correction import root_polynomial_terms
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import (
    lab_to_lch,
    lab_to_xyz,
    lch_to_lab,
    linear_rgb_to_oklab,
    oklab_to_linear_rgb,
    oklab_to_xyz,
    xyz_to_lab,
    xyz_to_oklab,
)
from hueph.colour.srgb import (
    ADOBE_RGB_TO_XYZ,
    D50,
    D65,
    DISPLAY_P3_TO_XYZ,
    SRGB_PRIMARIES,
    SRGB_TO_XYZ,
    linear_rgb_to_srgb,
    linear_rgb_to_xyz,
    primaries_to_xyz_matrix,
    srgb_to_linear_rgb,
    white_from_xy,
    xyz_to_linear_rgb,
)
from hueph.errors import InputError

UNIT_COLOURS = arrays(np.float64, (5, 3), elements=st.floats(0.0, 1.0, width=32))
LAB_COLOURS = arrays(np.float64, (5, 3), elements=st.floats(-100.0, 100.0, width=32)).map(
    lambda lab: np.abs(lab) * [1, 0, 0] + lab * [0, 1, 1]
)

TRIPLET_FUNCTIONS: list[Callable[[Any], Any]] = [
    srgb_to_linear_rgb,
    linear_rgb_to_srgb,
    linear_rgb_to_xyz,
    xyz_to_linear_rgb,
    xyz_to_lab,
    lab_to_xyz,
    lab_to_lch,
    lch_to_lab,
    xyz_to_oklab,
    oklab_to_xyz,
    linear_rgb_to_oklab,
    oklab_to_linear_rgb,
    xyz_to_cam16_ucs,
    lambda values: adapt_xyz(values, D65, D50),
]
NAMES = [function.__name__.replace("<lambda>", "adapt_xyz") for function in TRIPLET_FUNCTIONS]

ROUND_TRIPS: list[tuple[Callable[[Any], Any], Callable[[Any], Any], float]] = [
    (srgb_to_linear_rgb, linear_rgb_to_srgb, 1e-7),  # the two knees of the standard meet only to 7 digits
    (linear_rgb_to_xyz, xyz_to_linear_rgb, 1e-12),
    (xyz_to_lab, lab_to_xyz, 1e-12),
    (xyz_to_oklab, oklab_to_xyz, 1e-9),
    (linear_rgb_to_oklab, oklab_to_linear_rgb, 1e-9),
    (lab_to_lch, lch_to_lab, 1e-12),
    (lambda xyz: adapt_xyz(xyz, D65, D50), lambda xyz: adapt_xyz(xyz, D50, D65), 1e-12),
]


@pytest.mark.parametrize("trip", ROUND_TRIPS, ids=lambda trip: getattr(trip[0], "__name__", "?"))
@given(colours=UNIT_COLOURS)
@settings(max_examples=50, deadline=None)
def test_round_trips(trip: tuple[Callable[[Any], Any], Callable[[Any], Any], float], colours: Any) -> None:
    there, back, tolerance = trip
    np.testing.assert_allclose(back(there(colours)), colours, atol=tolerance, rtol=0)


def test_every_8_bit_code_survives_the_transfer_function_exactly() -> None:
    codes = np.arange(256)
    back = np.rint(linear_rgb_to_srgb(srgb_to_linear_rgb(codes / 255.0)) * 255.0)
    assert (back == codes).all()


@pytest.mark.parametrize("function", TRIPLET_FUNCTIONS, ids=NAMES)
@pytest.mark.parametrize("width", [np.float32, np.float64])
def test_shapes_and_float_widths(function: Callable[[Any], Any], width: Any) -> None:
    picture = np.linspace(0.05, 0.95, 4 * 5 * 3).reshape(4, 5, 3).astype(width)
    whole = function(picture)
    assert whole.shape == picture.shape
    assert whole.dtype == width
    for part in (picture[1], picture[1, 2]):
        assert function(part).shape == part.shape
    precision = 1e-4 if width is np.float32 else 1e-12
    np.testing.assert_allclose(whole[1, 2], function(picture[1, 2]), rtol=precision)
    np.testing.assert_allclose(whole, function(picture.astype(np.float64)), rtol=2e-3, atol=2e-4)


@pytest.mark.parametrize("function", TRIPLET_FUNCTIONS, ids=NAMES)
def test_not_a_number_stays_where_it_is(function: Callable[[Any], Any]) -> None:
    colours = np.full((2, 3), 0.5)
    colours[0] = np.nan
    result = function(colours)
    assert np.isnan(result[0]).all()
    assert np.isfinite(result[1]).all()


@pytest.mark.parametrize("function", TRIPLET_FUNCTIONS[2:], ids=NAMES[2:])
def test_other_shapes_are_refused(function: Callable[[Any], Any]) -> None:
    with pytest.raises(InputError, match=r"must have shape \(\.\.\., 3\), got \(3, 40\)"):
        function(np.zeros((3, 40)))


@pytest.mark.parametrize("function", TRIPLET_FUNCTIONS, ids=NAMES)
def test_texts_are_refused(function: Callable[[Any], Any]) -> None:
    with pytest.raises(InputError, match="must be an array of numbers"):
        function(["red", "green", "blue"])


def test_whole_numbers_are_taken_as_float64() -> None:
    assert xyz_to_lab(np.array([1, 1, 1])).dtype == np.float64


@pytest.mark.parametrize("matrix", [SRGB_TO_XYZ, DISPLAY_P3_TO_XYZ, ADOBE_RGB_TO_XYZ])
def test_equal_channels_are_the_white(matrix: np.ndarray) -> None:
    np.testing.assert_allclose(matrix.sum(axis=1), D65, atol=1e-12)


def test_adobe_rgb_matrix_agrees_with_its_specification() -> None:
    # Adobe RGB (1998) specification, section 4.3.5.3, five decimals (from memory).
    published = [[0.57667, 0.18556, 0.18823], [0.29734, 0.62736, 0.07529], [0.02703, 0.07069, 0.99134]]
    np.testing.assert_allclose(ADOBE_RGB_TO_XYZ, published, atol=2e-5)


@given(st.floats(0.25, 0.5), st.floats(0.25, 0.45), st.floats(0.25, 0.5), st.floats(0.25, 0.45))
@settings(max_examples=50, deadline=None)
def test_adaptation_maps_white_to_white_and_back(x: float, y: float, x_2: float, y_2: float) -> None:
    first, second = white_from_xy(x, y), white_from_xy(x_2, y_2)
    np.testing.assert_allclose(adapt_xyz(first, first, second), second, atol=1e-12)
    both = bradford_matrix(first, second) @ bradford_matrix(second, first)
    np.testing.assert_allclose(both, np.eye(3), atol=1e-12)


def test_impossible_whites_and_primaries_are_refused() -> None:
    with pytest.raises(InputError, match="must be above 0, got 0"):
        white_from_xy(0.3, 0)
    with pytest.raises(InputError, match="must excite all three cone bands"):
        bradford_matrix([0.0, 0.0, 0.0], D65)
    with pytest.raises(InputError, match="must not lie on one line"):
        primaries_to_xyz_matrix([[0.2, 0.2], [0.3, 0.3], [0.4, 0.4]])
    with pytest.raises(InputError, match=r"white must have shape \(3\)"):
        primaries_to_xyz_matrix(SRGB_PRIMARIES, [1.0, 1.0])


def test_the_white_has_no_colour_in_any_space() -> None:
    np.testing.assert_allclose(xyz_to_lab(D65), [100, 0, 0], atol=1e-12)
    np.testing.assert_allclose(xyz_to_lab(D50, D50), [100, 0, 0], atol=1e-12)
    np.testing.assert_allclose(linear_rgb_to_oklab([1.0, 1.0, 1.0]), [1, 0, 0], atol=1e-7)
    assert xyz_to_cam16(D65).lightness == pytest.approx(100.0)


def test_hue_angles_stay_below_a_full_turn() -> None:
    assert lab_to_lch([50.0, 3.0, -1e-18])[2] == 0.0
    np.testing.assert_allclose(lab_to_lch([[50, 1, 1], [50, -1, 0], [50, 0, -1]])[:, 2], [45, 180, 270])


@given(LAB_COLOURS, LAB_COLOURS)
@settings(max_examples=100, deadline=None)
def test_differences_are_symmetric_and_never_negative(first: np.ndarray, second: np.ndarray) -> None:
    forth = delta_e_cie2000(first, second)
    assert (forth >= 0.0).all()
    np.testing.assert_allclose(forth, delta_e_cie2000(second, first), atol=1e-9)
    assert (delta_e_cie2000(first, first) == 0.0).all()


def test_ciede2000_agrees_with_an_independent_implementation() -> None:
    reference = pytest.importorskip("skimage.color")
    rng = np.random.default_rng(7)
    first, second = rng.uniform([0, -90, -90], [100, 90, 90], (2, 2000, 3))
    wanted = reference.deltaE_ciede2000(first, second)
    np.testing.assert_allclose(delta_e_cie2000(first, second), wanted, atol=1e-9)


def test_difference_of_a_picture_to_one_colour() -> None:
    assert delta_e_cie2000(np.zeros((4, 5, 3)), [50.0, 0.0, 0.0]).shape == (4, 5)


def test_cam16_agrees_with_an_independent_implementation() -> None:
    reference = pytest.importorskip("coloraide.everything").ColorAll
    white = white_from_xy(0.31270, 0.32900)
    for srgb in ([0.8, 0.2, 0.1], [0.1, 0.5, 0.3], [0.3, 0.2, 0.9], [0.5, 0.5, 0.5]):
        wanted = reference("srgb", srgb).convert("cam16-ucs").coords()
        # coloraide's viewing conditions: 64 lux, so a fifth of 64 / pi cd/m2, background 20.
        seen = xyz_to_cam16_ucs(
            linear_rgb_to_xyz(srgb_to_linear_rgb(srgb)), white, adapting_luminance=64 / np.pi * 0.2
        )
        np.testing.assert_allclose(seen, wanted, atol=1e-6)


def test_cam16_conditions_must_be_above_zero() -> None:
    with pytest.raises(InputError, match=r"must be above 0, got 0.0 and 20.0"):
        xyz_to_cam16(D65, adapting_luminance=0.0)


def test_root_polynomial_terms_scale_with_exposure() -> None:
    colours = np.random.default_rng(3).uniform(0, 1, (20, 3))
    np.testing.assert_allclose(root_polynomial_terms(0.3 * colours), 0.3 * root_polynomial_terms(colours))
