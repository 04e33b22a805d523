"""Find the patches of a chart in a flat, evenly lit picture of it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.charting.cells import View, linear_to_lab
from hueph.charting.edges import settle_quads
from hueph.charting.evenlight import even_out
from hueph.charting.judge import choose
from hueph.charting.lattice import Arrangement, line_through
from hueph.charting.regions import find_regions, noise_of, paper_colours
from hueph.errors import ChartError

__all__ = ["FlatChart", "find_patches"]

# Longest side of the picture in which patches are looked for; small artwork is enlarged to the lower one.
_LARGEST_SIDE, _SMALLEST_SIDE = 1400, 500
_NOISY, _NOISY_SIDE = 1.6, 700  # CIELAB units; pixels
_TURN_WORTH_UNDOING = 0.15  # degrees; less moves an edge by under a pixel


@dataclass(frozen=True, slots=True, eq=False)
class FlatChart:
    """Patches found in a flat picture.

    Attributes
    ----------
    quads : array, shape (n, 4, 2)
        Corner points (x, y) in reading order, picture pixels, top-left first and clockwise.
    plan : array, shape (n, 4, 2)
        The same corners with the view's perspective taken out: one size, one pitch each way.
    seen : array of bool, shape (n,)
        False for a patch whose place was inferred.
    kind, layout : str
        As in `Arrangement`.
    """

    quads: FloatArray
    plan: FloatArray
    seen: BoolArray
    kind: str
    layout: str


def find_patches(
    linear: AnyArray,
    count: int,
    *,
    strict: bool = False,
    thorough: bool = True,
    around: tuple[float, float, float, float] | None = None,
) -> FlatChart:
    """Find `count` patches of a chart in a flat picture.

    Parameters
    ----------
    linear : array, shape (h, w, 3)
        Linear light, sRGB primaries; a turn of a few degrees and slightly uneven light are allowed.
    count : int
        Patches of the chart.
    strict : bool
        The picture shows other things than the chart too.
    thorough : bool
        When nothing is found, look which other number of patches is there (slow).
    around : tuple of float, optional
        x0, y0, x1, y1 that the patches fill, pixels, within a third of a patch.

    Returns
    -------
    FlatChart

    Raises
    ------
    ChartError
        Another number of patches is seen, or none surely enough.
    """
    small, scale = _resized(np.ascontiguousarray(linear, dtype=np.float32))
    lab = linear_to_lab(small)
    papers = paper_colours(lab)
    if not len(papers):
        raise ChartError(
            "no light paper is seen in the picture of the chart; retake it with the card's white margin in view"
        )
    problem: ChartError | None = None
    for paper in papers:
        start = np.linalg.norm(lab - paper, axis=2) < 3.0
        even = even_out(small, start)
        even_lab = lab if even is small else linear_to_lab(even)
        middle = np.median(even_lab[start], axis=0)
        try:
            found, turned, back = _search(even_lab, middle, count, strict, thorough)
        except ChartError as error:
            problem = problem or error
            continue
        quads, plan = settle_quads(turned, found)
        quads = (quads @ back[:, :2].T + back[:, 2]) / scale
        if around is not None and not _fills(quads, around):
            problem = problem or ChartError(
                f"{count} patches can be made out, but they do not fill the rectangle that --corners outlines; give the "
                "corners of the rectangle round all patches, without margin and print"
            )
            continue
        return FlatChart(quads, plan / scale, found.seen, found.kind, found.layout)
    assert problem is not None
    raise problem


def _fills(quads: FloatArray, around: tuple[float, float, float, float]) -> bool:
    """Say whether patches reach the sides of a rectangle within a third of a patch, and no farther."""
    size = np.median(np.ptp(quads, axis=1), axis=0)
    ends = np.concatenate([quads.min(axis=(0, 1)), quads.max(axis=(0, 1))])
    return bool((np.abs(ends - around) < 0.34 * np.r_[size, size]).all())


def _resized(linear: AnyArray) -> tuple[AnyArray, float]:
    """Bring the picture to a size fit for searching; also the factor."""
    side = max(linear.shape[:2])
    scale = min(1.0, _LARGEST_SIDE / side) if side >= _SMALLEST_SIDE else float(-(-_SMALLEST_SIDE // side))
    if scale != 1.0:
        method = cv2.INTER_AREA if scale < 1 else cv2.INTER_NEAREST
        size = (max(1, round(linear.shape[1] * scale)), max(1, round(linear.shape[0] * scale)))
        linear = cv2.resize(linear, size, interpolation=method)
    # In a noisy picture fewer, quieter pixels show more.
    while max(linear.shape[:2]) > _NOISY_SIDE and noise_of(linear_to_lab(linear)) > _NOISY:
        linear = cv2.resize(linear, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        scale *= 0.5
    return linear, scale


def _search(
    lab: AnyArray, paper: FloatArray, count: int, strict: bool, thorough: bool
) -> tuple[Arrangement, AnyArray, FloatArray]:
    """Find the best arrangement; also the picture turned upright and the way back from it."""
    back = np.eye(3)[:2]
    upright, regions = lab, find_regions(lab, paper)
    turn = regions.turn
    found: Arrangement | None = None
    for _ in range(2):
        if abs(turn) > _TURN_WORTH_UNDOING:
            upright, back = _turned(lab, turn, paper)
            regions = find_regions(upright, paper)
        found = choose(View.of(upright, paper), regions, count, strict=strict, thorough=thorough)
        rest = _slope_of(found)
        if abs(rest) < _TURN_WORTH_UNDOING:
            break
        turn += rest
    assert found is not None
    return found, upright, back


def _turned(lab: AnyArray, turn: float, paper: FloatArray) -> tuple[AnyArray, FloatArray]:
    """Turn a picture about its middle, degrees; also the affine map back."""
    height, width = lab.shape[:2]
    there = cv2.getRotationMatrix2D((width / 2, height / 2), turn, 1.0)
    fill = tuple(float(v) for v in paper)
    upright = cv2.warpAffine(lab, there, (width, height), flags=cv2.INTER_LINEAR, borderValue=fill)
    return upright, np.asarray(cv2.invertAffineTransform(there), dtype=np.float64)


def _slope_of(found: Arrangement) -> float:
    """Angle by which the rows or columns of separate patches are still turned, degrees."""
    if found.kind in ("bar", "extended"):
        return 0.0
    centre = (found.boxes[:, :2] + found.boxes[:, 2:]) / 2
    axis = 1 if found.layout == "column" else 0
    size = np.median(found.boxes[:, 2:] - found.boxes[:, :2], axis=0)
    first = centre[np.abs(centre[:, 1 - axis] - centre[0, 1 - axis]) < 0.5 * size[1 - axis]]
    if len(first) < 3:
        return 0.0
    slope, _ = line_through(first[:, axis], first[:, 1 - axis])
    return float(np.degrees(np.arctan(slope if axis == 0 else -slope)))
