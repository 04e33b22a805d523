"""Posteriors as records hold them: start, step and values with few digits."""

from __future__ import annotations

from typing import Any

import numpy as np

from hueph._types import FloatArray

__all__ = ["pack_posterior", "unpack_posterior"]

# Density below this share of its peak is not worth keeping.
_LEAST_DENSITY = 1e-4
_DENSITY_DIGITS = 4


def pack_posterior(grid: FloatArray, density: FloatArray) -> dict[str, Any] | None:
    """Return a density on an even grid as start, step and values; its empty tails are left out.

    Parameters
    ----------
    grid, density : array, shape (m,)
        pH, rising by even steps, and probability density.

    Returns
    -------
    dict or None
        "low" (pH of the first value), "step" (pH), "density" (4 significant digits of the peak).
        None when there is no density.
    """
    if len(grid) < 2:
        return None
    peak = float(density.max())
    inside = np.flatnonzero(density > _LEAST_DENSITY * peak)
    first, last = int(inside[0]), int(inside[-1])
    digits = _DENSITY_DIGITS - 1 - int(np.floor(np.log10(peak)))
    return {
        "low": round(float(grid[first]), 4),
        "step": round(float(grid[-1] - grid[0]) / (len(grid) - 1), 6),
        "density": [round(float(value), digits) for value in density[first : last + 1]],
    }


def unpack_posterior(packed: dict[str, Any] | None) -> tuple[tuple[float, float], ...]:
    """Return the points of a packed density, pH and probability density; none without one.

    Parameters
    ----------
    packed : dict or None
        As `pack_posterior` gives it.
    """
    if not packed:
        return ()
    low, step = float(packed["low"]), float(packed["step"])
    return tuple((low + number * step, float(value)) for number, value in enumerate(packed["density"]))
