"""The shape-preserving curve and the error function against the general library's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.stats import norm

from hueph.estimating.curve import shape_preserving_curve
from hueph.estimating.network import gelu


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


def test_gaussian_error_linear_unit_is_the_general_librarys() -> None:
    x = np.concatenate([np.linspace(-12, 12, 20001), [-1e3, 1e3, -1e6, 1e6]]).astype(np.float32)
    exact = x * norm.cdf(x.astype(np.float64))
    assert (np.abs(gelu(x) - exact) <= 3e-6 * np.maximum(np.abs(x), 1.0)).all()
    assert gelu(x).dtype == np.float32
