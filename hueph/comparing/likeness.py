"""How much alike two tubes, and two pictures of one chart, look: what their errors have in common."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import lab_to_xyz
from hueph.colour.srgb import xyz_to_linear_rgb

__all__ = ["PAIR_FEATURES", "UNLIKE_PICTURES", "Traits", "chart_distance", "dye_load", "pair_features"]

PAIR_FEATURES = (
    "difference of medians",
    "mean log standard deviation",
    "log ratio of standard deviations",
    "mean log dye load",
    "log ratio of dye loads",
    "hue of dye",
    "CIEDE2000",
    "overlap of posteriors",
    "log distance of pictures",
)
"""What a tie is worked out from; all are the same when before and after change places."""

UNLIKE_PICTURES = 0.3
"""Distance of two pictures (`chart_distance`) that is as good as any larger one, or none known."""

# Light added before taking logarithms, as in the estimator: keeps dark channels finite.
_SOFT = 0.01
# Two shots by one phone are hardly ever closer than this.
_LEAST_DISTANCE = 0.003
_MOST_DIFFERENCE_PH = 4.0
_STEP_PH = 0.05
_CURVE_POINTS = 12


@dataclass(frozen=True, slots=True, eq=False)
class Traits:
    """What a reading says of itself.

    Attributes
    ----------
    grid, density : array, shape (m,)
        Posterior of pH.
    lab : tuple of float
        Corrected colour, CIELAB D65.
    """

    grid: FloatArray
    density: FloatArray
    lab: tuple[float, float, float]

    @property
    def absorbance(self) -> FloatArray:
        """Soft absorbance in red, green and blue, shape (3,)."""
        light = np.maximum(xyz_to_linear_rgb(lab_to_xyz(np.asarray(self.lab, dtype=np.float64))), 0.0)
        return np.asarray(-np.log10((light + _SOFT) / (1.0 + _SOFT)))

    @property
    def median(self) -> float:
        """Median of the posterior."""
        steps = 0.5 * (self.density[1:] + self.density[:-1]) * np.diff(self.grid)
        total = np.concatenate([[0.0], np.cumsum(steps)])
        return float(np.interp(0.5 * total[-1], total + np.linspace(0.0, 1e-12, len(total)), self.grid))

    @property
    def std(self) -> float:
        """Standard deviation of the posterior, at least 0.01."""
        weight = self.density / self.density.sum()
        mean = weight @ self.grid
        return max(float(np.sqrt(weight @ (self.grid - mean) ** 2)), 0.01)


def pair_features(first: Traits, second: Traits, distance: float) -> FloatArray:
    """Return what the tie between two readings is worked out from, in the order of `PAIR_FEATURES`.

    Parameters
    ----------
    first, second : Traits
    distance : float
        Of their pictures (`chart_distance`); 0 for one picture.

    Returns
    -------
    array, shape (9,)
    """
    one, two = first.absorbance, second.absorbance
    load_one, load_two = float(np.linalg.norm(one)) + 1e-3, float(np.linalg.norm(two)) + 1e-3
    cosine = float(one @ two) / (load_one * load_two)
    std_one, std_two = first.std, second.std
    apart = float(np.clip(distance, _LEAST_DISTANCE, UNLIKE_PICTURES))
    return np.array(
        [
            min(abs(first.median - second.median), _MOST_DIFFERENCE_PH),
            0.5 * math.log(std_one * std_two),
            abs(math.log(std_one / std_two)),
            0.5 * math.log(load_one * load_two),
            abs(math.log(load_one / load_two)),
            math.sqrt(max(0.0, 1.0 - cosine)),
            float(delta_e_cie2000(np.array(first.lab), np.array(second.lab))) / 20.0,
            _overlap(first, second),
            math.log10(apart),
        ]
    )


def _overlap(first: Traits, second: Traits) -> float:
    """Bhattacharyya coefficient of two posteriors: 1 for equal ones, 0 for ones that exclude each other."""
    low, high = min(first.grid[0], second.grid[0]), max(first.grid[-1], second.grid[-1])
    grid = np.arange(low, high, _STEP_PH)
    one, two = (np.interp(grid, own.grid, own.density, left=0.0, right=0.0) for own in (first, second))
    return float(np.sqrt(one * two).sum() / np.sqrt(one.sum() * two.sum() + 1e-12))


def dye_load(lab: tuple[float, float, float]) -> float:
    """Return the length of the absorbance vector of a colour: a measure of dye amount times bore.

    Parameters
    ----------
    lab : tuple of float
        CIELAB D65 of the liquid over its backing.
    """
    return float(np.linalg.norm(Traits(np.zeros(0), np.zeros(0), lab).absorbance)) + 1e-3


def chart_distance(
    first_ph: FloatArray, first_colours: FloatArray, second_ph: FloatArray, second_colours: FloatArray
) -> float:
    """Return how differently a chart looks in two pictures: rms absorbance between its curves.

    Parameters
    ----------
    first_ph, second_ph : array, shape (n,), (m,)
        pH of the patches seen, rising.
    first_colours, second_colours : array, shape (n, 3), (m, 3)
        Their colours over the card's paper, linear light.

    Returns
    -------
    float
        About 0.02 for one phone under one lamp, about 0.06 for another phone; `UNLIKE_PICTURES` where
        there is nothing to compare.
    """
    if len(first_ph) < 2 or len(second_ph) < 2:
        return UNLIKE_PICTURES
    low, high = max(first_ph[0], second_ph[0]), min(first_ph[-1], second_ph[-1])
    if high <= low:
        return UNLIKE_PICTURES
    where = np.linspace(low, high, _CURVE_POINTS)
    curves = []
    for ph, colours in ((first_ph, first_colours), (second_ph, second_colours)):
        depth = -np.log10((np.maximum(colours, 0.0) + _SOFT) / (1.0 + _SOFT))
        curves.append(np.stack([np.interp(where, ph, depth[:, channel]) for channel in range(3)], axis=1))
    return float(np.sqrt(((curves[0] - curves[1]) ** 2).mean()))
