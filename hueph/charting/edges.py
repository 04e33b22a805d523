"""Exact places of patch edges, and one regular arrangement through all of them."""

from __future__ import annotations

import numpy as np

from hueph._types import AnyArray, FloatArray
from hueph.charting.lattice import Arrangement, line_through
from hueph.locate.geometry import apply_homography, fit_homography

__all__ = ["refine_boxes", "settle_quads"]


def box_corners(boxes: FloatArray) -> FloatArray:
    """Corner points of boxes, shape (n, 4, 2), top-left first and clockwise."""
    return np.stack([boxes[:, [0, 1]], boxes[:, [2, 1]], boxes[:, [2, 3]], boxes[:, [0, 3]]], axis=1)


def settle_quads(lab: AnyArray, found: Arrangement) -> tuple[FloatArray, FloatArray]:
    """Return corner points of patches: each edge as seen, held by what all patches agree on.

    Parameters
    ----------
    lab : array, shape (h, w, 3)
        CIELAB of the picture.
    found : Arrangement

    Returns
    -------
    quads : array, shape (n, 4, 2)
        Corner points (x, y), pixels.
    plan : array, shape (n, 4, 2)
        The same corners in an arrangement of one size and one pitch each way.
    """
    boxes = refine_boxes(lab, found.boxes)
    if found.kind == "unequal" or len(boxes) < 4:
        return box_corners(boxes), box_corners(boxes)
    regular = _regular(found)
    corners = box_corners(boxes)
    plan = box_corners(regular)
    weight = np.repeat(found.seen, 4)
    fitted = corners
    for _ in range(4):
        transform = fit_homography(plan.reshape(-1, 2)[weight], corners.reshape(-1, 2)[weight])
        fitted = apply_homography(transform, plan.reshape(-1, 2)).reshape(corners.shape)
        miss = np.linalg.norm(fitted - corners, axis=2).reshape(-1)
        weight = np.repeat(found.seen, 4) & (miss <= max(2.5 * float(np.median(miss)), 0.75))
    size = float(np.min(np.median(regular[:, 2:] - regular[:, :2], axis=0)))
    far = np.linalg.norm(fitted - corners, axis=2).max(axis=1) > max(0.05 * size, 1.2)
    far |= ~found.seen
    return np.where(far[:, None, None], fitted, corners), plan


def _regular(found: Arrangement) -> FloatArray:
    """The arrangement with one size and one pitch each way."""
    boxes = found.boxes
    size = np.median(boxes[:, 2:] - boxes[:, :2], axis=0)
    centre = (boxes[:, :2] + boxes[:, 2:]) / 2
    if found.layout == "row":
        places = np.stack([np.arange(len(boxes)), np.zeros(len(boxes))], axis=1)
    elif found.layout == "column":
        places = np.stack([np.zeros(len(boxes)), np.arange(len(boxes))], axis=1)
    else:
        breaks = np.r_[True, np.diff(centre[:, 0]) < 0]
        row = np.cumsum(breaks) - 1
        column = np.arange(len(boxes)) - np.flatnonzero(breaks)[row]
        places = np.stack([column, row], axis=1)
    middle = np.empty_like(centre)
    for axis in (0, 1):
        number = places[:, axis].astype(float)
        if np.ptp(number) == 0:
            middle[:, axis] = np.median(centre[:, axis])
        else:
            slope, start = line_through(number, centre[:, axis])
            middle[:, axis] = start + slope * number
    return np.concatenate([middle - size / 2, middle + size / 2], axis=1)


def refine_boxes(lab: AnyArray, boxes: FloatArray) -> FloatArray:
    """Move each edge to where the colour is half way between inside and outside.

    Parameters
    ----------
    lab : array, shape (h, w, 3)
    boxes : array, shape (n, 4)

    Returns
    -------
    array, shape (n, 4)
    """
    refined = boxes.astype(np.float64).copy()
    for index, box in enumerate(boxes):
        for side in range(4):
            refined[index, side] = _edge_place(lab, box, side)
    return refined


def _edge_place(lab: AnyArray, box: FloatArray, side: int) -> float:
    """Place of one edge (0 left, 1 top, 2 right, 3 bottom), or where it was when nothing is seen there."""
    axis, outward = side % 2, -1 if side < 2 else 1
    across = 1 - axis
    long = float(box[axis + 2] - box[axis])
    reach_in, reach_out = 0.2 * long, min(0.15 * long, 6.0)
    low, high = sorted((box[side] - outward * reach_in, box[side] + outward * reach_out))
    a, b = int(max(low, 0)), int(min(np.ceil(high), lab.shape[1 - axis]))
    c = int(box[across] + 0.25 * (box[across + 2] - box[across]))
    d = int(np.ceil(box[across] + 0.75 * (box[across + 2] - box[across])))
    part = lab[c:d, a:b] if axis == 0 else lab[a:b, c:d].swapaxes(0, 1)
    if part.shape[0] < 1 or part.shape[1] < 5:
        return float(box[side])
    profile = np.median(part, axis=0)
    if outward < 0:
        profile = profile[::-1]
    inside, outside = np.median(profile[: max(2, len(profile) // 3)], axis=0), np.median(profile[-2:], axis=0)
    way = outside - inside
    if np.linalg.norm(way) < 1.0:
        return float(box[side])
    share = (profile - inside) @ way / (way @ way)
    crossing = np.flatnonzero((share[:-1] < 0.5) & (share[1:] >= 0.5))
    if not len(crossing):
        return float(box[side])
    at = int(crossing[-1])
    place = at + (0.5 - share[at]) / (share[at + 1] - share[at]) + 0.5  # pixel centres lie at +0.5
    return float(a + place) if outward > 0 else float(b - place)
