"""The pixels inside outlines of a photograph, as linear light, and robust statistics of them."""

from __future__ import annotations

import cv2
import numpy as np

from hueph._medians import medians
from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray, UInt8Array
from hueph.photo import Photo

__all__ = [
    "BLACK_FLOOR",
    "MAD_TO_STD",
    "at_limits",
    "codes_in",
    "outlined",
    "robust_mean",
    "taken",
    "to_light",
    "window",
]

# A linear value below this cannot be told from black in an 8-bit file (code 2 is 0.0006).
BLACK_FLOOR = 0.0015
# Standard deviation of a normal law per median absolute deviation.
MAD_TO_STD = 1.4826


def window(photo: Photo, quad: FloatArray) -> tuple[slice, slice, FloatArray]:
    """Return bounding rows and columns of an outline inside the picture, and the shifted corners."""
    height, width = photo.encoded.shape[:2]
    x0, y0 = np.floor(quad.min(axis=0)).astype(int)
    x1, y1 = np.ceil(quad.max(axis=0)).astype(int) + 1
    x0, x1 = max(x0, 0), min(x1, width)
    y0, y1 = max(y0, 0), min(y1, height)
    return slice(y0, max(y1, y0)), slice(x0, max(x1, x0)), quad - (x0, y0)


def outlined(quads: list[FloatArray], shape: tuple[int, int]) -> UInt8Array:
    """Return which outline (1, 2, ...) the centre of each pixel of a window lies in, 0 for none.

    Corners count to a sixteenth of a pixel; where outlines overlap the last one wins.
    """
    labels = np.zeros(shape, np.uint8)
    if min(shape) > 0:
        for number, quad in enumerate(quads, start=1):
            cv2.fillConvexPoly(labels, np.round(quad * 16).astype(np.int32), number, shift=4)
    return labels


def codes_in(photo: Photo, quad: FloatArray) -> AnyArray:
    """Return the code values of the pixels in an outline, shape (3, n)."""
    rows, cols, local = window(photo, quad)
    codes = photo.encoded[rows, cols]
    return taken(codes, outlined([local], codes.shape[:2]) > 0)


def taken(codes: AnyArray, chosen: BoolArray) -> AnyArray:
    """Return the chosen pixels (h, w) of a window (h, w, 3), shape (3, n).

    One channel after another: a mask over short runs of three takes several times as long.
    """
    planes = np.ascontiguousarray(codes.transpose(2, 0, 1)).reshape(3, -1)
    return np.compress(chosen.ravel(), planes, axis=1)


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


def robust_mean(light: Float32Array) -> tuple[FloatArray, FloatArray, int]:
    """Return mean and covariance of pixels (3, n), less those far from their channel's median; how many."""
    count = light.shape[1]
    if count == 0:
        return np.full(3, np.nan), np.eye(3), 0
    away = np.abs(light - medians(light)[:, None])
    scale = MAD_TO_STD * medians(away) + 0.002
    keep = (away <= 3.5 * scale[:, None]).all(axis=0)
    if keep.sum() >= max(4, 0.3 * count):
        light = np.compress(keep, light, axis=1)
    kept = light.astype(np.float64)
    mean = kept.mean(axis=1)
    if kept.shape[1] > 3:
        kept -= mean[:, None]
        spread = kept @ kept.T / (kept.shape[1] - 1)
    else:
        spread = np.diag(scale.astype(np.float64) ** 2)
    return mean, spread + np.eye(3) * 1e-8, kept.shape[1]
