"""Move the surface of a found column onto the liquid's surface at the middle of the vessel."""

from __future__ import annotations

import cv2
import numpy as np

from hueph._types import AnyArray, Float32Array, FloatArray
from hueph.locate._tube_maps import opponent

__all__ = ["refine_surface"]

# Samples a vessel width, and how far above and below the surface is looked for, in widths.
FINE = 64
REACH = 0.25
# A dark line at least this much darker (white = 1) than both sides is the surface seen edge-on.
LINE_DEPTH = 0.02


def refine_surface(encoded: AnyArray, liquid: FloatArray, gain: float) -> FloatArray:
    """Return the column with its upper edge on the surface at the middle.

    A surface creeps up the walls, and the search takes the strongest edge, which may be the upper
    edge of its dark line or the rim it makes at the walls.

    Parameters
    ----------
    encoded : array, shape (h, w, 3), uint8
        R, G, B code values.
    liquid : array, shape (4, 2)
        Column, working-picture pixels.
    gain : float
        Code range share taken as white.
    """
    width = float(np.linalg.norm(liquid[1] - liquid[0]))
    down = ((liquid[3] - liquid[0]) + (liquid[2] - liquid[1])) / 2
    height = float(np.linalg.norm(down))
    if width < 4 or height < 4:
        return liquid
    reach = min(REACH, 0.4 * height / width)
    profile = _profile(encoded, liquid, gain, reach, width / height)
    moved = _surface_row(profile)
    share = (moved / (len(profile) - 1) * 2 - 1) * reach * width / height
    result = liquid.copy()
    result[0] = liquid[0] + share * (liquid[3] - liquid[0])
    result[1] = liquid[1] + share * (liquid[2] - liquid[1])
    return result


def _profile(encoded: AnyArray, liquid: FloatArray, gain: float, reach: float, ratio: float) -> Float32Array:
    """Return the colour along the middle of the column around its upper edge, shape (rows, 3)."""
    left, right = liquid[3] - liquid[0], liquid[2] - liquid[1]
    top = [liquid[0] - reach * ratio * left, liquid[1] - reach * ratio * right]
    bottom = [liquid[1] + reach * ratio * right, liquid[0] + reach * ratio * left]
    corners = np.array(top + bottom, dtype=np.float32)
    rows = max(round(2 * reach * FINE), 8)
    source = np.array([[0, 0], [FINE - 1, 0], [FINE - 1, rows - 1], [0, rows - 1]], dtype=np.float32)
    flat = cv2.warpPerspective(
        encoded,
        cv2.getPerspectiveTransform(source, corners),
        (FINE, rows),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    middle = opponent(flat[:, FINE // 3 : -FINE // 3], gain)
    profile: Float32Array = cv2.blur(middle.mean(axis=1, keepdims=True), (1, 3))[:, 0]
    return profile


def _surface_row(profile: Float32Array) -> float:
    """Return the row of the surface: the dark line where there is one, else the step of colour."""
    count = len(profile)
    side = max(count // 6, 1)
    above, below = profile[:side].mean(axis=0), profile[-side:].mean(axis=0)
    light = profile[:, 0]
    # a line darker than the darker side, however light the other is
    depth = min(float(above[0]), float(below[0])) - light
    darkest = int(np.argmax(depth))
    if depth[darkest] > LINE_DEPTH and side <= darkest < count - side:
        near = slice(max(darkest - side, 0), darkest + side + 1)
        weight = np.maximum(depth[near] - 0.5 * depth[darkest], 0.0)
        return float((np.arange(count)[near] * weight).sum() / weight.sum())
    change = below - above
    size = float(change @ change)
    if size < LINE_DEPTH**2:
        return (count - 1) / 2
    share = (profile - above) @ change / size
    crossed = np.nonzero(share > 0.5)[0]
    return float(crossed[0]) if len(crossed) else (count - 1) / 2
