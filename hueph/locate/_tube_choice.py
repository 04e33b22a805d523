"""Which of the proposed columns are told apart as vessels: overlaps, gaps, empty glass, the card."""

from __future__ import annotations

import cv2
import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray

__all__ = ["choose", "quad_area", "quad_overlap"]

# Two columns that share more than this part of the smaller one cannot both be vessels.
LARGEST_OVERLAP = 0.3
# A column more than this part on the card's patches is no vessel.
LARGEST_ON_CARD = 0.3
# Extra log odds asked of a space between two vessels that uses a wall of each as its own.
GAP_PENALTY = 1.0
# Log odds a vessel gains when another of the same width stands beside it.
COMPANY = 0.9


def choose(quads: FloatArray, odds: FloatArray, card: FloatArray | None) -> list[int]:
    """Return the indices of the columns that are vessels, left to right.

    Parameters
    ----------
    quads : array, shape (m, 4, 2)
        Liquid columns, working-picture pixels.
    odds : array, shape (m,)
        Log odds of each.
    card : array, shape (k, 2), optional
        Outline of the card's patches.
    """
    allowed = odds > -2.0
    if card is not None:
        for index in np.nonzero(allowed & _boxes_meet(quads, card))[0]:
            shared = quad_overlap(quads[index], card)
            allowed[index] = shared < LARGEST_ON_CARD * quad_area(quads[index])
    candidates = np.nonzero(allowed)[0]
    first = _greedy(quads, odds, candidates)
    odds = odds + _company(quads, first) - _gap(quads, odds, first)
    chosen = _greedy(quads, odds, candidates)
    chosen = _without_ends(quads, odds, chosen)
    return sorted(chosen, key=lambda index: float(quads[index][:, 0].mean()))


def quad_area(quad: FloatArray) -> float:
    """Return the area of a convex outline."""
    return float(cv2.contourArea(quad.astype(np.float32)))


def quad_overlap(one: FloatArray, other: FloatArray) -> float:
    """Return the area two convex outlines share."""
    area, _ = cv2.intersectConvexConvex(
        cv2.convexHull(one.astype(np.float32)), cv2.convexHull(other.astype(np.float32))
    )
    return float(area)


def _boxes_meet(quads: FloatArray, other: FloatArray) -> BoolArray:
    """Tell which outlines (n, 4, 2) may share something with another: their upright boxes do."""
    apart = (quads.min(axis=1) >= other.max(axis=0)) | (quads.max(axis=1) <= other.min(axis=0))
    return np.logical_not(apart.any(axis=1))


def _greedy(quads: FloatArray, odds: FloatArray, candidates: AnyArray) -> list[int]:
    """Take the likeliest column again and again that is likely and does not lie on one taken before."""
    taken: list[int] = []
    left = candidates[odds[candidates] >= 0.0]
    left = left[np.argsort(-odds[left], kind="stable")]
    while len(left):
        best, left = int(left[0]), left[1:]
        taken.append(best)
        area = quad_area(quads[best])
        free = np.logical_not(_boxes_meet(quads[left], quads[best]))
        for place in np.nonzero(~free)[0]:
            other = quads[left[place]]
            free[place] = quad_overlap(other, quads[best]) <= LARGEST_OVERLAP * min(area, quad_area(other))
        left = left[free]
    return taken


def _widths(quads: FloatArray) -> FloatArray:
    """Return the mean width of quadrilaterals."""
    return (
        np.linalg.norm(quads[..., 1, :] - quads[..., 0, :], axis=-1)
        + np.linalg.norm(quads[..., 2, :] - quads[..., 3, :], axis=-1)
    ) / 2


def _company(quads: FloatArray, chosen: list[int]) -> FloatArray:
    """Return the gain of each column from chosen ones of its width that it does not overlap."""
    gain = np.zeros(len(quads))
    widths = _widths(quads)
    centres = quads.mean(axis=1)
    for other in chosen:
        apart = np.linalg.norm(centres - centres[other], axis=1) > 0.8 * np.minimum(widths, widths[other])
        alike = np.exp(-0.5 * (np.log(widths / widths[other]) / 0.1) ** 2)
        gain = np.maximum(gain, np.where(apart, COMPANY * alike, 0.0))
    return gain


def _gap(quads: FloatArray, odds: FloatArray, chosen: list[int]) -> FloatArray:
    """Return the penalty of columns whose walls are those of chosen neighbours on both sides."""
    widths = _widths(quads)
    left, right = quads[:, [0, 3]], quads[:, [1, 2]]
    shared = np.zeros((2, len(quads)), dtype=bool)
    for other in chosen:
        likelier = odds[other] >= odds
        likelier[other] = False
        shared[0] |= likelier & _same_wall(left, right[other], widths[other])
        shared[1] |= likelier & _same_wall(right, left[other], widths[other])
    return np.where(shared.all(axis=0), GAP_PENALTY, 0.0)


def _same_wall(walls: FloatArray, other: FloatArray, width: float) -> BoolArray:
    """Tell which walls (n, top and bottom, 2) run within a tenth of a width of another where both exist."""
    top = np.maximum(walls[:, 0, 1], other[0, 1])
    bottom = np.minimum(walls[:, 1, 1], other[1, 1])
    apart = [np.abs(_wall_x(walls, heights) - _wall_x(other[None], heights)) for heights in (top, bottom)]
    return np.asarray((bottom - top >= 0.3 * width) & (np.maximum(*apart) < 0.1 * width))


def _wall_x(walls: FloatArray, heights: FloatArray) -> FloatArray:
    """Return x of walls (n, top and bottom, 2) at one height y each."""
    rise = np.maximum(walls[:, 1, 1] - walls[:, 0, 1], 1e-6)
    slope = (walls[:, 1, 0] - walls[:, 0, 0]) / rise
    x: FloatArray = walls[:, 0, 0] + slope * (heights - walls[:, 0, 1])
    return x


def _without_ends(quads: FloatArray, odds: FloatArray, chosen: list[int]) -> list[int]:
    """Of columns that follow one another between about the same walls keep the likeliest.

    The other is the empty glass above a liquid, or the bright spot and its reflection below one.
    """
    columns = quads[chosen]
    head, foot = columns[:, :2].mean(axis=1), columns[:, 2:].mean(axis=1)
    own = np.linalg.norm(columns[:, 1] - columns[:, 0], axis=1)
    # Of every pair, upper by lower.
    width = np.maximum(own[:, None], own)
    aside, gap = np.abs(foot[:, None, 0] - head[:, 0]), head[:, 1] - foot[:, None, 1]
    follows = (aside < 0.5 * width) & (gap > -0.8 * width) & (gap < width)
    np.fill_diagonal(follows, False)
    dropped = set()
    for upper, lower in np.argwhere(follows):
        one, other = chosen[upper], chosen[lower]
        dropped.add(one if odds[one] < odds[other] else other)
    return [index for index in chosen if index not in dropped]
