"""Edge maps of straightened strips: walls, level steps, the surface line, outlines of bottoms."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, Float32Array
from hueph.locate._tube_strips import BAND_LEFT, BAND_TOP, SAMPLES, STRIP_SHAPE

__all__ = ["BAND_RIGHT", "DEPTHS", "StripMaps", "length", "make_maps"]

BAND_RIGHT = BAND_LEFT + SAMPLES
# Bottom outlines: half axis downwards as a share of the radius.
DEPTHS = np.array([1.0, 0.5, 0.15])
_ANGLES = np.deg2rad(np.arange(-66.0, 67.0, 12.0))
# Bends of the surface tried, samples at the middle against the walls.
_SAGS = (-3, -2, -1, 0, 1, 2)
# Sobel's operator along its two axes, the smoothing one over eight; and that averaged over seven rows.
_SMOOTH: Float32Array = np.array([1 / 8, 1 / 4, 1 / 8], dtype=np.float32)
_STEP: Float32Array = np.array([-1, 0, 1], dtype=np.float32)
_SMOOTH_OVER_SEVEN = np.convolve(_SMOOTH, np.full(7, 1 / 7, dtype=np.float32)).astype(np.float32)
# Columns over which colour is averaged: inside the column, beyond its walls, on either side of a wall.
_COLOUR_PARTS = {
    "inside": (BAND_LEFT + SAMPLES // 4, BAND_RIGHT - SAMPLES // 4 + 1),
    "beyond_left": (BAND_LEFT - 8, BAND_LEFT - 3),
    "beyond_right": (BAND_RIGHT + 4, BAND_RIGHT + 9),
    "within_left": (BAND_LEFT + 1, BAND_LEFT + 4),
    "within_right": (BAND_RIGHT - 4, BAND_RIGHT - 1),
    "outside_left": (BAND_LEFT - 4, BAND_LEFT - 1),
    "outside_right": (BAND_RIGHT + 1, BAND_RIGHT + 4),
}
_LEVEL_PARTS = {
    "inside": _COLOUR_PARTS["inside"],
    "left": (1, BAND_LEFT - 3),
    "right": (BAND_RIGHT + 3, STRIP_SHAPE[1] - 1),
}


@dataclass(frozen=True, slots=True, eq=False)
class StripMaps:
    """Edge maps of all strips, (n, rows) or (n, rows, columns, 3).

    Attributes
    ----------
    strips : array, shape (n, rows, columns, 3)
        Opponent colour.
    parts : dict of array, shape (n, rows, 3)
        Mean colour of groups of columns.
    left, right : array, shape (n, rows)
        Strength of the walls.
    left_step, right_step : array, shape (n, rows, 3)
        Colour step at the walls, summed over five columns.
    level_step, level_left, level_right : array, shape (n, rows)
        Strength of level edges inside, and beside the column.
    outline : array, shape (n, depths, rows)
        Step across a bottom outline of each depth that ends at a row.
    top, surface : array, shape (n,)
        Row and strength of the surface.
    """

    strips: Float32Array
    parts: dict[str, Float32Array]
    left: Float32Array
    right: Float32Array
    left_step: Float32Array
    right_step: Float32Array
    level_step: Float32Array
    level_left: Float32Array
    level_right: Float32Array
    outline: Float32Array
    top: AnyArray
    surface: Float32Array


def make_maps(strips: Float32Array) -> StripMaps:
    """Differentiate strips (n, rows, columns, 3), all at once, as one tall picture.

    Steps are those of Sobel's operator over eight, worked out only in the columns that count.
    """
    planes = np.ascontiguousarray(strips.transpose(2, 3, 0, 1))
    left, right = (_wall_step(planes, edge) for edge in (BAND_LEFT, BAND_RIGHT))
    means = _column_means(planes)
    inside, on_left, on_right = (
        length(_along_rows(mean, _STEP).transpose(1, 2, 0)) for mean in means[len(_COLOUR_PARTS) :]
    )
    top, surface = _surface(planes)
    return StripMaps(
        strips,
        {name: mean.transpose(1, 2, 0) for name, mean in zip(_COLOUR_PARTS, means, strict=False)},
        _strongest(left),
        _strongest(right),
        left.sum(axis=0).transpose(1, 2, 0),
        right.sum(axis=0).transpose(1, 2, 0),
        inside,
        on_left,
        on_right,
        _outlines(planes),
        top,
        surface,
    )


def length(vectors: Float32Array) -> Float32Array:
    """Return the length of vectors of three along the last axis."""
    first, second, third = (vectors[..., channel] for channel in range(3))
    lengths: Float32Array = np.sqrt(first * first + second * second + third * third)
    return lengths


def _along_rows(planes: Float32Array, weights: Float32Array) -> Float32Array:
    """Filter planes (..., n, rows) along their rows."""
    flat = np.ascontiguousarray(planes).reshape(-1, planes.shape[-2] * planes.shape[-1])
    return np.asarray(cv2.filter2D(flat, cv2.CV_32F, weights[None]), dtype=np.float32).reshape(planes.shape)


def _wall_step(planes: Float32Array, edge: int) -> Float32Array:
    """Return the sideways step at the columns around a wall, averaged over seven rows: (columns, 3, n, rows)."""
    step = planes[edge - 1 : edge + 4] - planes[edge - 3 : edge + 2]
    return _along_rows(step, _SMOOTH_OVER_SEVEN)


def _strongest(steps: Float32Array) -> Float32Array:
    """Return the length of the longest step (columns, 3, n, rows) in each row."""
    square = steps * steps
    longest: Float32Array = np.sqrt((square[:, 0] + square[:, 1] + square[:, 2]).max(axis=0))
    return longest


def _column_means(planes: Float32Array) -> Float32Array:
    """Return means over ranges of columns, (parts, 3, n, rows): one product of matrices.

    First those of `_COLOUR_PARTS`, then those of `_LEVEL_PARTS`, smoothed sideways for a step upright.
    """
    means = _COLUMN_WEIGHTS @ planes.reshape(len(planes), -1)
    return means.reshape(-1, *planes.shape[1:])


def _column_weights() -> Float32Array:
    """Return the weights of columns in the means."""
    ranges = list(_COLOUR_PARTS.values()) + list(_LEVEL_PARTS.values())
    weights = np.zeros((len(ranges), STRIP_SHAPE[1]), dtype=np.float32)
    for row, (start, stop) in zip(weights, ranges, strict=True):
        row[start:stop] = 1.0 / (stop - start)
    for row in weights[len(_COLOUR_PARTS) :]:
        row[:] = np.convolve(row, _SMOOTH, mode="same")
    return weights


_COLUMN_WEIGHTS = _column_weights()


def _surface(planes: Float32Array) -> tuple[AnyArray, Float32Array]:
    """Return row and strength of the surface near the level line of each strip, over its bends."""
    reach, lowest = 3, BAND_TOP - 3 + _SAGS[0]
    columns = np.arange(BAND_LEFT + 2, BAND_RIGHT - 1)
    near = planes[columns[0] - 1 : columns[-1] + 2, :, :, lowest - 1 : BAND_TOP + reach + _SAGS[-1] + 2]
    level = near[:-2] + 2 * near[1:-1] + near[2:]
    step = (level[..., 2:] - level[..., :-2]) / np.float32(8.0)
    bow = 1.0 - ((columns - BAND_LEFT) / SAMPLES * 2 - 1) ** 2
    rows = np.arange(BAND_TOP - reach, BAND_TOP + reach + 1)
    best = np.zeros((len(rows), planes.shape[2]), dtype=np.float32)
    for sag in _SAGS:
        at = rows[:, None] + np.round(sag * bow).astype(int) - lowest
        bent = step[np.arange(len(columns)), :, :, at]
        smooth = sum((bent[:, k : k + len(columns) - 5] for k in range(2, 6)), bent[:, 1 : len(columns) - 4])
        size = np.sqrt((smooth * smooth).sum(axis=2)) / np.float32(5.0)
        best = np.maximum(best, np.sqrt(size).mean(axis=1) ** 2)
    at_best = np.argmax(best, axis=0)
    return rows[at_best], best[at_best, np.arange(best.shape[1])]


def _outlines(planes: Float32Array) -> Float32Array:
    """Return the step across bottom outlines of each depth ending at each row, (n, depths, rows)."""
    radius = SAMPLES / 2
    columns = np.round(BAND_LEFT + radius + 0.97 * radius * np.sin(_ANGLES)).astype(int)
    before, at, after = planes[columns - 1], planes[columns], planes[columns + 1]
    sideways = _along_rows(after - before, _SMOOTH)
    at *= 2
    at += before
    at += after
    down = _along_rows(at, _STEP / np.float32(8))
    strengths = []
    for depth in DEPTHS:
        rise = np.round(depth * radius * (1.0 - np.cos(_ANGLES))).astype(int)
        normal = np.stack([np.sin(_ANGLES), np.cos(_ANGLES) / depth])
        normal = (normal / np.linalg.norm(normal, axis=0)).astype(np.float32)
        step = sideways * normal[0][:, None, None, None]
        step += np.multiply(down, normal[1][:, None, None, None], out=at)
        for angle, rows in enumerate(rise):
            if rows:
                step[angle, :, :, rows:] = step[angle, :, :, :-rows].copy()
                step[angle, :, :, :rows] = step[angle, :, :, rows, None]
        smooth = step[:-2] + step[1:-1]
        smooth += step[2:]
        smooth *= smooth
        square = smooth[:, 0] + smooth[:, 1]
        square += smooth[:, 2]
        root = np.sqrt(np.sqrt(square, out=square), out=square)
        strengths.append(root.mean(axis=0) ** 2 / np.float32(3.0))
    return np.stack(strengths, axis=1)
