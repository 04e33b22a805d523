"""Posteriors looked at through normal scores, and pooled.

The truth is spread evenly over the shares of its posterior, whatever the indicator; carried over to a standard
normal distribution that is a normal score, 0 at the median and 1 at the 84 % quantile.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hueph._types import FloatArray
from hueph.estimating.posterior import Posterior

__all__ = ["LEAST_DENSITY", "conditioned", "label_score", "log_pool", "weighted"]

LEAST_DENSITY = 1e-9
"""Keeps logarithms of a density finite."""

# A label further out than this share of the posterior counts as if it lay there.
_TAIL = 3e-4
# Beyond this the cumulative of a floored density is rounding.
_SCORE_TAIL = 1e-6
_LEAST_LABEL_STEP = 0.01


def conditioned(seen: Posterior, mean: float, variance: float) -> Posterior:
    """Return a posterior whose normal scores are no longer standard but of this mean and variance.

    Parameters
    ----------
    seen : Posterior
    mean, variance : float
        Of the score of the truth, as something else than `seen` predicts it.

    Returns
    -------
    Posterior
    """
    from scipy.special import ndtri

    step = np.diff(seen.grid)
    areas = np.concatenate([[0.0], np.cumsum(0.5 * (seen.density[1:] + seen.density[:-1]) * step)])
    scores = ndtri(np.clip(areas / areas[-1], _SCORE_TAIL, 1.0 - _SCORE_TAIL))
    log_ratio = -0.5 * (scores - mean) ** 2 / variance + 0.5 * scores**2
    return _with_density(seen, seen.density * np.exp(log_ratio - log_ratio.max()))


def label_score(ph: float, ph_std: float, seen: Posterior) -> tuple[float, float]:
    """Normal score of a label in a posterior, and its standard uncertainty from the label's own."""
    from scipy.special import ndtri

    def score(at: float) -> float:
        return float(ndtri(np.clip(seen.below(at), _TAIL, 1.0 - _TAIL)))

    step = max(ph_std, _LEAST_LABEL_STEP)
    slope = (score(ph + step) - score(ph - step)) / (2.0 * step)
    return score(ph), slope * ph_std


def log_pool(one: Posterior, other: Posterior, share: float) -> Posterior:
    """Logarithmic pool of two posteriors on one grid; `share` is the weight of the first."""
    logs = share * np.log(one.density + LEAST_DENSITY) + (1.0 - share) * np.log(other.density + LEAST_DENSITY)
    return _with_density(one, np.exp(logs - logs.max()))


def weighted(seen: Posterior, grid: FloatArray, logs: FloatArray | float) -> Posterior:
    """Return a posterior times the exponential of something known on a coarser grid (m,)."""
    if np.ndim(logs) == 0:
        return seen
    known = np.log(seen.density + LEAST_DENSITY) + np.interp(seen.grid, grid, logs)
    return _with_density(seen, np.exp(known - known.max()))


def _with_density(like: Posterior, density: FloatArray) -> Posterior:
    """Return a posterior with a density that need not be normalised."""
    step = np.diff(like.grid)
    area = float(np.sum(0.5 * (density[1:] + density[:-1]) * step))
    return replace(like, density=density / area)
