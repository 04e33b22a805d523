"""Simple kriging of the errors that readings of known tubes made, in normal scores.

The errors are a Gaussian process over the pH read and the dye load, with one part that belongs to card and
indicator, one that fades as the chart looks different in the two pictures, and one of the picture itself. How
strong each part is was fitted on simulated workshops (`tests/accuracy/fit_standards.py`); only how far a workshop is
off altogether, its amplitude, is learned from its own standards. What a score is says `hueph.calibration`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from hueph._known_tubes import ALIKE
from hueph._types import FloatArray, IntArray

__all__ = ["Kernel", "Kriging", "Place"]

# How far this workshop may be off compared with others, tried in turn, and how sure that is beforehand
# (k = 1 of its logarithm).
_AMPLITUDES = (0.6, 1.0, 1.5, 2.2, 3.0)
_AMPLITUDE_STD = 0.5
# However many standards agree, each tube keeps optics of its own.
_LEAST_VARIANCE = 0.05

# Where a tube stands among others: pH read by the chart alone, and dye load.
Place: TypeAlias = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Kernel:
    """How the errors of two readings hang together, in normal scores.

    Attributes
    ----------
    card, setup, picture, own : float
        Standard deviation of what is common to all pictures of one card and indicator, to pictures
        that look alike, to one picture, and of what each tube has for itself.
    alike : float
        Distance of two pictures (`picture_distance`) over which likeness falls off.
    ph, load : float
        Distance in pH read and in the logarithm of the dye load over which errors lose touch.

    Notes
    -----
    The fit on simulated worlds gives `card` 0.56 and `setup` 0.65. Errors of path-traced photographs by
    different cameras have less in common than that; in workshops the shift between the two changes
    nothing.
    """

    card: float = 0.48
    setup: float = 0.66
    picture: float = 0.19
    own: float = 0.53
    alike: float = ALIKE
    ph: float = 0.73
    load: float = 1.16

    @property
    def variance(self) -> float:
        """Variance of one tube's score."""
        return self.card**2 + self.setup**2 + self.picture**2 + self.own**2

    def shared(self, alike: float, same: bool, one: Place, other: Place) -> float:
        """Return the covariance of two tubes' errors apart from what each has for itself, amplitude 1.

        Parameters
        ----------
        alike : float
            Likeness of their pictures, 0 to 1.
        same : bool
            Whether they stand in one picture.
        one, other : (float, float)
            Their places.
        """
        strength = self.card**2 + self.setup**2 * alike + (self.picture**2 if same else 0.0)
        apart = ((one[0] - other[0]) / self.ph) ** 2 + ((one[1] - other[1]) / self.load) ** 2
        return strength * math.exp(-0.5 * apart)


class Kriging:
    """The errors of standards, and what they tell about that of another tube.

    Parameters
    ----------
    kernel : Kernel
    scores, label_var : array, shape (n,)
        Error of each standard, and the variance that its label adds.
    places : sequence of (float, float)
        Where each stands.
    pictures : sequence of int
        Which picture each stands in.
    alike : array, shape (m, m)
        Likeness of these pictures, 0 to 1.
    amplitude : float, optional
        How far this workshop is off compared with the simulated ones (1). Default: the most plausible.

    Notes
    -----
    The known mean is 0 [1]_.

    References
    ----------
    .. [1] N. Cressie, "Statistics for Spatial Data", Wiley 1993, chapter 3 (from memory).
    """

    def __init__(
        self,
        kernel: Kernel,
        scores: FloatArray,
        label_var: FloatArray,
        places: Sequence[Place],
        pictures: Sequence[int],
        alike: FloatArray,
        amplitude: float | None = None,
    ) -> None:
        self.kernel = kernel
        self.scores = scores
        self.places = places
        # What each standard has for itself: its own optics, and its label.
        self._own = kernel.own**2 + label_var
        possible = _made_possible(alike)
        self._common = np.array(
            [
                [
                    kernel.shared(float(possible[a, b]), a == b, here, there)
                    for b, there in zip(pictures, places, strict=True)
                ]
                for a, here in zip(pictures, places, strict=True)
            ]
        )
        if amplitude is None:
            plausible = [self._plausibility(tried) for tried in _AMPLITUDES]
            amplitude = _AMPLITUDES[int(np.argmax(plausible))]
        self.amplitude = amplitude

    @property
    def whole(self) -> float:
        """Variance of a score when no standard is near."""
        k = self.kernel
        return self.amplitude**2 * (k.variance - k.own**2) + k.own**2

    def cross(self, place: Place, alike: Sequence[float], same: Sequence[bool]) -> FloatArray:
        """Return the covariance of a tube with every standard.

        Parameters
        ----------
        place : (float, float)
        alike : sequence of float
            Likeness of its picture to that of each standard.
        same : sequence of bool
            Whether it stands in the picture of each.
        """
        shared = [
            self.kernel.shared(likeness, is_same, place, there)
            for likeness, is_same, there in zip(alike, same, self.places, strict=True)
        ]
        return self.amplitude**2 * np.array(shared)

    def cross_of(self, index: int) -> FloatArray:
        """Return the covariance of a standard with every standard, without what it has for itself."""
        return np.asarray(self.amplitude**2 * self._common[index])

    def predict(self, cross: FloatArray, others: IntArray) -> tuple[float, float, float]:
        """Return mean and variance of a score from some standards, and what of its std is their own.

        Parameters
        ----------
        cross : array, shape (n,)
            From `cross` or `cross_of`.
        others : array of int
            The standards that may be used.
        """
        whole = self.whole
        if not len(others):
            return 0.0, whole, 0.0
        own = self._own[others]
        known = self.amplitude**2 * self._common[np.ix_(others, others)] + np.diag(own)
        weights = np.linalg.solve(known, cross[others])
        explained = float(weights @ cross[others])
        mean, variance = float(weights @ self.scores[others]), max(whole - explained, _LEAST_VARIANCE)
        return mean, variance, math.sqrt(float(weights**2 @ own))

    def _plausibility(self, amplitude: float) -> float:
        """Log of how likely the standards' errors are at an amplitude, with its prior."""
        known = amplitude**2 * self._common + np.diag(self._own)
        root = np.linalg.cholesky(known)
        scaled = np.linalg.solve(root, self.scores)
        prior = -0.5 * (math.log(amplitude) / _AMPLITUDE_STD) ** 2
        return float(-0.5 * scaled @ scaled - np.log(np.diag(root)).sum() + prior)


def _made_possible(alike: FloatArray) -> FloatArray:
    """Return the nearest matrix that can be a covariance.

    Pictures in which different patches are hidden are compared over different stretches of pH, so the
    distances of three of them need not fit together.
    """
    values, axes = np.linalg.eigh(alike)
    return np.asarray((axes * np.maximum(values, 0.0)) @ axes.T)
