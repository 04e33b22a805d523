"""Turn decoded pixels upright, once."""

from __future__ import annotations

import numpy as np

from hueph._types import AnyArray, FloatArray

__all__ = ["quarter_turned", "quarter_turned_points", "turned", "turned_origin"]

# EXIF orientation -> (swap rows and columns first, then mirror left-right, then mirror top-bottom).
_STEPS: dict[int, tuple[bool, bool, bool]] = {
    1: (False, False, False),
    2: (False, True, False),
    3: (False, True, True),
    4: (False, False, True),
    5: (True, False, False),
    6: (True, True, False),
    7: (True, True, True),
    8: (True, False, True),
}


def turned(pixels: AnyArray, orientation: int) -> AnyArray:
    """Return the upright picture of pixels stored with an EXIF orientation of 1 to 8."""
    import cv2

    swap, mirror_x, mirror_y = _STEPS[orientation]
    if swap:
        pixels = cv2.transpose(pixels)
    if mirror_x or mirror_y:
        pixels = cv2.flip(pixels, 1 if not mirror_y else 0 if not mirror_x else -1)
    return np.ascontiguousarray(pixels)


def turned_origin(rest: tuple[int, int], orientation: int) -> tuple[float, float]:
    """Return where the working picture begins in the full upright one, (x, y) full pixels.

    `rest` are the columns and rows of the stored picture that a reduced decode left out, at its right
    and bottom; turning may bring them to the left and top.
    """
    swap, mirror_x, mirror_y = _STEPS[orientation]
    rest_x, rest_y = rest[::-1] if swap else rest
    return (float(rest_x) if mirror_x else 0.0, float(rest_y) if mirror_y else 0.0)


def quarter_turned(pixels: AnyArray, quarters: int) -> AnyArray:
    """Return a picture turned clockwise by quarter turns."""
    return np.ascontiguousarray(np.rot90(pixels, -quarters))


def quarter_turned_points(points: FloatArray, quarters: int, shape: tuple[int, ...]) -> FloatArray:
    """Return where points (..., 2), (x, y), of a picture of some shape (h, w, ...) go when it is turned clockwise."""
    height, width = shape[:2]
    for _ in range(quarters % 4):
        points = np.stack([height - 1 - points[..., 1], points[..., 0]], axis=-1)
        height, width = width, height
    return points
