"""The outline of a card in a part of a photograph, to take a slanted view out of it."""

from __future__ import annotations

import cv2
import numpy as np

from hueph._types import AnyArray, FloatArray
from hueph.charting.cells import linear_to_lab
from hueph.charting.picture import reduced
from hueph.charting.regions import paper_colours

__all__ = ["card_outline"]

_SIDE = 600  # pixels of the longer side of the reduced part
_REACH = 14.0  # CIEDE76 from the paper, lamp slope included
_SMALLEST = 0.08  # share of the part that a card fills
_STRAIGHT = 0.95  # share of the four-cornered outline that the card fills


def card_outline(linear: AnyArray) -> FloatArray | None:
    """Return the corner points of the card, from its top-left clockwise, or None when no card stands out.

    Parameters
    ----------
    linear : array, shape (h, w, 3)
        Part of a photograph, paper about white, linear light.

    Returns
    -------
    array, shape (4, 2), or None
        (x, y), pixels of `linear`, edges at whole numbers.
    """
    small, scale = reduced(linear, _SIDE)
    lab = linear_to_lab(small)
    best: tuple[float, FloatArray] | None = None
    for paper in paper_colours(lab):
        mask = (np.linalg.norm(lab - paper, axis=2) < _REACH).astype(np.uint8)
        mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for contour in sorted(contours, key=cv2.contourArea)[-2:]:
            area = float(cv2.contourArea(contour))
            if area < _SMALLEST * mask.size:
                continue
            corners = cv2.approxPolyDP(contour, 0.02 * cv2.arcLength(contour, True), True)
            if len(corners) != 4 or not cv2.isContourConvex(corners):
                continue
            whole = float(cv2.contourArea(corners))
            if area > _STRAIGHT * whole and (best is None or area > best[0]):
                best = area, corners.reshape(4, 2).astype(np.float64)
    if best is None:
        return None
    points = (best[1] + 0.5) / scale
    centre = points.mean(axis=0)
    around = points[np.argsort(np.arctan2(points[:, 1] - centre[1], points[:, 0] - centre[0]))]
    return np.roll(around, -int(np.argmin(around.sum(axis=1))), axis=0)
