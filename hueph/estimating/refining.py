"""The refiner: a small network that weighs a sample beside standards, run with numpy alone.

It starts from the posterior that kriging gives (`hueph.calibration`) and corrects it by what is left between the
sample and the curve of the standards' liquids (`hueph._beside_standards`). Its weights were learned in simulated
workshops, never on the pictures it is judged on; `tests/accuracy/train_refiner.py` makes the file.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from hueph._types import Float32Array, FloatArray
from hueph.errors import InputError
from hueph.estimating.network import hidden_state, layer, read_networks

__all__ = ["FARTHEST", "Refiner", "load_refiners"]

_WEIGHTS_FILE = "refiners.npz"
FARTHEST = 12.0
"""Features are held to so many standard deviations of those trained on: a network may not be led outside."""


@dataclass(frozen=True, slots=True, eq=False)
class Refiner:
    """One trained network.

    Attributes
    ----------
    weights : dict of array
        As in `hueph.estimating.network.Scorer`, without "valid"; "base" is the weight of the log density
        started from.
    gaps : tuple of int
        Dilation of each convolution, grid steps.
    """

    weights: dict[str, Float32Array]
    gaps: tuple[int, ...]

    def density(self, features: Float32Array, base: FloatArray) -> FloatArray:
        """Return the density of every candidate, sum 1.

        Parameters
        ----------
        features : array, shape (m, n)
            From `hueph._beside_standards.LiquidCurves.features`.
        base : array, shape (m,)
            Log density started from.

        Returns
        -------
        array, shape (m,)

        Raises
        ------
        InputError
            Wrong number of features.
        """
        w = self.weights
        if features.shape[-1] != len(w["mean"]):
            raise InputError(
                f"the refiner's weights are for {len(w['mean'])} features, this version computes "
                f"{features.shape[-1]}; reinstall hueph"
            )
        standard = np.clip((features - w["mean"]) / w["scale"], -FARTHEST, FARTHEST).astype(np.float32)
        state = hidden_state(standard, w, self.gaps)
        logits = layer(state, w, "out").astype(np.float64) + float(w["base"]) * base
        density = np.exp(logits - logits.max())
        return np.asarray(density / density.sum())


@functools.cache
def load_refiners() -> tuple[Refiner, ...]:
    """Load the shipped networks, once."""
    networks, gaps = read_networks(_WEIGHTS_FILE)
    return tuple(Refiner(weights, gaps) for weights in networks)
