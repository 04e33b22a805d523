"""Colour corrections: exact on pictures that obey their own model, honest about patches not seen."""

from __future__ import annotations

import numpy as np
import pytest

from hueph.colour.correction import (
    ColourCorrection,
    fit_correction,
    leave_one_out_delta_e,
    root_polynomial_terms,
)
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_xyz
from hueph.errors import InputError


@pytest.fixture
def patches() -> np.ndarray:
    """Twenty-four colours, linear light."""
    return np.random.default_rng(11).uniform(0.02, 0.95, (24, 3))


MIX = np.array([[1.4, -0.3, -0.1], [-0.2, 1.5, -0.3], [0.05, -0.5, 1.45]])


def test_a_diagonal_correction_undoes_gains(patches: np.ndarray) -> None:
    gains = np.array([0.7, 1.0, 1.6])
    correction = fit_correction(patches / gains, patches)
    np.testing.assert_allclose(correction.matrix, np.diag(gains), atol=1e-12)
    np.testing.assert_allclose(correction.apply(patches / gains), patches, atol=1e-12)


def test_a_linear_correction_undoes_a_camera_matrix(patches: np.ndarray) -> None:
    correction = fit_correction(patches, patches @ MIX.T, kind="linear")
    np.testing.assert_allclose(correction.matrix, MIX, atol=1e-10)


def test_a_root_polynomial_is_found_again(patches: np.ndarray) -> None:
    matrix = np.hstack([MIX, [[0.1, 0.0, -0.1], [0.05, 0.1, 0.0], [0.0, -0.2, 0.1]]])
    reference = root_polynomial_terms(patches) @ matrix.T
    correction = fit_correction(patches, reference, kind="root-polynomial")
    np.testing.assert_allclose(correction.matrix, matrix, atol=1e-9)
    np.testing.assert_allclose(correction.apply(0.25 * patches), 0.25 * reference, atol=1e-9)


def test_agrees_with_colour_science(patches: np.ndarray) -> None:
    library = pytest.importorskip("colour.characterisation")
    reference = np.clip(patches @ MIX.T + np.random.default_rng(5).normal(0, 0.02, patches.shape), 0, None)
    for kind, degree in (("linear", 1), ("root-polynomial", 2)):
        wanted = library.matrix_colour_correction_Finlayson2015(patches, reference, degree, True)
        mine = fit_correction(patches, reference, kind=kind)  # type: ignore[arg-type]
        expanded = library.polynomial_expansion_Finlayson2015(patches, degree, True)
        np.testing.assert_allclose(mine.apply(patches), expanded @ wanted.T, atol=1e-9)


def test_chart_with_noise_is_corrected_below_three_units(patches: np.ndarray) -> None:
    noise = np.random.default_rng(2).normal(0, 0.004, patches.shape)
    measured = np.linalg.solve(MIX, patches.T).T + noise
    assert leave_one_out_delta_e(measured, patches, kind="linear").mean() < 3.0


def test_leaving_out_shows_what_the_fit_hides(patches: np.ndarray) -> None:
    few = patches[:7]
    measured = few**1.3  # a bent tone curve, which six unknowns a channel can imitate on seven patches
    fitted = fit_correction(measured, few, kind="root-polynomial").apply(measured)
    own_error = delta_e_cie2000(*(xyz_to_lab(linear_rgb_to_xyz(values)) for values in (fitted, few)))
    left_out = leave_one_out_delta_e(measured, few, kind="root-polynomial")
    assert left_out.mean() > 3.0 * own_error.mean()


def test_a_wrong_patch_stands_out_when_left_out(patches: np.ndarray) -> None:
    measured = patches.copy()
    measured[5] = measured[5][::-1]
    assert leave_one_out_delta_e(measured, patches).argmax() == 5


def test_a_patch_of_weight_zero_does_not_count(patches: np.ndarray) -> None:
    spoilt = patches.copy()
    spoilt[3] = 0.9
    weights = np.ones(24)
    weights[3] = 0.0
    correction = fit_correction(spoilt, patches, kind="linear", weights=weights)
    np.testing.assert_allclose(correction.matrix, np.eye(3), atol=1e-10)


def test_dark_noise_below_zero_does_not_break_the_roots() -> None:
    correction = ColourCorrection("root-polynomial", np.hstack([np.eye(3), np.zeros((3, 3))]))
    np.testing.assert_allclose(correction.apply([-0.001, 0.2, 0.3]), [-0.001, 0.2, 0.3])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"kind": "cubic"}, "kind must be one of diagonal, linear, root-polynomial, got 'cubic'"),
        ({"reference": np.ones((3, 3))}, "as many patches, got 24 and 3"),
        ({"weights": np.ones(3)}, r"weights must have shape \(24,\), got \(3,\)"),
        ({"weights": np.full(24, -1.0)}, "weights must be finite and not negative"),
        ({"measured": np.full((24, 3), np.nan)}, "must be finite, got NaN"),
        ({"measured": np.ones((24, 3)), "kind": "linear"}, "needs different colours"),
        ({"measured": np.zeros((24, 3))}, "needs light in every channel"),
        (
            {"measured": np.ones((2, 3)), "reference": np.ones((2, 3)), "kind": "linear"},
            "at least 3 patches, got 2",
        ),
    ],
)
def test_refusals(patches: np.ndarray, change: dict[str, object], message: str) -> None:
    arguments: dict[str, object] = {"measured": patches, "reference": patches} | change
    with pytest.raises(InputError, match=message):
        fit_correction(**arguments)  # type: ignore[arg-type]


def test_degree_three_is_refused() -> None:
    with pytest.raises(InputError, match="degree must be 1 or 2, got 3"):
        root_polynomial_terms([0.1, 0.2, 0.3], 3)
