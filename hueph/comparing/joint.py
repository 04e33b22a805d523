"""Two pH readings whose errors go together, and what that says about the change between them.

Each reading comes with a posterior of its own. The errors of two readings are alike when the readings
share card, light and camera and when the two liquids have nearly the same colour: the same mismatch
between ink and dye then moves both. So the error of each reading is expressed as a normal score, and
two scores are jointly normal with a correlation that depends on how far apart the two pH values are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from hueph._types import BoolArray, FloatArray
from hueph.errors import InputError

__all__ = ["JointPh", "joint_ph", "normal_score"]

# Nodes per axis, evenly spaced in normal score: 0.05 standard deviations apart, out to 4.
_SCORES: FloatArray = np.linspace(-4.0, 4.0, 161)
# No two readings are tied so closely that one tells the other exactly.
_MOST_CORRELATION = 0.98
_FAR_PH = 1000.0

Density = tuple[FloatArray, FloatArray]


@dataclass(frozen=True, slots=True, eq=False)
class JointPh:
    """Pairs of pH before and after with their probabilities.

    Attributes
    ----------
    before, after, weight : array, shape (m,)
        pH, pH and probability of each pair; the probabilities add up to 1.
    """

    before: FloatArray
    after: FloatArray
    weight: FloatArray

    @property
    def change(self) -> FloatArray:
        """PH after minus before, shape (m,)."""
        return np.asarray(self.after - self.before)

    def probability(self, holds: BoolArray) -> float:
        """Return the probability of the pairs for which `holds` (array of bool, shape (m,)) is true."""
        return float(self.weight @ holds)

    def quantile(self, values: FloatArray, share: float) -> float:
        """Return the value below which `share` of the probability lies; `values` has shape (m,).

        Infinite values are taken as -1000 and 1000, far beyond any pH.
        """
        values = np.clip(values, -_FAR_PH, _FAR_PH)
        order = np.argsort(values, kind="stable")
        total = np.cumsum(self.weight[order])
        # Each pair's probability is taken as spread evenly up to and after its place.
        return float(np.interp(share, total - 0.5 * self.weight[order], values[order]))


def joint_ph(
    before: Density, after: Density, correlation: Callable[[FloatArray], FloatArray] | float
) -> JointPh:
    """Combine two posteriors whose errors are correlated.

    Parameters
    ----------
    before, after : (grid, density)
        Rising pH grid and probability density on it, each of shape (n,); need not be normalised.
    correlation : function or float
        Correlation of the two normal scores for an assumed change of pH (array in, array out); a
        number stands for all changes. Limited to 0.98 in size.

    Returns
    -------
    JointPh

    Raises
    ------
    InputError
        A grid that does not rise, or a density that is negative or nowhere positive.

    Notes
    -----
    For pH values x and y with normal scores z and w under their posteriors p and q, the joint
    posterior is p(x) q(y) N(z, w; r) / (N(z) N(w)) with r = r(y - x): the likelihood of making
    these two errors together. With r constant this is a Gaussian copula and leaves both posteriors
    as they are; with r falling for larger changes, two readings that agree speak for a small change
    a little more than either posterior alone.
    """
    first = _at_scores(*before)
    second = _at_scores(*after)
    x, y = np.meshgrid(first, second, indexing="ij")
    z, w = np.meshgrid(_SCORES, _SCORES, indexing="ij")
    tied = correlation(y - x) if callable(correlation) else np.full(x.shape, float(correlation))
    r = np.clip(tied, -_MOST_CORRELATION, _MOST_CORRELATION)
    rest = 1.0 - r**2
    log_weight = -0.5 * np.log(rest) - 0.5 * (z**2 - 2.0 * r * z * w + w**2) / rest
    weight = np.exp(log_weight - log_weight.max()).ravel()
    return JointPh(x.ravel(), y.ravel(), np.asarray(weight / weight.sum()))


def normal_score(grid: FloatArray, density: FloatArray, ph: float) -> float:
    """Return the standard normal score of `ph` under a posterior, within -5 to 5."""
    share = float(np.interp(ph, grid, _cumulative(grid, density)))
    return float(ndtri(np.clip(share, 3e-7, 1.0 - 3e-7)))


def _at_scores(grid: FloatArray, density: FloatArray) -> FloatArray:
    """PH at the nodes of normal score."""
    return np.asarray(np.interp(ndtr(_SCORES), _cumulative(grid, density), grid))


def _cumulative(grid: FloatArray, density: FloatArray) -> FloatArray:
    """Return the cumulated probability at every grid point, strictly rising from 0 to 1."""
    if grid.ndim != 1 or grid.shape != density.shape or len(grid) < 2 or not (np.diff(grid) > 0).all():
        raise InputError("a posterior needs a rising pH grid and a density of the same length")
    if not (np.isfinite(density).all() and density.min() >= 0.0 and density.max() > 0.0):
        raise InputError("a posterior's density must be finite, not negative, and positive somewhere")
    areas = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(grid))])
    total = areas / areas[-1]
    return np.asarray(total + np.linspace(0.0, 1e-12, len(total)))
