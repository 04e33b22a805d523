"""The part of a liquid column that is fit for measuring its colour."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._medians import medians
from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray
from hueph.locate._tube_maps import opponent

__all__ = ["Core", "find_core", "point_in_quad"]

# Samples across the column when looking for uneven places.
ACROSS = 48
TALLEST = 480
# Core limits before anything is left out, shares of the width.
WALL_SHARE = 0.27
SURFACE_SHARE = 0.2
# The part of it that is used, from the surface down. Light falls from above: further down, what is behind the
# liquid is lit through the liquid itself and through its neighbours. Photographs read better the less of that.
UPPER_SHARE = 0.35
# Colour difference (opponent units, white = 1) that still counts as the same liquid.
SAME_COLOUR = 0.05
# Lightness a mirrored lamp adds at least where it is brightest, and at most where the liquid still counts as
# free of it; how far from the middle the liquid between them is looked for, share of the width.
MIRRORED, HARDLY_MIRRORED = 0.06, 0.02
MIRRORED_REACH = 0.36
# A core smaller than these shares of width and height is flagged.
NARROW_SHARE = 0.2
SHORT_SHARE = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Core:
    """Usable part: corners, why the rest was left out, and whether little is left."""

    corners: FloatArray
    left_out: tuple[str, ...]
    small: bool


def point_in_quad(quad: FloatArray, across: float, along: float) -> FloatArray:
    """Return the point at shares of width and height of a quadrilateral (bilinear)."""
    top = quad[0] + across * (quad[1] - quad[0])
    bottom = quad[3] + across * (quad[2] - quad[3])
    point: FloatArray = top + along * (bottom - top)
    return point


def find_core(encoded: AnyArray, liquid: FloatArray, gain: float, depth: float) -> Core:
    """Choose the core of a liquid column.

    Parameters
    ----------
    encoded : array, shape (h, w, 3), uint8
        R, G, B code values.
    liquid : array, shape (4, 2)
        Column, working-picture pixels: top-left, top-right, bottom-right, bottom-left.
    gain : float
        Code range share taken as white.
    depth : float
        How far the bottom bulges, share of the radius (1: hemisphere).
    """
    width = (np.linalg.norm(liquid[1] - liquid[0]) + np.linalg.norm(liquid[2] - liquid[3])) / 2
    height = (np.linalg.norm(liquid[3] - liquid[0]) + np.linalg.norm(liquid[2] - liquid[1])) / 2
    tallness = float(height / max(float(width), 1e-6))
    top = min(SURFACE_SHARE / tallness, 0.3)
    # a dark liquid does not show how far its bottom bulges: never less than half a hemisphere is kept free
    bottom = 1.0 - min((0.1 + 0.5 * max(depth, 0.5)) / tallness, 0.45)
    rows = int(np.clip(round(ACROSS * tallness), 12, TALLEST))
    first, last = round(top * rows), max(round(bottom * rows), round(top * rows) + 2)
    body = _straightened(encoded, liquid, gain, rows, slice(first, last))
    reasons = ["walls (refraction, dark rims)", "surface"]
    reasons.append("rounded bottom" if depth > 0.3 else "bottom")
    left, right = _even_columns(body)
    if right - left < round((1 - 2 * WALL_SHARE) * ACROSS) - 1:
        reasons.append("uneven stripe (reflection or a neighbour)")
    low, high = _even_rows(body[:, left:right])
    if high - low < last - first:
        reasons.append("uneven band (reflection, label or sediment)")
    small = right - left < NARROW_SHARE * ACROSS or high - low < SHORT_SHARE * rows
    if not small:
        high = low + round(UPPER_SHARE * (high - low))
        reasons.append("lower part (lit through liquids)")
    low, high = low + first, high + first
    shares = (left / ACROSS, right / ACROSS, low / rows, high / rows)
    corners = np.stack(
        [
            point_in_quad(liquid, shares[0], shares[2]),
            point_in_quad(liquid, shares[1], shares[2]),
            point_in_quad(liquid, shares[1], shares[3]),
            point_in_quad(liquid, shares[0], shares[3]),
        ]
    )
    return Core(corners, tuple(reasons), bool(small))


def _straightened(encoded: AnyArray, liquid: FloatArray, gain: float, rows: int, part: slice) -> Float32Array:
    """Return some of the rows of the straightened column in opponent colour."""
    corners = np.array([[-0.5, -0.5], [ACROSS - 0.5, -0.5], [ACROSS - 0.5, rows - 0.5], [-0.5, rows - 0.5]])
    corners[:, 1] -= part.start
    to_picture = cv2.getPerspectiveTransform(corners.astype(np.float32), liquid.astype(np.float32))
    flat = cv2.warpPerspective(
        encoded,
        to_picture,
        (ACROSS, part.stop - part.start),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return opponent(cv2.blur(flat, (3, 3)), gain)


def _even_columns(body: Float32Array) -> tuple[int, int]:
    """Return the columns of the central part whose colour is that of most of it, free of reflections."""
    start, stop = round(WALL_SHARE * ACROSS), round((1 - WALL_SHARE) * ACROSS)
    profile = medians(np.ascontiguousarray(body.transpose(1, 2, 0)))
    added = _mirrored_light(profile[:, 0])
    if added[start:stop].max() > MIRRORED:
        return _least_mirrored(added)
    typical = medians(np.ascontiguousarray(profile[start:stop].T))
    away = np.sqrt(((profile - typical) ** 2).sum(axis=1))
    limit = max(SAME_COLOUR, 3.0 * float(medians(away[start:stop])))
    even = away <= limit
    even[:start] = even[stop:] = False
    return _longest_run(even, round(NARROW_SHARE * ACROSS / 2), (start, stop))


def _mirrored_light(lightness: Float32Array) -> FloatArray:
    """Return how much lighter each column is than a liquid alone would be.

    Both halves of a round vessel show the same, and it is darkest in the middle, where light goes furthest
    through the liquid; what the glass mirrors only adds light.
    """
    columns = np.arange(ACROSS)
    darker = np.minimum(lightness, lightness[::-1]).astype(np.float64)
    darker[np.abs(columns - (ACROSS - 1) / 2) > MIRRORED_REACH * ACROSS] = np.inf
    half = ACROSS // 2
    left = np.minimum.accumulate(darker[:half])
    clean = np.concatenate([left, left[::-1]])
    return np.where(np.isfinite(clean), lightness - clean, np.inf)


def _least_mirrored(added: FloatArray) -> tuple[int, int]:
    """Return the widest stripe hardly anything is mirrored in, or else the darkest narrow one."""
    least = round(NARROW_SHARE * ACROSS / 2)
    sums = np.convolve(np.minimum(added, 1e3), np.ones(least), mode="valid")
    darkest = int(np.argmin(sums))
    return _longest_run(added <= HARDLY_MIRRORED, least, (darkest, darkest + least))


def _even_rows(body: Float32Array) -> tuple[int, int]:
    """Return the rows whose colour is that of most of the core."""
    profile = medians(np.ascontiguousarray(body.swapaxes(1, 2)))
    typical = medians(np.ascontiguousarray(profile.T))
    away = np.sqrt(((profile - typical) ** 2).sum(axis=1))
    limit = max(SAME_COLOUR, 4.0 * float(medians(away)))
    return _longest_run(away <= limit, max(len(body) // 8, 2), (0, len(body)))


def _longest_run(even: BoolArray, least: int, otherwise: tuple[int, int]) -> tuple[int, int]:
    """Return start and stop of the longest run of True, or `otherwise` when it is too short."""
    edges = np.diff(np.concatenate([[0], even.astype(np.int8), [0]]))
    starts, stops = np.nonzero(edges == 1)[0], np.nonzero(edges == -1)[0]
    if len(starts) == 0:
        return otherwise
    best = int(np.argmax(stops - starts))
    if stops[best] - starts[best] < max(least, 1):
        return otherwise
    return int(starts[best]), int(stops[best])
