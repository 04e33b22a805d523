"""The tubes of a picture read together, run with numpy alone.

Card, print, lamp and camera are the same for all tubes of a picture, and so is most of what makes a liquid look unlike
its patch. What one tube shows of that bears on the others, although nobody knows its pH: off the card's curve in a direction
that neither pH nor dye explains, it tells of the card. Each tube therefore says, at every candidate pH and as far as it may
hold that pH, what it looks like; the others hear the mean of it, from near their own candidate and from everywhere; and a
small network corrects the densities of `hueph.estimating.network` by that. Its weights were learned on simulated
photographs, never on the pictures it is judged on; `tests/accuracy/train_together.py` makes the file.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from hueph._types import Float32Array, FloatArray
from hueph.errors import InputError
from hueph.estimating.features import FEATURE_COUNT
from hueph.estimating.network import gelu, hidden_state, layer, read_networks
from hueph.estimating.refining import FARTHEST

__all__ = [
    "LITTLE",
    "LOG_UNIT",
    "MOST_ODDS",
    "NEAR",
    "NOTHING",
    "ODDS_UNIT",
    "Listener",
    "load_listener",
]

_WEIGHTS_FILE = "listener.npz"
NEAR = (1.5, 5.0, 15.0)
"""Reaches over which others are heard, grid steps; and from everywhere."""
LOG_UNIT = 5.0
"""Log densities are divided by this."""
MOST_ODDS, ODDS_UNIT = 5.0, 3.0
"""Log odds of holding an indicator at all are held to the first and divided by the second."""
LITTLE, NOTHING = 0.05, 0.02
"""How much of others has to be near to count: below the first their mean goes to 0, and its logarithm to the second's."""


@dataclass(frozen=True, slots=True, eq=False)
class Listener:
    """The trained network.

    Attributes
    ----------
    weights : dict of array
        As in `hueph.estimating.refining.Refiner`; "plain", "told0" and "told1" make what a tube tells.
    gaps : tuple of int
        Dilation of each convolution, grid steps.
    """

    weights: dict[str, Float32Array]
    gaps: tuple[int, ...]

    def densities(self, features: Float32Array, alone: FloatArray, valid: FloatArray) -> FloatArray:
        """Return the densities of the tubes of a picture, each with what the others tell.

        Parameters
        ----------
        features : array, shape (t, m, FEATURE_COUNT)
            From `hueph.estimating.features.features_of_tubes`.
        alone : array, shape (t, m)
            Density of every candidate by the scorers, sum 1.
        valid : array, shape (t,)
            Log odds that a liquid holds the chart's indicator at all: others hear it as far as it does.

        Returns
        -------
        array, shape (t, m)
            Sum 1.

        Raises
        ------
        InputError
            Wrong number of features.
        """
        if features.ndim != 3 or features.shape[-1] != FEATURE_COUNT:
            raise InputError(f"features must have shape (t, m, {FEATURE_COUNT}), got {features.shape}")
        w, log = self.weights, np.log(alone + 1e-9)
        seen = np.empty((*alone.shape, FEATURE_COUNT + 1), dtype=np.float32)
        np.subtract(features, w["mean"], out=seen[..., :-1])
        seen[..., :-1] /= w["scale"]
        np.clip(seen[..., :-1], -FARTHEST, FARTHEST, out=seen[..., :-1])
        seen[..., -1] = log / LOG_UNIT
        odds = np.empty((*alone.shape, 1), dtype=np.float32)
        odds[:] = np.clip(valid, -MOST_ODDS, MOST_ODDS)[:, None, None] / ODDS_UNIT
        heard = _heard(self._told(seen), alone / (1.0 + np.exp(-valid))[:, None])
        known = np.concatenate([seen, odds, *heard], axis=-1)
        logits = (
            layer(hidden_state(known, w, self.gaps), w, "out").astype(np.float64) + float(w["base"]) * log
        )
        density = np.exp(logits - logits.max(axis=-1, keepdims=True))
        return np.asarray(density / density.sum(axis=-1, keepdims=True))

    def _told(self, seen: Float32Array) -> Float32Array:
        """What each tube tells at every candidate, (t, m, k), the last one 1."""
        w = self.weights
        told = [layer(seen, w, "plain"), layer(gelu(layer(seen, w, "told0")), w, "told1")]
        return np.concatenate([*told, np.ones((*seen.shape[:2], 1), np.float32)], axis=-1)


def _heard(told: Float32Array, share: FloatArray) -> list[Float32Array]:
    """What the others tell each tube, over every reach: means, and the logarithm of how much there is of it."""
    weighted = told * share[..., None].astype(np.float32)
    said = [reach @ weighted for reach in _kernels(told.shape[1])]
    said.append(np.broadcast_to(weighted.sum(axis=1, keepdims=True), weighted.shape))
    heard = []
    for one in said:
        others = one.sum(axis=0) - one
        amount = np.maximum(others[..., -1:], 0.0)
        others[..., :-1] /= amount + np.float32(LITTLE)
        others[..., -1:] = np.log(amount + np.float32(NOTHING)) / 2.0
        heard.append(others)
    return heard


@functools.lru_cache(maxsize=4)
def _kernels(length: int) -> tuple[Float32Array, ...]:
    """How much each candidate hears of what is told of each other, for every reach, (length, length)."""
    steps = np.arange(length, dtype=np.float32)
    apart = np.square(steps[:, None] - steps)
    return tuple(np.exp(-0.5 * apart / reach**2).astype(np.float32) for reach in NEAR)


@functools.cache
def load_listener() -> Listener:
    """Load the shipped network, once."""
    (weights,), gaps = read_networks(_WEIGHTS_FILE)
    return Listener(weights, gaps)
