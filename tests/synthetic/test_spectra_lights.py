"""Observer, lamps and smooth reflectances against CIE values."""

from __future__ import annotations

import numpy as np
import pytest

from hueph._types import FloatArray
from hueph.synthetic.lights import daylight, draw_light, planckian
from hueph.synthetic.spectra import (
    WAVELENGTHS_NM,
    band,
    observer_1931,
    reflectance_to_xyz,
    smooth_reflectance,
)


def chromaticity(power: FloatArray) -> FloatArray:
    """Return x, y of a light."""
    xyz = observer_1931() @ power
    chroma: FloatArray = xyz[:2] / xyz.sum()
    return chroma


@pytest.mark.parametrize(
    ("light", "expected"),
    [
        # CIE 15:2018, tables of standard illuminants and daylight chromaticities.
        (daylight(6504.0), (0.3127, 0.3290)),
        (daylight(5003.0), (0.3457, 0.3585)),
        (planckian(2855.5), (0.4476, 0.4074)),
    ],
)
def test_chromaticity_of_cie_illuminants(light: object, expected: tuple[float, float]) -> None:
    # The analytic observer is good to a few thousandths (Wyman et al. 2013 state about 1 % error).
    assert chromaticity(light.power) == pytest.approx(expected, abs=0.005)  # type: ignore[attr-defined]


def test_daylight_equals_the_published_d65_spectrum() -> None:
    colour = pytest.importorskip("colour", reason="CIE tables come with colour-science")
    table = colour.SDS_ILLUMINANTS["D65"]
    published = np.interp(WAVELENGTHS_NM, table.wavelengths, table.values)
    ours = daylight(6504.0).power
    assert ours / ours.mean() == pytest.approx(published / published.mean(), rel=0.01)


def test_equal_energy_light_is_neutral() -> None:
    assert chromaticity(np.ones_like(WAVELENGTHS_NM)) == pytest.approx([1 / 3, 1 / 3], abs=0.004)


def test_a_perfect_white_has_luminance_one_under_any_light() -> None:
    rng = np.random.default_rng(3)
    for _ in range(20):
        light = draw_light(rng).power
        assert (light > 0).all()
        assert reflectance_to_xyz(np.ones_like(light), light)[1] == pytest.approx(1.0)


def test_a_band_is_half_as_high_at_its_half_width() -> None:
    # Full width at half maximum of a Gaussian: 2.3548 sigma.
    shape = band(550.0, 1000.0, 2000.0)
    half_red = 1e7 / (1e7 / 550.0 - 1177.4)
    assert shape.max() == pytest.approx(1.0, abs=0.01)
    assert np.interp(half_red, WAVELENGTHS_NM, shape) == pytest.approx(0.5, abs=0.02)


def test_smooth_reflectances_stay_between_black_and_white() -> None:
    curves = smooth_reflectance(np.random.default_rng(0).normal(0.0, 20.0, (200, 3)))
    assert curves.min() >= 0.0
    assert curves.max() <= 1.0
