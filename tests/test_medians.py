"""The quick medians and quantiles agree with numpy's own."""

from __future__ import annotations

import numpy as np
import pytest

from hueph._medians import medians, quantiles


@pytest.mark.parametrize("count", [1, 2, 3, 8, 101])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_medians_are_numpys(count: int, kind: type[np.floating]) -> None:
    values = np.random.default_rng(count).normal(size=(4, 3, count)).astype(kind)
    found = medians(values)
    assert found.dtype == kind
    np.testing.assert_array_equal(found, np.median(values, axis=-1))


@pytest.mark.parametrize("share", [0.0, 0.25, 0.7, 0.9, 1.0])
@pytest.mark.parametrize("count", [1, 2, 5, 40])
def test_quantiles_are_numpys(share: float, count: int) -> None:
    values = np.random.default_rng(count).normal(size=(6, count))
    np.testing.assert_allclose(quantiles(values, share), np.quantile(values, share, axis=-1), atol=1e-12)
