"""The scorer: a small convolution network over the pH grid, run with numpy alone.

It weighs the features of every candidate pH, looking a few tenths of a pH unit to either side and,
through widening gaps and a pooled view, across the whole chart. Its weights were learned on
simulated photographs (`hueph.synthetic`), never on the pictures it is judged on;
`tests/accuracy/train_scorer.py` makes the file.
"""

from __future__ import annotations

import functools
import importlib.resources
import io
from dataclasses import dataclass

import numpy as np

from hueph._types import Float32Array, FloatArray
from hueph.errors import InputError
from hueph.estimating.features import FEATURE_COUNT

__all__ = ["Scorer", "hidden_state", "layer", "load_scorers", "read_networks"]

_WEIGHTS_FILE = "scorers.npz"
# erf(x / sqrt 2) is tanh(x p(x^2)) with this p, lowest power first; fitted up to x of 6, largest error 3e-6,
# and beyond both are 1.
_FITTED_SQUARE = np.float32(36.0)
_ERROR_FUNCTION = tuple(
    np.float32(term) for term in (0.79786971, 0.036392286, -8.7825815e-05, -3.6693564e-05, 1.4250134e-06)
)


@dataclass(frozen=True, slots=True, eq=False)
class Scorer:
    """One trained network.

    Attributes
    ----------
    weights : dict of array
        By layer name: "in", "mid", "conv0".., "point0".., "out", "valid", each with ".w" and ".b";
        "whole2".. feed what is seen over the whole grid back into the layer of that number.
    gaps : tuple of int
        Dilation of each convolution, grid steps.
    """

    weights: dict[str, Float32Array]
    gaps: tuple[int, ...]

    def score(self, features: Float32Array) -> tuple[FloatArray, FloatArray]:
        """Return the log density of every candidate (not normalised) and the validity in log odds.

        Parameters
        ----------
        features : array, shape (..., m, FEATURE_COUNT)
            From `hueph.estimating.features.candidate_features`, of one tube or of several.

        Returns
        -------
        log_density : array, shape (..., m)
        valid : array, shape (...)
            Log odds that the liquid holds the chart's indicator at all.

        Raises
        ------
        InputError
            Wrong number of features.
        """
        if features.ndim < 2 or features.shape[-1] != FEATURE_COUNT:
            raise InputError(f"features must have shape (..., n, {FEATURE_COUNT}), got {features.shape}")
        w = self.weights
        state = hidden_state(features, w, self.gaps)
        logits, valid = layer(state, w, "out"), layer(_pooled(state), w, "valid")
        return logits.astype(np.float64), np.asarray(valid, dtype=np.float64)


def hidden_state(
    features: Float32Array, weights: dict[str, Float32Array], gaps: tuple[int, ...]
) -> Float32Array:
    """Return what a network makes of features (..., m, n) before its last layer, (..., m, channels)."""
    state = gelu(layer(features, weights, "in"))
    state = gelu(layer(state, weights, "mid"))
    for index, gap in enumerate(gaps):
        if f"whole{index}.w" in weights:
            state += layer(_pooled(state), weights, f"whole{index}")[..., None, :]
        inner = gelu(_convolve(state, weights[f"conv{index}.w"], weights[f"conv{index}.b"], gap))
        state += layer(inner, weights, f"point{index}")
    return state


def layer(values: Float32Array, weights: dict[str, Float32Array], name: str) -> Float32Array:
    """Return a layer's linear map of values (..., channels): one product of matrices for all."""
    kernel = weights[f"{name}.w"]
    mapped = values.reshape(-1, values.shape[-1]) @ kernel
    mapped += weights[f"{name}.b"]
    return np.asarray(mapped, dtype=np.float32).reshape((*values.shape[:-1], *kernel.shape[1:]))


def _pooled(state: Float32Array) -> Float32Array:
    """Highest and mean value of each channel over the whole grid."""
    return np.concatenate([state.max(axis=-2), state.mean(axis=-2)], axis=-1)


def _convolve(state: Float32Array, kernel: Float32Array, bias: Float32Array, gap: int) -> Float32Array:
    """Dilated convolution along the last axis but one with zero padding; kernel (taps, in, out).

    One product of matrices: the values under all taps lie side by side.
    """
    taps, channels = kernel.shape[:2]
    length = state.shape[-2]
    wide = np.empty((*state.shape[:-1], taps * channels), dtype=np.float32)
    for tap in range(taps):
        shift = (tap - taps // 2) * gap
        first, last = min(max(-shift, 0), length), max(length - max(shift, 0), 0)
        under = wide[..., tap * channels : (tap + 1) * channels]
        under[..., :first, :] = 0.0
        under[..., last:, :] = 0.0
        if first < last:
            under[..., first:last, :] = state[..., first + shift : last + shift, :]
    total = wide.reshape(-1, taps * channels) @ kernel.reshape(taps * channels, -1)
    total += bias
    return np.asarray(total, dtype=np.float32).reshape(*state.shape[:-1], -1)


def gelu(x: Float32Array) -> Float32Array:
    """Gaussian error linear unit, to 3e-6 of x.

    The error function is the hyperbolic tangent of an odd polynomial: two thirds less work than its
    usual series, and its library takes longer to import than a picture to read.
    """
    square = x * x
    np.minimum(square, _FITTED_SQUARE, out=square)
    series = square * _ERROR_FUNCTION[-1]
    for term in _ERROR_FUNCTION[-2:0:-1]:
        series += term
        series *= square
    series += _ERROR_FUNCTION[0]
    series *= x
    np.tanh(series, out=series)
    series += np.float32(1.0)
    series *= x
    series *= np.float32(0.5)
    return np.asarray(series, dtype=np.float32)


@functools.cache
def load_scorers() -> tuple[Scorer, ...]:
    """Return the shipped networks; their scores are averaged.

    Raises
    ------
    InputError
        The weights file does not fit this version's features.
    """
    networks, gaps = read_networks(_WEIGHTS_FILE)
    return tuple(Scorer(_with_plain_input(weights), gaps) for weights in networks)


def read_networks(file: str) -> tuple[list[dict[str, Float32Array]], tuple[int, ...]]:
    """Return the weights of each network of a shipped file by layer, and the dilations of their convolutions."""
    raw = importlib.resources.files("hueph.estimating").joinpath("data", file).read_bytes()
    with np.load(io.BytesIO(raw), allow_pickle=False) as archive:
        networks = [
            {
                key.removeprefix(f"{number}/"): np.asarray(archive[key], dtype=np.float32)
                for key in archive.files
                if key.startswith(f"{number}/")
            }
            for number in range(int(archive["count"]))
        ]
        return networks, tuple(int(gap) for gap in archive["gaps"])


def _with_plain_input(weights: dict[str, Float32Array]) -> dict[str, Float32Array]:
    """Return weights whose first layer takes features as they are.

    In the file it takes them standardised by "mean" and "scale".

    Raises
    ------
    InputError
        It takes other features than this version computes.
    """
    mean, scale = weights.pop("mean"), weights.pop("scale")
    if len(weights["in.w"]) != FEATURE_COUNT:
        raise InputError(
            f"the scorer's weights are for {len(weights['in.w'])} features, "
            f"this version computes {FEATURE_COUNT}; reinstall hueph"
        )
    plain = weights["in.w"] / scale.astype(np.float64)[:, None]
    bias = weights["in.b"] - mean.astype(np.float64) @ plain
    return {**weights, "in.w": plain.astype(np.float32), "in.b": bias.astype(np.float32)}
