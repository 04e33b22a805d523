"""The shape-preserving curve through the patches of a chart."""

from __future__ import annotations

import numpy as np

from hueph._types import FloatArray

__all__ = ["shape_preserving_curve"]


def shape_preserving_curve(ph: FloatArray, values: FloatArray, at: FloatArray) -> FloatArray:
    """Interpolate between patches without over-shooting, held constant beyond the ends.

    Parameters
    ----------
    ph : array, shape (n,)
        Rising, at least two.
    values : array, shape (n, k)
        Any quantities at those pH.
    at : array, shape (m,)
        Where the curve is wanted.

    Returns
    -------
    array, shape (m, k)

    Notes
    -----
    Piecewise cubic Hermite interpolation, slopes as weighted harmonic means [1]_, at the ends by the
    three-point formula. Written out because the general library for it takes longer to import than
    one photograph takes to read; a test compares the two.

    References
    ----------
    .. [1] F.N. Fritsch, J. Butland, "A method for constructing local monotone piecewise cubic
       interpolants", SIAM J. Sci. Stat. Comput. 5(2), 300-304, 1984, doi:10.1137/0905021 (memory).
    """
    step = np.diff(ph)[:, None]
    rise = np.diff(values, axis=0) / step
    slopes = np.broadcast_to(rise[:1], values.shape) if len(rise) == 1 else _slopes(step, rise)
    where = np.clip(at, ph[0], ph[-1])
    left = np.clip(np.searchsorted(ph, where, side="right") - 1, 0, len(ph) - 2)
    width = step[left]
    t = (where - ph[left])[:, None] / width
    # Hermite's basis, grouped by value and slope at both ends.
    s = 1.0 - t
    curve: FloatArray = s * s * ((1.0 + 2.0 * t) * values[left] + t * width * slopes[left]) + t * t * (
        (3.0 - 2.0 * t) * values[left + 1] - s * width * slopes[left + 1]
    )
    return curve


def _slopes(step: FloatArray, rise: FloatArray) -> FloatArray:
    """Slopes at the points of three or more: zero where the values turn."""
    before, after = rise[:-1], rise[1:]
    monotone = before * after > 0.0
    first, second = 2.0 * step[1:] + step[:-1], step[1:] + 2.0 * step[:-1]
    harmonic = (first + second) / (
        first / np.where(monotone, before, 1.0) + second / np.where(monotone, after, 1.0)
    )
    slopes = np.zeros((len(step) + 1, rise.shape[1]))
    slopes[1:-1] = np.where(monotone, harmonic, 0.0)
    for end, near, far in ((0, 0, 1), (-1, -1, -2)):
        width, next_width = step[near], step[far]
        slope = ((2.0 * width + next_width) * rise[near] - width * rise[far]) / (width + next_width)
        slope = np.where(slope * rise[near] > 0.0, slope, 0.0)
        too_steep = (rise[near] * rise[far] <= 0.0) & (np.abs(slope) > 3.0 * np.abs(rise[near]))
        slopes[end] = np.where(too_steep, 3.0 * rise[near], slope)
    return slopes
