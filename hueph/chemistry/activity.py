"""Activity coefficients of ions from the ionic strength of the solution.

All return -log10 γ or γ for concentrations in mol/L; uncharged species are taken as γ = 1.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hueph._types import FloatArray

__all__ = [
    "DAVIES_LIMIT_MOLAR",
    "activity_davies1962",
    "davies_function",
    "davies_function_slope",
]

# The equation is trusted to about 0.5 mol/L; above that its linear term runs away (for a triply charged ion
# at 5 mol/L it is off by powers of ten), so the value at the limit is held and the result is cautioned.
DAVIES_LIMIT_MOLAR = 0.5

# Davies 1962; his paper of 1938 had 0.2.
_LINEAR_TERM = 0.3


def davies_function(ionic_strength: npt.ArrayLike) -> FloatArray:
    """Return √I/(1+√I) - 0.3 I, held constant above `DAVIES_LIMIT_MOLAR` (I in mol/L)."""
    capped = np.minimum(np.maximum(np.asarray(ionic_strength, dtype=np.float64), 0.0), DAVIES_LIMIT_MOLAR)
    root = np.sqrt(capped)
    return np.asarray(root / (1.0 + root) - _LINEAR_TERM * capped)


def davies_function_slope(ionic_strength: npt.ArrayLike) -> FloatArray:
    """Return the derivative of `davies_function` by I, L/mol (0 above the limit)."""
    strength = np.asarray(ionic_strength, dtype=np.float64)
    root = np.sqrt(np.maximum(strength, 1e-30))
    slope = 0.5 / (root * (1.0 + root) ** 2) - _LINEAR_TERM
    return np.asarray(np.where(strength > DAVIES_LIMIT_MOLAR, 0.0, slope))


def activity_davies1962(charge: int, ionic_strength: npt.ArrayLike, *, a: float = 0.51) -> FloatArray:
    """Return the activity coefficient of an ion by Davies' equation.

    Parameters
    ----------
    charge : int
    ionic_strength : float or array
        mol/L; held at 0.5 above that.
    a : float
        Debye-Hückel slope for decimal logarithms, see `hueph.chemistry.water.davies_a`.

    Notes
    -----
    -log10 γ = A z² (√I/(1+√I) - 0.3 I), C. W. Davies, Ion Association, 1962.

    Examples
    --------
    >>> float(activity_davies1962(1, 0.1, a=0.509).round(4))
    0.7816
    """
    return np.asarray(10.0 ** (-a * charge**2 * davies_function(ionic_strength)))
