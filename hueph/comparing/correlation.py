"""How strongly the errors of two readings go together, as learned on simulated scenes.

The table is made by ``tests/accuracy/fit_pair_correlation.py``; DEVELOPERS.md says how well it holds
on photographs it has not seen.
"""

from __future__ import annotations

import functools
import importlib.resources
import json
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.colour.lab import lab_to_xyz
from hueph.colour.srgb import xyz_to_linear_rgb
from hueph.results import Reading

__all__ = ["PairModel", "Tie", "dye_load", "error_correlation", "load_pair_model", "posterior_std"]

_TABLE = "pair_correlation.json"
# Light added before taking logarithms, as in the estimator: keeps dark channels finite.
_SOFT = 0.01


@dataclass(frozen=True, slots=True)
class Tie:
    """Correlation of the errors of two readings: how it starts and what loosens it.

    Attributes
    ----------
    at_best : float
        For equal pH, equal dye load and equal uncertainty.
    reach_ph : float
        Change of pH at which it has fallen to 1/e.
    by_load, by_width : float
        How fast it falls with the logarithm of the ratio of dye loads, and of the ratio of standard
        deviations: readings that are unlike in either do not make the same error.
    """

    at_best: float
    reach_ph: float
    by_load: float
    by_width: float

    def correlation(self, change: FloatArray, load_ratio: float, width_ratio: float) -> FloatArray:
        """Return the correlation for assumed changes of pH (any shape) and two ratios above 0."""
        loosened = self.by_load * abs(np.log(load_ratio)) + self.by_width * abs(np.log(width_ratio))
        return np.asarray(self.at_best * np.exp(-((np.asarray(change) / self.reach_ph) ** 2) - loosened))


@dataclass(frozen=True, slots=True)
class PairModel:
    """Ties of two tubes in one picture, and of tubes in two pictures of the same card."""

    same_picture: Tie
    other_picture: Tie


@functools.cache
def load_pair_model() -> PairModel:
    """Return the shipped table."""
    text = importlib.resources.files("hueph.comparing").joinpath("data", _TABLE).read_text(encoding="utf-8")
    table = json.loads(text)
    return PairModel(Tie(**table["same_picture"]), Tie(**table["other_picture"]))


def error_correlation(
    before: Reading, after: Reading, *, same_picture: bool, same_card: bool
) -> Callable[[FloatArray], FloatArray]:
    """Return the correlation of the errors of two readings as a function of the change of pH.

    Parameters
    ----------
    before, after : Reading
        Both with a posterior.
    same_picture : bool
        Strip, light and camera are shared.
    same_card : bool
        Both were read against the same chart. Readings against different charts, that is with
        different indicators, are taken as independent.

    Returns
    -------
    function
        Change of pH (array) to correlation (array of that shape).
    """
    if not same_card:
        return lambda change: np.zeros(np.shape(change))
    model = load_pair_model()
    tie = model.same_picture if same_picture else model.other_picture
    load_ratio = dye_load(before.lab) / dye_load(after.lab)
    width_ratio = posterior_std(before) / posterior_std(after)
    return lambda change: tie.correlation(change, load_ratio, width_ratio)


def dye_load(lab: tuple[float, float, float]) -> float:
    """Return the length of the absorbance vector of a colour: a measure of dye amount times bore.

    Parameters
    ----------
    lab : tuple of float
        CIELAB D65 of the liquid over its backing.
    """
    light = np.maximum(xyz_to_linear_rgb(lab_to_xyz(np.asarray(lab, dtype=np.float64))), 0.0)
    return float(np.linalg.norm(np.log10((light + _SOFT) / (1.0 + _SOFT)))) + 1e-3


def posterior_std(reading: Reading) -> float:
    """Return the standard deviation of a reading's posterior, at least 0.01."""
    weight = reading.posterior / reading.posterior.sum()
    mean = weight @ reading.grid
    return max(float(np.sqrt(weight @ (reading.grid - mean) ** 2)), 0.01)
