"""Pixels of places of a photograph, as linear light, and robust statistics of them: of all places at once."""

from __future__ import annotations

import cv2
import numpy as np

from hueph._medians import medians
from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray
from hueph.photo import Photo

__all__ = [
    "BLACK_FLOOR",
    "MAD_TO_STD",
    "at_limits",
    "codes_at",
    "halved",
    "robust_means",
    "sampled",
    "to_light",
]

# A linear value below this cannot be told from black in an 8-bit file (code 2 is 0.0006).
BLACK_FLOOR = 0.0015
# Standard deviation of a normal law per median absolute deviation.
MAD_TO_STD = 1.4826


def codes_at(photo: Photo, points: FloatArray, interpolation: int) -> AnyArray:
    """Return the code values (m, k, 3) at points (m, k, 2); beyond the picture those at its edge."""
    x, y = (np.ascontiguousarray(points[..., axis], dtype=np.float32) for axis in (0, 1))
    return cv2.remap(photo.encoded, x, y, interpolation, borderMode=cv2.BORDER_REPLICATE)


def halved(picture: AnyArray) -> AnyArray:
    """Return a picture (h, w, 3) at half its size, means of four; an odd last row or column falls away.

    Halving is many times quicker than area means of a broken factor: to reduce a picture a lot, halve it while that
    leaves enough, and do the rest otherwise.
    """
    size = (max(1, picture.shape[1] // 2), max(1, picture.shape[0] // 2))
    even = picture[: 2 * size[1], : 2 * size[0]]
    return np.asarray(cv2.resize(even, size, interpolation=cv2.INTER_AREA), dtype=picture.dtype)


def sampled(photo: Photo, quads: FloatArray, rows: int, columns: int) -> tuple[AnyArray, BoolArray]:
    """Return the pixels nearest to a grid of points over each of some quadrilaterals.

    Parameters
    ----------
    photo : Photo
    quads : array, shape (n, 4, 2)
        Corners (x, y), working pixels: top-left, top-right, bottom-right, bottom-left.
    rows, columns : int
        Points along and across; neighbouring pixels share their noise, so a few hundred do for a large area.

    Returns
    -------
    codes : array, shape (n, 3, rows * columns)
        Code values, row by row; beyond the picture those at its edge.
    inside : array of bool, shape (n, rows * columns)
        Which points lie in the picture.
    """
    across = ((np.arange(columns) + 0.5) / columns)[:, None]
    down = ((np.arange(rows) + 0.5) / rows)[:, None, None]
    top_left, top_right, bottom_right, bottom_left = (quads[:, None, None, k] for k in range(4))
    upper, lower = (
        top_left + across * (top_right - top_left),
        bottom_left + across * (bottom_right - bottom_left),
    )
    points = (upper + down * (lower - upper)).reshape(-1, columns, 2)
    height, width = photo.encoded.shape[:2]
    x, y = points[..., 0], points[..., 1]
    inside = (x > -0.5) & (x < width - 0.5) & (y > -0.5) & (y < height - 0.5)
    codes = codes_at(photo, points, cv2.INTER_NEAREST)
    planes = np.ascontiguousarray(codes.reshape(len(quads), -1, 3).swapaxes(1, 2))
    return planes, inside.reshape(len(quads), -1)


def to_light(photo: Photo, codes: AnyArray) -> Float32Array:
    """Return linear light 0..1 of code values of any shape, file primaries."""
    table = photo.decode_table.astype(np.float32)
    if codes.dtype == np.uint8 and codes.size:
        return np.asarray(cv2.LUT(codes, table), dtype=np.float32).reshape(codes.shape)
    return np.asarray(table[codes])


def at_limits(photo: Photo, codes: AnyArray) -> BoolArray:
    """Return which code values are at an end of their range (`Photo.clipped`)."""
    top, margin = photo.code_limits
    return np.asarray((codes >= top - margin) | (codes <= margin))


def robust_means(light: Float32Array, inside: BoolArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return means of points less those far from their channel's median.

    Parameters
    ----------
    light : array, shape (n, 3, k)
        Linear light at the points of n places.
    inside : array of bool, shape (n, k)
        Points that count at all.

    Returns
    -------
    mean : array, shape (n, 3)
    spread : array, shape (n, 3, 3)
        Covariance of single points.
    share : array, shape (n,)
        Of the points, those that were used.
    """
    away = np.abs(light - medians(light)[..., None])
    scale = MAD_TO_STD * medians(away) + 0.002
    near = (away <= 3.5 * scale[..., None]).all(axis=1) & inside
    few = near.sum(axis=1) < np.maximum(4.0, 0.3 * inside.sum(axis=1))
    used = np.where(few[:, None], inside, near).astype(np.float64)
    count = np.maximum(used.sum(axis=1), 1.0)[:, None]
    mean = (light @ used[..., None])[..., 0] / count
    off = (light - mean[..., None]) * used[:, None]
    spread = off @ off.swapaxes(1, 2) / np.maximum(count - 1.0, 1.0)[..., None]
    return mean, spread + np.eye(3) * 1e-8, used.mean(axis=1)
