"""Two pH readings whose errors go together, and what that says about the change between them.

Each reading comes with a posterior of its own. The errors of two readings are alike when the readings
share card, light and camera and when the two liquids have nearly the same colour: the same mismatch
between ink and dye then moves both. So the error of each reading is expressed as a normal score, and
two scores are tied by a mixture of normal copulas: part of the pairs make much the same error, the
others hardly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from hueph._types import BoolArray, FloatArray
from hueph.errors import InputError

__all__ = ["INDEPENDENT", "JointPh", "Tie", "joint_ph", "normal_score"]

# Nodes per axis, evenly spaced in normal score: 0.05 standard deviations apart, out to 4.
_SCORES: FloatArray = np.linspace(-4.0, 4.0, 161)
# No two readings are tied so closely that one tells the other exactly.
_MOST_CORRELATION = 0.98
_FAR_PH = 1000.0

Density = tuple[FloatArray, FloatArray]


@dataclass(frozen=True, slots=True)
class Tie:
    """How two normal scores go together: a mixture of bivariate normal laws.

    Attributes
    ----------
    shares, correlations : tuple of float
        Probability and correlation of each law; the probabilities add up to 1.
    """

    shares: tuple[float, ...]
    correlations: tuple[float, ...]

    @property
    def correlation(self) -> float:
        """Correlation of the whole mixture."""
        return sum(share * r for share, r in zip(self.shares, self.correlations, strict=True))


INDEPENDENT = Tie((1.0,), (0.0,))
"""Two readings that have nothing in common."""


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


def joint_ph(before: Density, after: Density, tie: Tie) -> JointPh:
    """Combine two posteriors whose errors go together.

    Parameters
    ----------
    before, after : (grid, density)
        Rising pH grid and probability density on it, each of shape (n,); need not be normalised.
    tie : Tie
        Correlations are limited to 0.98 in size.

    Returns
    -------
    JointPh
        Each posterior on its own is left as it is, whatever the tie.

    Raises
    ------
    InputError
        A grid that does not rise, or a density that is negative or nowhere positive.

    Notes
    -----
    For pH values x and y with normal scores z and w under their posteriors p and q, the joint
    posterior is p(x) q(y) times the sum over the laws of share times N(z, w; r) / (N(z) N(w)): a
    mixture of Gaussian copulas.
    """
    first = _at_scores(*before)
    second = _at_scores(*after)
    x, y = np.meshgrid(first, second, indexing="ij")
    z, w = np.meshgrid(_SCORES, _SCORES, indexing="ij")
    weight = np.zeros(x.shape)
    for share, correlation in zip(tie.shares, tie.correlations, strict=True):
        r = float(np.clip(correlation, -_MOST_CORRELATION, _MOST_CORRELATION))
        rest = 1.0 - r**2
        law = np.exp(-0.5 * (z**2 - 2.0 * r * z * w + w**2) / rest)
        weight += share * law / law.sum()
    return JointPh(x.ravel(), y.ravel(), np.asarray(weight.ravel() / weight.sum()))


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
