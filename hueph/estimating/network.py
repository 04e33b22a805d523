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
from dataclasses import dataclass, field

import numpy as np

from hueph._types import Float32Array, FloatArray, IntArray
from hueph.errors import InputError
from hueph.estimating.features import FEATURE_COUNT

__all__ = ["Scorer", "load_scorers"]

_WEIGHTS_FILE = "scorers.npz"


@dataclass(frozen=True, slots=True, eq=False)
class Scorer:
    """One trained network.

    Attributes
    ----------
    weights : dict of array
        By layer name: "in", "mid", "conv0".., "point0".., "out", "valid", each with ".w" and ".b";
        "whole2".. feed what is seen over the whole grid back into the layer of that number;
        "mean" and "scale" standardise the features.
    gaps : tuple of int
        Dilation of each convolution, grid steps.
    columns : array of int
        Features the network looks at: one trained before a feature was thought of does without it,
        which makes the errors of several networks less alike.
    """

    weights: dict[str, Float32Array]
    gaps: tuple[int, ...]
    columns: IntArray = field(default_factory=lambda: np.arange(FEATURE_COUNT))

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
        standard = np.asarray((features[..., self.columns] - w["mean"]) / w["scale"], dtype=np.float32)
        state = _gelu(standard @ w["in.w"] + w["in.b"])
        state = _gelu(state @ w["mid.w"] + w["mid.b"])
        for index, gap in enumerate(self.gaps):
            if f"whole{index}.w" in w:
                whole = _pooled(state) @ w[f"whole{index}.w"]
                state = state + whole[..., None, :] + w[f"whole{index}.b"]
            inner = _gelu(_convolve(state, w[f"conv{index}.w"], w[f"conv{index}.b"], gap))
            state = state + inner @ w[f"point{index}.w"] + w[f"point{index}.b"]
        logits = state @ w["out.w"] + w["out.b"]
        valid = _pooled(state) @ w["valid.w"] + w["valid.b"]
        return logits.astype(np.float64), np.asarray(valid, dtype=np.float64)


def _pooled(state: Float32Array) -> Float32Array:
    """Highest and mean value of each channel over the whole grid."""
    return np.concatenate([state.max(axis=-2), state.mean(axis=-2)], axis=-1)


def _convolve(state: Float32Array, kernel: Float32Array, bias: Float32Array, gap: int) -> Float32Array:
    """Dilated convolution along the last axis but one with zero padding; kernel (taps, in, out).

    One product of matrices: the values under all taps lie side by side.
    """
    taps, length = kernel.shape[0], state.shape[-2]
    half = gap * (taps // 2)
    padded = np.zeros((*state.shape[:-2], length + 2 * half, state.shape[-1]), dtype=np.float32)
    padded[..., half : half + length, :] = state
    under = [padded[..., tap * gap : tap * gap + length, :] for tap in range(taps)]
    wide = np.concatenate(under, axis=-1).reshape(-1, taps * state.shape[-1])
    total = wide @ kernel.reshape(-1, kernel.shape[-1])
    total += bias
    return np.asarray(total, dtype=np.float32).reshape(*state.shape[:-1], -1)


def _gelu(x: Float32Array) -> Float32Array:
    """Gaussian error linear unit with the exact normal distribution function."""
    doubled = _erf(x * np.float32(0.7071067811865476))
    doubled += np.float32(1.0)
    doubled *= x
    doubled *= np.float32(0.5)
    return doubled


def _erf(x: Float32Array) -> Float32Array:
    """Error function to 5e-7, what float32 carries; its library takes longer to import than a picture to read.

    M. Abramowitz, I.A. Stegun, Handbook of Mathematical Functions, 1964, formula 7.1.26 (memory; its
    own error is below 1.5e-7, and a test compares with the library).
    """
    size = np.abs(x)
    t = size * np.float32(0.3275911)
    t += np.float32(1.0)
    np.reciprocal(t, out=t)
    series = np.float32(1.061405429) * t
    for term in (-1.453152027, 1.421413741, -0.284496736, 0.254829592):
        series += np.float32(term)
        series *= t
    size *= size
    series *= np.exp(np.negative(size, out=size), out=size)
    np.subtract(np.float32(1.0), series, out=series)
    return np.asarray(np.copysign(series, x, out=series), dtype=np.float32)


@functools.cache
def load_scorers() -> tuple[Scorer, ...]:
    """Return the shipped networks; their scores are averaged.

    Raises
    ------
    InputError
        The weights file does not fit this version's features.
    """
    raw = importlib.resources.files("hueph.estimating").joinpath("data", _WEIGHTS_FILE).read_bytes()
    scorers = []
    with np.load(io.BytesIO(raw), allow_pickle=False) as archive:
        gaps = tuple(int(gap) for gap in archive["gaps"])
        for number in range(int(archive["count"])):
            prefix = f"{number}/"
            weights = {
                key.removeprefix(prefix): np.asarray(archive[key], dtype=np.float32)
                for key in archive.files
                if key.startswith(prefix)
            }
            columns = weights.pop("columns").astype(np.intp)
            if len(columns) != weights["in.w"].shape[0] or columns.max() >= FEATURE_COUNT:
                raise InputError(
                    f"the scorer's weights are for {weights['in.w'].shape[0]} features, "
                    f"this version computes {FEATURE_COUNT}; reinstall hueph"
                )
            scorers.append(Scorer(weights, gaps, columns))
    return tuple(scorers)
