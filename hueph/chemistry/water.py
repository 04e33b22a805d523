"""Properties of water and of carbon dioxide in it, 0 to 50 °C, each with its source."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hueph._types import FloatArray

__all__ = ["co2_solubility", "davies_a", "pkw", "water_density", "water_permittivity"]

KELVIN = 273.15
TEMPERATURE_RANGE_C = (0.0, 50.0)


def pkw(temperature_c: npt.ArrayLike) -> FloatArray:
    """Return -log10 of the ion product of water at zero ionic strength.

    Parameters
    ----------
    temperature_c : float or array
        °C, 0 to 60.

    Notes
    -----
    Analytic expression of the public-domain geochemical data file ``phreeqc.dat`` (entry H2O = OH- + H+);
    within 0.02 of the table in OpenStax Chemistry 2e, appendix E, from 0 to 60 °C.

    Examples
    --------
    >>> float(pkw(25.0).round(3))
    13.995
    """
    kelvin = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    log_k = (
        293.29227
        + 0.1360833 * kelvin
        - 10576.913 / kelvin
        - 123.73158 * np.log10(kelvin)
        - 6.996455e-5 * kelvin**2
    )
    return np.asarray(-log_k)


def co2_solubility(temperature_c: npt.ArrayLike) -> FloatArray:
    """Return dissolved carbon dioxide over its partial pressure, mol/L/atm (Henry's law).

    Notes
    -----
    Analytic expression of ``phreeqc.dat`` (entry CO2(g)); 10**-1.468 at 25 °C.
    """
    kelvin = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    log_k = 10.5624 - 2.3547e-2 * kelvin - 3972.8 / kelvin + 5.8746e5 / kelvin**2 + 1.9194e-5 * kelvin**2
    return np.asarray(10.0**log_k)


def water_density(temperature_c: npt.ArrayLike) -> FloatArray:
    """Return the density of air-free water, kg/L (Tanaka et al. 2001, Metrologia 38, 301; memory)."""
    t = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(0.99997495 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881))))


def water_permittivity(temperature_c: npt.ArrayLike) -> FloatArray:
    """Return the relative permittivity of water at 1 bar (dimensionless).

    Notes
    -----
    Bradley and Pitzer 1979, J. Phys. Chem. 83, 1599 (coefficients from memory, the values agree with the
    package chempy 0.10.2 to 1e-6).
    """
    kelvin = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    at_1000_bar = 3.4279e2 * np.exp(-5.0866e-3 * kelvin + 9.4690e-7 * kelvin**2)
    c = -2.0525 + 3.1159e3 / (kelvin - 1.8289e2)
    b = -8.0325e3 + 4.2142e6 / kelvin + 2.1417 * kelvin
    return np.asarray(at_1000_bar + c * np.log((b + 1.0) / (b + 1000.0)))


def davies_a(temperature_c: npt.ArrayLike) -> FloatArray:
    """Return the Debye-Hückel slope A for decimal logarithms, (L/mol)**0.5.

    Notes
    -----
    A = 1.82483e6 ρ**0.5 / (ε T)**1.5; 0.5100 at 25 °C. Yao and Byrne 2001 use 0.5092 + 8.5e-4 (t - 25).

    Examples
    --------
    >>> float(davies_a(25.0).round(3))
    0.51
    """
    kelvin = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    numerator = 1.82483e6 * np.sqrt(water_density(temperature_c))
    return np.asarray(numerator / (water_permittivity(temperature_c) * kelvin) ** 1.5)
