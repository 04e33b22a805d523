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
# Columns around the two walls.
_AT_WALLS = tuple(slice(edge - 2, edge + 3) for edge in (BAND_LEFT, BAND_RIGHT))
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
    strips, across : array, shape (n, rows, columns, 3)
        Opponent colour and its step sideways.
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
    across: Float32Array
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
    """Differentiate all strips at once, as one tall picture."""
    shape = strips.shape
    tall = strips.reshape(-1, shape[2], 3)
    across, along = (
        np.asarray(cv2.Sobel(tall, cv2.CV_32F, *order, ksize=3, scale=1 / 8), dtype=np.float32).reshape(shape)
        for order in ((1, 0), (0, 1))
    )
    left, right = (_wall_step(across, at) for at in _AT_WALLS)
    levels = _column_means(along, _LEVEL_PARTS)
    top, surface = _surface(along)
    return StripMaps(
        strips,
        across,
        _column_means(strips, _COLOUR_PARTS),
        length(left).max(axis=2),
        length(right).max(axis=2),
        left.sum(axis=2),
        right.sum(axis=2),
        length(levels["inside"]),
        length(levels["left"]),
        length(levels["right"]),
        _outlines(across, along),
        top,
        surface,
    )


def length(vectors: Float32Array) -> Float32Array:
    """Return the length of vectors along the last axis."""
    lengths: Float32Array = np.sqrt(np.einsum("...k,...k->...", vectors, vectors))
    return lengths


def _wall_step(across: Float32Array, columns: slice) -> Float32Array:
    """Return the sideways step at some columns, averaged over seven rows."""
    part = np.ascontiguousarray(across[:, :, columns])
    mean = cv2.blur(part.reshape(-1, part.shape[2], 3), (1, 7))
    return np.asarray(mean, dtype=np.float32).reshape(part.shape)


def _column_means(values: Float32Array, parts: dict[str, tuple[int, int]]) -> dict[str, Float32Array]:
    """Return means over ranges of columns, each (n, rows, 3): one product of matrices."""
    count, rows, columns, _ = values.shape
    weights = np.zeros((columns, 3, len(parts), 3), dtype=np.float32)
    for index, (start, stop) in enumerate(parts.values()):
        for channel in range(3):
            weights[start:stop, channel, index, channel] = 1.0 / (stop - start)
    means = values.reshape(count * rows, columns * 3) @ weights.reshape(columns * 3, -1)
    means = means.reshape(count, rows, len(parts), 3)
    return {name: np.ascontiguousarray(means[:, :, index]) for index, name in enumerate(parts)}


def _surface(along: Float32Array) -> tuple[AnyArray, Float32Array]:
    """Return row and strength of the surface near the level line of each strip, over its bends."""
    reach = 3
    columns = np.arange(BAND_LEFT + 2, BAND_RIGHT - 1)
    bow = 1.0 - ((columns - BAND_LEFT) / SAMPLES * 2 - 1) ** 2
    rows = np.arange(BAND_TOP - reach, BAND_TOP + reach + 1)
    best = np.zeros((len(along), len(rows)), dtype=np.float32)
    for sag in _SAGS:
        at = rows[:, None] + np.round(sag * bow).astype(int)
        sums = np.cumsum(along[:, at, columns], axis=2)
        smooth = (sums[:, :, 5:] - sums[:, :, :-5]) / np.float32(5.0)
        best = np.maximum(best, np.sqrt(length(smooth)).mean(axis=2) ** 2)
    at_best = np.argmax(best, axis=1)
    return rows[at_best], best[np.arange(len(best)), at_best]


def _outlines(across: Float32Array, along: Float32Array) -> Float32Array:
    """Return the step across bottom outlines of each depth ending at each row, (n, depths, rows)."""
    radius = SAMPLES / 2
    columns = np.round(BAND_LEFT + radius + 0.97 * radius * np.sin(_ANGLES)).astype(int)
    # Angle and channel first, rows last: all that follows runs along rows.
    sideways, down = (np.ascontiguousarray(step.transpose(2, 3, 0, 1)[columns]) for step in (across, along))
    strengths = []
    for depth in DEPTHS:
        rise = np.round(depth * radius * (1.0 - np.cos(_ANGLES))).astype(int)
        normal = np.stack([np.sin(_ANGLES), np.cos(_ANGLES) / depth])
        normal = (normal / np.linalg.norm(normal, axis=0)).astype(np.float32)
        step = sideways * normal[0][:, None, None, None] + down * normal[1][:, None, None, None]
        for angle, rows in enumerate(rise):
            if rows:
                step[angle, :, :, rows:] = step[angle, :, :, :-rows].copy()
                step[angle, :, :, :rows] = step[angle, :, :, rows, None]
        smooth = step[:-2] + step[1:-1]
        smooth += step[2:]
        smooth *= smooth
        root = np.sqrt(np.sqrt(smooth[:, 0] + smooth[:, 1] + smooth[:, 2]) / np.float32(3.0))
        strengths.append(root.mean(axis=0) ** 2)
    return np.stack(strengths, axis=1)
