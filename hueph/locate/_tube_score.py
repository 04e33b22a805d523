"""How likely a proposed column is a vessel with liquid: a small network over its features."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources

import numpy as np

from hueph._types import FloatArray

__all__ = ["network_odds", "score_columns"]

# Log odds are cut here: beyond, the network only repeats what it has seen.
SUREST = 8.0


@lru_cache(maxsize=1)
def _weights() -> dict[str, FloatArray]:
    """Read the weights; tests/accuracy/fit_tubes.py makes them."""
    with resources.files("hueph.locate").joinpath("_tube_score.npz").open("rb") as stream:
        stored = np.load(stream)
        return {name: stored[name].astype(np.float64) for name in stored.files}


def score_columns(features: FloatArray) -> FloatArray:
    """Return the log odds that each column is a vessel with liquid.

    The mean over a few networks of one hidden layer, each started elsewhere.

    Parameters
    ----------
    features : array, shape (m, f)
        As made by `hueph.locate._tube_features.describe`.
    """
    return network_odds(_weights(), features)


def network_odds(weights: dict[str, FloatArray], features: FloatArray) -> FloatArray:
    """Return the mean log odds of networks given by their weights."""
    features = features[:, : len(weights["mean"])]
    level = np.clip((features - weights["mean"]) / weights["scale"], -5.0, 5.0)
    hidden = np.einsum("mf,nfh->nmh", level, weights["first"], optimize=True)
    hidden = np.maximum(hidden + weights["first_bias"][:, None], 0.0)
    odds = np.einsum("nmh,nh->nm", hidden, weights["second"]) + weights["second_bias"][:, None]
    mean: FloatArray = np.clip(odds, -SUREST, SUREST).mean(axis=0)
    return mean
