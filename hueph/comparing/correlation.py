"""How strongly the errors of two readings go together, as learned on simulated scenes.

Print, light, correction and camera move two like liquids of one picture alike. Whether two readings
are such a pair shows in the readings themselves: in how near their medians, colours, dye loads and
uncertainties are. A small network turns that into a mixture of two normal copulas, one network for
two tubes of one picture, one for tubes of two pictures of one card, which also sees how alike the
card looks in both. `tests/accuracy/fit_pair_correlation.py` makes the table; DEVELOPERS.md says how
well it holds on photographs it has not seen.
"""

from __future__ import annotations

import functools
import importlib.resources
import json
from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.comparing.joint import INDEPENDENT, Tie
from hueph.comparing.likeness import PAIR_FEATURES, UNLIKE_PICTURES, Traits, pair_features
from hueph.errors import InputError
from hueph.results import Reading

__all__ = ["PairModel", "TieNetwork", "error_tie", "load_pair_model", "posterior_std"]

_TABLE = "pair_correlation.json"
# Features further out than this many standard deviations of the simulated ones count as if there.
_MOST_SCORE = 3.0
# Pictures more alike than this were hardly met while learning and count as this much apart.
_LEAST_KNOWN_DISTANCE = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class TieNetwork:
    """Works out a tie from the features of a pair.

    Attributes
    ----------
    mean, scale : array, shape (n,)
        Standardise the features.
    layers : tuple of (array, array)
        Weight (inputs, outputs) and bias of each layer; all but the last are followed by tanh. The
        outputs are two correlations before tanh, and the log odds of the first.
    """

    mean: FloatArray
    scale: FloatArray
    layers: tuple[tuple[FloatArray, FloatArray], ...]

    def tie(self, features: FloatArray) -> Tie:
        """Return the tie of a pair with these features, shape (n,)."""
        state = np.clip((features - self.mean) / self.scale, -_MOST_SCORE, _MOST_SCORE)
        for weight, bias in self.layers[:-1]:
            state = np.tanh(state @ weight + bias)
        weight, bias = self.layers[-1]
        first, second, odds = state @ weight + bias
        share = float(1.0 / (1.0 + np.exp(-odds)))
        return Tie((share, 1.0 - share), (float(np.tanh(first)), float(np.tanh(second))))


@dataclass(frozen=True, slots=True)
class PairModel:
    """Ties of two tubes in one picture, and of tubes in two pictures of the same card."""

    same_picture: TieNetwork
    other_picture: TieNetwork


@functools.cache
def load_pair_model() -> PairModel:
    """Return the shipped table.

    Raises
    ------
    InputError
        The table was made for other features.
    """
    text = importlib.resources.files("hueph.comparing").joinpath("data", _TABLE).read_text(encoding="utf-8")
    table = json.loads(text)
    if tuple(table["features"]) != PAIR_FEATURES:
        raise InputError("the table of how errors go together does not fit this version; reinstall hueph")
    networks = []
    for name in ("same_picture", "other_picture"):
        entry = table[name]
        layers = tuple((np.array(weight), np.array(bias)) for weight, bias in entry["layers"])
        networks.append(TieNetwork(np.array(entry["mean"]), np.array(entry["scale"]), layers))
    return PairModel(*networks)


def error_tie(
    before: Reading, after: Reading, *, same_picture: bool, same_card: bool, distance: float | None = None
) -> Tie:
    """Return how the errors of two readings go together.

    Parameters
    ----------
    before, after : Reading
        Both with a posterior.
    same_picture : bool
        Strip, light and camera are shared.
    same_card : bool
        Both were read against the same chart. Readings against different charts, that is with
        different indicators, are taken as independent.
    distance : float, optional
        How differently the chart looks in the two pictures (`chart_distance`); as different as can
        be when not known.

    Returns
    -------
    Tie
    """
    if not same_card:
        return INDEPENDENT
    model = load_pair_model()
    one, two = (Traits(reading.grid, reading.posterior, reading.lab) for reading in (before, after))
    if same_picture:
        return model.same_picture.tie(pair_features(one, two, 0.0))
    apart = UNLIKE_PICTURES if distance is None else max(distance, _LEAST_KNOWN_DISTANCE)
    return model.other_picture.tie(pair_features(one, two, apart))


def posterior_std(reading: Reading) -> float:
    """Return the standard deviation of a reading's posterior, at least 0.01."""
    return Traits(reading.grid, reading.posterior, reading.lab).std
