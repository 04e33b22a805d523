"""The shape-preserving curve and the error function against the general library's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.special import erf

from hueph.estimating.curve import shape_preserving_curve
from hueph.estimating.network import _erf


@pytest.mark.parametrize("count", [2, 3, 4, 9, 15])
def test_curve_is_the_general_librarys(count: int) -> None:
    rng = np.random.default_rng(count)
    ph = np.cumsum(rng.uniform(0.2, 1.5, count))
    values = rng.normal(size=(count, 6))
    values[:, 1] = np.sort(values[:, 1])  # monotone
    values[: count // 2 + 1, 2] = 0.5  # a flat stretch
    at = np.linspace(ph[0] - 1.0, ph[-1] + 1.0, 300)
    expected = PchipInterpolator(ph, values, axis=0)(np.clip(at, ph[0], ph[-1]))
    np.testing.assert_allclose(shape_preserving_curve(ph, values, at), expected, atol=1e-12)


def test_curve_goes_through_the_patches_and_not_beyond_them() -> None:
    ph, values = np.array([4.0, 5.0, 6.5, 7.0]), np.array([[0.0], [1.0], [1.0], [3.0]])
    np.testing.assert_allclose(shape_preserving_curve(ph, values, ph), values)
    between = shape_preserving_curve(ph, values, np.linspace(5.0, 6.5, 50))
    np.testing.assert_allclose(between, 1.0)


def test_error_function_to_the_precision_of_float32() -> None:
    x = np.linspace(-6, 6, 20001, dtype=np.float32)
    assert np.abs(_erf(x) - erf(x.astype(np.float64))).max() < 5e-7
    assert _erf(x).dtype == np.float32
