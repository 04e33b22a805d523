"""How likely a proposed column is a vessel with liquid: small networks over its features.

The first ones have seen all that is proposed in pictures. A second look at what they find likely is that of
networks which have also seen much that passes for a liquid beside a strip: pens, bottles with labels, bars of a
diagram, rulers, fingers. It only ever makes a column less likely.
"""

from __future__ import annotations

from functools import lru_cache
from importlib import resources

import numpy as np

from hueph._types import FloatArray

__all__ = ["LIKELY", "first_odds", "network_odds", "score_columns", "second_look"]

# Log odds are cut here: beyond, the network only repeats what it has seen.
SUREST = 8.0
# Log odds from which a column gets the second look, and those of it from which nothing is taken away: it has
# to doubt more than that.
LIKELY, UNDOUBTED = -3.0, -1.0


@lru_cache(maxsize=2)
def _weights(name: str) -> dict[str, FloatArray]:
    """Read weights; tests/accuracy/fit_tubes.py and fit_things.py make them."""
    with resources.files("hueph.locate").joinpath(name).open("rb") as stream:
        stored = np.load(stream)
        return {array: stored[array].astype(np.float64) for array in stored.files}


def score_columns(features: FloatArray) -> FloatArray:
    """Return the log odds that each column is a vessel with liquid.

    Parameters
    ----------
    features : array, shape (m, f)
        As made by `hueph.locate._tube_features.describe`.
    """
    return second_look(_weights("_tube_doubts.npz"), features, first_odds(features))


def first_odds(features: FloatArray) -> FloatArray:
    """Return the log odds (m,) before the second look."""
    return network_odds(_weights("_tube_score.npz"), features)


def second_look(weights: dict[str, FloatArray], features: FloatArray, odds: FloatArray) -> FloatArray:
    """Return log odds (m,) less what networks given by their weights hold against the likely columns."""
    likely = odds > LIKELY
    doubted = network_odds(weights, np.column_stack([features[likely], odds[likely]]))
    seen: FloatArray = odds.copy()
    seen[likely] += np.minimum(doubted - UNDOUBTED, 0.0)
    return seen


def network_odds(weights: dict[str, FloatArray], features: FloatArray) -> FloatArray:
    """Return the mean log odds of networks of one hidden layer given by their weights, each started elsewhere."""
    features = features[:, : len(weights["mean"])]
    level = np.clip((features - weights["mean"]) / weights["scale"], -5.0, 5.0)
    hidden = np.einsum("mf,nfh->nmh", level, weights["first"], optimize=True)
    hidden = np.maximum(hidden + weights["first_bias"][:, None], 0.0)
    odds = np.einsum("nmh,nh->nm", hidden, weights["second"]) + weights["second_bias"][:, None]
    mean: FloatArray = np.clip(odds, -SUREST, SUREST).mean(axis=0)
    return mean
