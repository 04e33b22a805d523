"""Wavelength grid, observer and spectrum shapes that the scene renderer shares.

Everything spectral in `hueph.synthetic` is sampled on `WAVELENGTHS_NM`. Absorption bands are
Gaussians in wavenumber, because a band of vibronic transitions is even in energy, not in wavelength.
"""

from __future__ import annotations

import numpy as np

from hueph._types import FloatArray

__all__ = [
    "WAVELENGTHS_NM",
    "WAVENUMBERS_PER_CM",
    "band",
    "gaussian",
    "observer_1931",
    "reflectance_to_xyz",
    "smooth_reflectance",
]

WAVELENGTHS_NM: FloatArray = np.arange(380.0, 731.0, 5.0)
WAVENUMBERS_PER_CM: FloatArray = 1.0e7 / WAVELENGTHS_NM


def gaussian(centre_nm: float, sigma_low_nm: float, sigma_high_nm: float | None = None) -> FloatArray:
    """Return a Gaussian of height 1 in wavelength, with its own width on either side, shape (n,)."""
    high = sigma_low_nm if sigma_high_nm is None else sigma_high_nm
    sigma = np.where(centre_nm > WAVELENGTHS_NM, sigma_low_nm, high)
    shape: FloatArray = np.exp(-0.5 * ((WAVELENGTHS_NM - centre_nm) / sigma) ** 2)
    return shape


def band(peak_nm: float, sigma_red: float, sigma_blue: float) -> FloatArray:
    """Return one absorption band of height 1: a two-sided Gaussian in wavenumber, shape (n,).

    Parameters
    ----------
    peak_nm : float
        Wavelength of the maximum, nanometres.
    sigma_red, sigma_blue : float
        Standard deviations on the low-energy and on the high-energy side, 1/cm.
    """
    offset = WAVENUMBERS_PER_CM - 1.0e7 / peak_nm
    sigma = np.where(offset < 0, sigma_red, sigma_blue)
    shape: FloatArray = np.exp(-0.5 * (offset / sigma) ** 2)
    return shape


def observer_1931() -> FloatArray:
    """Return the CIE 1931 2 degree colour-matching functions as a sum of Gaussians, shape (3, n).

    Notes
    -----
    The multi-lobe fit of Wyman, Sloan and Shirley, "Simple Analytic Approximations to the CIE XYZ
    Color Matching Functions", Journal of Computer Graphics Techniques 2(2), 2013, section 2.2
    (coefficients from memory; the white of equal energy they give is checked in the tests).
    """
    x = (
        1.056 * gaussian(599.8, 37.9, 31.0)
        + 0.362 * gaussian(442.0, 16.0, 26.7)
        - 0.065 * gaussian(501.1, 20.4, 26.2)
    )
    y = 0.821 * gaussian(568.8, 46.9, 40.5) + 0.286 * gaussian(530.9, 16.3, 31.1)
    z = 1.217 * gaussian(437.0, 11.8, 36.0) + 0.681 * gaussian(459.0, 26.0, 13.8)
    return np.stack([x, y, z])


_OBSERVER: FloatArray = observer_1931()


def reflectance_to_xyz(reflectance: FloatArray, light: FloatArray) -> FloatArray:
    """Return XYZ (Y of a perfect white = 1) of reflectances (..., n) under `light` (n,), shape (..., 3)."""
    weights = _OBSERVER * light
    xyz: FloatArray = reflectance @ weights.T / weights[1].sum()
    return xyz


def smooth_reflectance(coefficients: FloatArray) -> FloatArray:
    """Return smooth reflectances from three coefficients each: a bounded quadratic, (..., 3) to (..., n).

    Notes
    -----
    The sigmoid of a quadratic of Jakob and Hanika, "A Low-Dimensional Function Space for Efficient
    Spectral Upsampling", Computer Graphics Forum 38(2), 2019, equations 2 and 3.
    """
    position = (WAVELENGTHS_NM - 555.0) / 175.0
    powers = np.stack([position**2, position, np.ones_like(position)])
    value = coefficients @ powers
    curve: FloatArray = 0.5 + value / (2.0 * np.sqrt(1.0 + value**2))
    return curve
