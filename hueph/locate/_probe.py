"""Read colours off a picture under a supposed pose of the chart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import AnyArray, FloatArray
from hueph.chart import Chart
from hueph.locate._order import relative_oklab
from hueph.locate.geometry import apply_homography, quad_sides

__all__ = ["ChartProbe", "Colours"]

# where paper is looked for: this share of the short side away from a patch
PAPER_DISTANCE = 0.16
# inside a patch: a grid of 3 x 3 over its middle half
INSIDE = (0.27, 0.5, 0.73)
MOST_PAPER_POINTS = 36


@dataclass(frozen=True, slots=True, eq=False)
class Colours:
    """Colours under m poses.

    Attributes
    ----------
    relative : array, shape (m, n, 3)
        Oklab relative to the paper; nan outside the picture.
    spread : array, shape (m, n)
        Median distance, Oklab, of the points of a patch from its middle value.
    paper : array, shape (m, 3)
        Linear sRGB of the paper; nan when no paper point lies in the picture.
    paper_spread : array, shape (m,)
        Median relative deviation of the paper points.
    """

    relative: FloatArray
    spread: FloatArray
    paper: FloatArray
    paper_spread: FloatArray


class ChartProbe:
    """Sample points of a chart: inside its patches and on the paper beside them."""

    def __init__(self, chart: Chart) -> None:
        """Prepare the points (card units)."""
        corners = chart.corners
        u, v = (axis.ravel() for axis in np.meshgrid(INSIDE, INSIDE))
        weights = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v], axis=1)
        self.count = len(corners)
        self.inside = np.einsum("kc,ncx->nkx", weights, corners).reshape(-1, 2)
        self.paper = _paper_points(corners, chart.card_size)

    def read(self, linear: AnyArray, poses: FloatArray, to_srgb: FloatArray) -> Colours:
        """Read all points under poses (m, 3, 3) that map card units to pixels of `linear` (h, w, 3)."""
        inside, ok = _sample(linear, apply_homography(poses, self.inside))
        paper_points, paper_ok = _sample(linear, apply_homography(poses, self.paper))
        paper_points[~paper_ok] = np.nan
        paper_points.sort(axis=1)
        known = paper_ok.sum(axis=1)
        at = np.clip((0.6 * known).astype(int), 0, max(paper_points.shape[1] - 1, 0))
        paper = paper_points[np.arange(len(poses)), at] @ to_srgb.T
        low = np.clip((0.25 * known).astype(int), 0, max(paper_points.shape[1] - 1, 0))
        brightness = paper_points.sum(axis=2)
        index = np.arange(len(poses))
        paper_spread = 1.0 - brightness[index, low] / np.maximum(brightness[index, at], 1e-6)
        points = inside.reshape(len(poses), self.count, -1, 3)
        inside_ok = ok.reshape(len(poses), self.count, -1)
        oklab = relative_oklab(points @ to_srgb.T, np.nan_to_num(paper, nan=1.0)[:, None, None])
        middle = np.median(oklab, axis=2)
        spread = np.median(np.linalg.norm(oklab - middle[:, :, None], axis=3), axis=2)
        middle[inside_ok.mean(axis=2) < 0.99] = np.nan
        return Colours(middle, spread, paper, paper_spread)


def _sample(linear: AnyArray, points: FloatArray) -> tuple[AnyArray, AnyArray]:
    """Nearest pixels at points (m, k, 2); which lie inside the picture."""
    height, width = linear.shape[:2]
    at = np.floor(np.nan_to_num(points, nan=-1e6, posinf=-1e6, neginf=-1e6) + 0.5)
    ok = (at[..., 0] >= 0) & (at[..., 0] < width) & (at[..., 1] >= 0) & (at[..., 1] < height)
    x = np.clip(at[..., 0], 0, width - 1).astype(np.intp)
    y = np.clip(at[..., 1], 0, height - 1).astype(np.intp)
    return linear[y, x], ok


def _paper_points(corners: FloatArray, card_size: tuple[float, float]) -> FloatArray:
    """Points just outside patches, on the card, not on or right beside another patch (k, 2)."""
    points: list[FloatArray] = []
    sides = quad_sides(corners)
    for quad, (_, _) in zip(corners, sides, strict=True):
        short = float(quad_sides(quad).min())
        middle = quad.mean(axis=0)
        for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            for t in (0.25, 0.75):
                edge = a + t * (b - a)
                normal = np.array([(b - a)[1], -(b - a)[0]])
                normal *= 1.0 if normal @ (edge - middle) > 0 else -1.0
                points.append(edge + normal / np.linalg.norm(normal) * PAPER_DISTANCE * short)
    found = np.array(points)
    low, high = corners.min(axis=1), corners.max(axis=1)
    guard = 0.09 * sides.min(axis=1)[:, None]
    on_patch = ((found[:, None] > low[None] - guard[None]) & (found[:, None] < high[None] + guard[None])).all(
        axis=2
    )
    width, height = card_size
    on_card = (found > 0).all(axis=1) & (found[:, 0] < width) & (found[:, 1] < height)
    kept = found[on_card & ~on_patch.any(axis=1)]
    if len(kept) < 4:
        kept = found[~on_patch.any(axis=1)]
    step = max(1, -(-len(kept) // MOST_PAPER_POINTS))
    return np.asarray(kept[::step])
