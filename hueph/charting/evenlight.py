"""Light on the card: a smooth field fitted to the unprinted paper, and the picture divided by it."""

from __future__ import annotations

import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray

__all__ = ["even_out", "fit_field"]

# Below this spread (linear light, relative) a picture counts as evenly lit and is left untouched:
# half an 8-bit code at paper white.
_EVEN = 0.004
_REACH = 0.03  # largest departure of paper from the field, relative
_SAMPLES = 20000
_FIT_SIDE = 320  # pixels of the longer side of the reduced picture that the field is fitted to


def _terms(x: AnyArray, y: AnyArray) -> FloatArray:
    """Quadratic in x and y, each from -1 to 1."""
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def fit_field(linear: AnyArray, start: BoolArray) -> tuple[FloatArray, BoolArray]:
    """Fit the light on the paper.

    Parameters
    ----------
    linear : array, shape (h, w, 3)
        Linear light.
    start : array of bool, shape (h, w)
        Pixels that are paper quite surely; the fit grows from there.

    Returns
    -------
    field : array, shape (h, w, 3)
        Linear light of the paper everywhere.
    paper : array of bool, shape (h, w)
        Pixels near the field.
    """
    height, width = start.shape
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    log = np.log(np.clip(linear, 1e-4, None)).astype(np.float64)
    paper = start
    field = np.zeros_like(log)
    for tolerance in (2.5 * _REACH, 1.6 * _REACH, 1.2 * _REACH, _REACH):
        index = np.flatnonzero(paper)
        if len(index) < 60:
            break
        index = index[:: max(1, len(index) // _SAMPLES)]
        terms = _terms(x.ravel()[index], y.ravel()[index])
        values = log.reshape(-1, 3)[index]
        weight = np.ones(len(index))
        coefficients = np.zeros((6, 3))
        for _ in range(4):
            left = terms.T @ (terms * weight[:, None]) + 1e-6 * len(index) * np.diag([0, 1, 1, 1, 1, 1])
            coefficients = np.linalg.solve(left, terms.T @ (values * weight[:, None]))
            residual = np.abs(values - terms @ coefficients).max(axis=1)
            spread = max(1.5 * float(np.median(residual)), 1e-4)
            weight = 1.0 / (1.0 + (residual / (2 * spread)) ** 2) ** 2
        field = (_terms(x.ravel(), y.ravel()) @ coefficients).reshape(log.shape)
        paper = np.abs(log - field).max(axis=2) < tolerance
    return np.exp(field), paper


def even_out(linear: AnyArray, start: BoolArray) -> AnyArray:
    """Divide a picture by the light on its paper; the middle brightness of the paper stays.

    Parameters
    ----------
    linear : array, shape (h, w, 3)
        Linear light.
    start : array of bool, shape (h, w)
        Pixels that are paper quite surely.

    Returns
    -------
    array, shape (h, w, 3)
        The picture itself when its paper is evenly lit already.
    """
    import cv2

    height, width = start.shape
    scale = min(1.0, _FIT_SIDE / max(height, width))
    size = (max(2, round(width * scale)), max(2, round(height * scale)))
    small = cv2.resize(np.ascontiguousarray(linear, dtype=np.float32), size, interpolation=cv2.INTER_AREA)
    small_start = cv2.resize(start.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST).astype(bool)
    field, paper = fit_field(small, small_start)
    if paper.sum() < 60:
        return linear
    on_paper = field[paper]
    low, high = np.percentile(on_paper, [2, 98], axis=0)
    if np.max(high / low) < 1 + _EVEN:
        return linear
    gain = (np.median(on_paper, axis=0) / field).astype(np.float32)
    return linear * cv2.resize(gain, (width, height), interpolation=cv2.INTER_LINEAR)
