"""The edges of a chart's patches: where to look for steps of colour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.locate.geometry import quad_sides

__all__ = ["EdgeSet", "edge_set"]

# What lies over a patch may reach across a gap of this share of the short side onto the next one's edge.
NEAR_GAP = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class EdgeSet:
    """Half edges of the patches of a chart, card units.

    Attributes
    ----------
    middle, normal, along : array, shape (e, 2)
        Middle of the half edge, outward unit normal, vector along the half edge.
    patch, beyond : array of int, shape (e,)
        The patch it bounds; the patch that touches it outside, or -1 for paper.
    reach : array, shape (e,)
        Short side of the patch.
    gap : array, shape (e,)
        Width of the paper between the patch and the next one outside; infinite where there is none.
    next : array of int, shape (e,)
        That next patch, or -1 where there is none near.
    """

    middle: FloatArray
    normal: FloatArray
    along: FloatArray
    patch: AnyArray
    beyond: AnyArray
    reach: FloatArray
    gap: FloatArray
    next: AnyArray

    def facing(self, patches: BoolArray) -> BoolArray:
        """Which half edges (e,) face some of the patches (n,), touching or across a gap."""
        return np.asarray(patches[self.next] & (self.next >= 0))

    def neighbours(self, count: int) -> BoolArray:
        """Which of `count` patches face one another, (count, count)."""
        facing = np.zeros((count, count), dtype=bool)
        near = self.next >= 0
        facing[self.patch[near], self.next[near]] = True
        return np.asarray(facing | facing.T)


def edge_set(corners: FloatArray) -> EdgeSet:
    """List the half edges of patches (n, 4, 2)."""
    rows: list[tuple[FloatArray, FloatArray, FloatArray, int, int, float, float, int]] = []
    low, high = corners.min(axis=1), corners.max(axis=1)
    for index, quad in enumerate(corners):
        short = float(quad_sides(quad).min())
        for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            normal = np.array([(b - a)[1], -(b - a)[0]]) / np.linalg.norm(b - a)
            outside = (a + b) / 2.0 + normal * 0.06 * short
            touching = ((outside > low) & (outside < high)).all(axis=1).nonzero()[0]
            beyond = int(touching[0]) if len(touching) else -1
            gap, ahead = _gap((a + b) / 2.0, normal, low, high)
            ahead = beyond if beyond >= 0 else ahead if gap < NEAR_GAP * short else -1
            for start, stop in ((0.12, 0.5), (0.5, 0.88)):
                middle = a + (b - a) * (start + stop) / 2.0
                rows.append((middle, normal, (b - a) * (stop - start), index, beyond, short, gap, ahead))
    columns = (np.array(column) for column in zip(*rows, strict=True))
    return EdgeSet(*columns)


def _gap(point: FloatArray, normal: FloatArray, low: FloatArray, high: FloatArray) -> tuple[float, int]:
    """Distance from the middle of an edge, outwards, to the next of some upright patches, and which it is.

    Infinite, and -1, without one.
    """
    axis = int(np.argmax(np.abs(normal)))
    other = 1 - axis
    abreast = (low[:, other] < point[other]) & (high[:, other] > point[other])
    near = (low if normal[axis] > 0 else -high)[:, axis] - np.sign(normal[axis]) * point[axis]
    ahead = np.where(abreast & (near > -1e-9), near, np.inf)
    nearest = int(np.argmin(ahead))
    return float(ahead[nearest]), nearest if np.isfinite(ahead[nearest]) else -1
