"""Find the patches of a chart in a flat, evenly lit picture of it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.charting.edges import settle_quads
from hueph.charting.evenlight import even_out
from hueph.charting.lattice import Arrangement, arrangements
from hueph.charting.regions import Regions, find_regions, noise_of, overlap, paper_colours
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


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """The picture in which patches are looked for."""

    lab: AnyArray
    paper: FloatArray
    noise: float


def find_patches(
    linear: AnyArray, count: int, *, around: tuple[float, float, float, float] | None = None
) -> FlatChart:
    """Find `count` patches of a chart in a flat picture.

    Parameters
    ----------
    linear : array, shape (h, w, 3)
        Linear light, sRGB primaries; a turn of a few degrees and slightly uneven light are allowed.
    count : int
        Patches of the chart.
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
            found, turned, back = _search(even_lab, middle, count)
        except ChartError as error:
            problem = problem or error
            continue
        quads, plan = settle_quads(turned, found)
        quads = (quads @ back[:, :2].T + back[:, 2]) / scale
        return FlatChart(quads, plan / scale, found.seen, found.kind, found.layout)
    assert problem is not None
    raise problem


def linear_to_lab(linear: AnyArray) -> AnyArray:
    """Linear sRGB to CIELAB D65, single precision (OpenCV does it, several times faster than ours)."""
    encoded = np.clip(linear, 0.0, None)
    encoded = np.where(encoded <= 0.0031308, 12.92 * encoded, 1.055 * encoded ** (1 / 2.4) - 0.055)
    return np.asarray(cv2.cvtColor(encoded.astype(np.float32), cv2.COLOR_RGB2LAB))


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


def _search(lab: AnyArray, paper: FloatArray, count: int) -> tuple[Arrangement, AnyArray, FloatArray]:
    """Find the best arrangement; also the picture turned upright and the way back from it."""
    back = np.eye(3)[:2]
    regions = find_regions(lab, paper)
    if abs(regions.turn) > _TURN_WORTH_UNDOING:
        height, width = lab.shape[:2]
        there = cv2.getRotationMatrix2D((width / 2, height / 2), regions.turn, 1.0)
        fill = tuple(float(v) for v in paper)
        lab = cv2.warpAffine(lab, there, (width, height), flags=cv2.INTER_LINEAR, borderValue=fill)
        back = cv2.invertAffineTransform(there)
        regions = find_regions(lab, paper)
    view = _View(lab, paper, noise_of(lab))
    return choose(view, regions, count), lab, back


def choose(view: _View, regions: Regions, count: int) -> Arrangement:
    """Return the first arrangement that the picture bears out.

    Raises
    ------
    ChartError
        None does, or more patches are seen than asked for.
    """
    completed: list[tuple[float, Arrangement]] = []
    best: tuple[float, Arrangement] | None = None
    for proposed in arrangements(regions, count, view.lab.shape[:2]):
        found = _aligned(view, proposed) if proposed.kind == "bar" else proposed
        if best is not None and found.kind != best[1].kind:
            break
        if not (is_regular(found) and _gaps_are_paper(view, found)):
            continue
        cells = Cells.measured(view, found.boxes)
        if found.kind == "completed":
            score = completed_score(view, found, cells)
            if score > 0:
                completed.append((score, found))
        else:
            score = cells.score(found.kind)
            if score > 0 and (best is None or score > best[0]):
                best = (score, found)
    if best is not None:
        extra = _more_alike(view, regions, best[1])
        if extra:
            raise ChartError(_count_text(count, count + extra))
        return best[1]
    if completed:
        completed.sort(key=lambda pair: -pair[0])
        if len(completed) == 1 or completed[0][0] > 1.5 * completed[1][0]:
            return completed[0][1]
    raise ChartError(_count_text(count, _rough_count(view, regions)))


def _aligned(view: _View, found: Arrangement) -> Arrangement:
    """Shift and stretch a cut bar a little so that the cuts fall on the colour steps."""
    if found.layout == "grid":
        return found
    axis = 0 if found.layout == "row" else 1
    boxes = found.boxes
    low, high = float(boxes[0, axis]), float(boxes[-1, axis + 2])
    part = (high - low) / len(boxes)
    inner = boxes[0, 1 - axis] + np.array([0.2, 0.8]) * (boxes[0, 3 - axis] - boxes[0, 1 - axis])
    a, b = int(inner[0]), int(np.ceil(inner[1]))
    strip = view.lab[a:b] if axis == 0 else view.lab[:, a:b].swapaxes(0, 1)
    if strip.shape[0] < 1 or part < 4:
        return found
    profile = np.median(strip, axis=0).astype(np.float64)
    sums = np.concatenate([np.zeros((1, 6)), np.cumsum(np.c_[profile, profile**2], axis=0)])
    shifts = np.arange(-0.3, 0.301, 0.05) * part
    best = (np.inf, low, high)
    for start in low + shifts:
        for end in high + shifts:
            cuts = np.linspace(start, end, len(boxes) + 1)
            size = (end - start) / len(boxes)
            first = np.clip(np.rint(cuts[:-1] + 0.06 * size), 0, len(profile)).astype(int)
            last = np.clip(np.rint(cuts[1:] - 0.06 * size), 0, len(profile)).astype(int)
            number = np.maximum(last - first, 1)[:, None]
            total = sums[last] - sums[first]
            spread = (total[:, 3:] - total[:, :3] ** 2 / number) / number
            # Of equally good cuts, those next to the seen ends.
            cost = float(spread.sum()) + 0.02 * (abs(start - low) + abs(end - high)) / part
            best = min(best, (cost, start, end))
    edges = np.linspace(best[1], best[2], len(boxes) + 1)
    moved = boxes.copy()
    moved[:, axis], moved[:, axis + 2] = edges[:-1], edges[1:]
    return Arrangement(moved, found.seen, found.kind, found.layout)


def is_regular(found: Arrangement) -> bool:
    """Say whether patches stand in rows of one pitch, the rows at one pitch, all but the last equally long."""
    boxes = found.boxes
    size = np.median(boxes[:, 2:] - boxes[:, :2], axis=0)
    centre = (boxes[:, :2] + boxes[:, 2:]) / 2
    starts = (
        np.flatnonzero(np.r_[True, np.diff(centre[:, 0]) < 0, True][:-1]) if found.layout == "grid" else [0]
    )
    if found.layout == "column":
        return _one_pitch(centre[:, 1], 0.2 * size[1]) and float(np.ptp(centre[:, 0])) < 0.3 * size[0]
    rows = np.split(np.arange(len(boxes)), list(starts)[1:])
    if any(len(row) != len(rows[0]) for row in rows[:-1]) or len(rows[-1]) > len(rows[0]):
        return False
    if any(float(np.ptp(centre[row, 1])) > 0.3 * size[1] for row in rows):
        return False
    if found.kind != "unequal" and not all(_one_pitch(centre[row, 0], 0.2 * size[0]) for row in rows):
        return False
    return _one_pitch(np.array([centre[row, 1].mean() for row in rows]), 0.2 * size[1])


def _one_pitch(places: FloatArray, tolerance: float) -> bool:
    """Say whether places are evenly spaced."""
    if len(places) < 3:
        return True
    number = np.arange(len(places))
    return float(np.abs(places - np.polyval(np.polyfit(number, places, 1), number)).max()) <= tolerance


def _gaps_are_paper(view: _View, found: Arrangement) -> bool:
    """Say whether only paper and dark print lie between and closely around the patches."""
    boxes = found.boxes
    size = np.median(boxes[:, 2:] - boxes[:, :2], axis=0)
    rim = np.maximum(0.12 * size, 2.0)
    low = np.maximum(np.floor(boxes[:, :2].min(axis=0) - rim), 0).astype(int)
    high = np.ceil(boxes[:, 2:].max(axis=0) + rim).astype(int)
    part = view.lab[low[1] : high[1], low[0] : high[0]]
    outside = np.ones(part.shape[:2], dtype=bool)
    for x0, y0, x1, y1 in np.rint(boxes - np.r_[low, low] + np.r_[-1.5, -1.5, 1.5, 1.5]).astype(int):
        outside[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)] = False
    if outside.sum() < 30:
        return True
    around = part[outside]
    distance = np.linalg.norm(around - view.paper, axis=1)
    print_like = (around[:, 0] < view.paper[0] - 15) & (np.hypot(*(around[:, 1:] - view.paper[1:]).T) < 14)
    # Blur and chroma subsampling spread the patches' colour into narrow gaps, weakened.
    level = max(5.0 + 3 * view.noise, 0.4 * float(np.median(Cells.measured(view, boxes).contrast)))
    return bool(np.mean((distance > level) & ~print_like) < 0.25)


def _count_text(count: int, found: int) -> str:
    return (
        f"--ph names {count} patches, but {found or 'none'} can be made out in the picture of the chart; "
        "check the list, or give --corners round the patches"
    )


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """What is seen inside proposed patches.

    Attributes
    ----------
    colour : array, shape (n, 3)
        Median CIELAB of the inner part.
    uneven : array, shape (n,)
        Largest difference between opposite sides inside, CIEDE76.
    contrast : array, shape (n,)
        Distance from the paper, CIEDE76.
    area : float
        Of all, pixels.
    noise : float
    """

    colour: FloatArray
    uneven: FloatArray
    contrast: FloatArray
    area: float
    noise: float

    @classmethod
    def measured(cls, view: _View, boxes: FloatArray) -> Cells:
        """Measure boxes in a picture."""
        colours, uneven = [], []
        for box in boxes:
            colours.append(_inner(view.lab, box, 0.15, 0.15, 0.85, 0.85))
            sides = (
                _inner(view.lab, box, 0.1, 0.12, 0.28, 0.88) - _inner(view.lab, box, 0.72, 0.12, 0.9, 0.88),
                _inner(view.lab, box, 0.12, 0.1, 0.88, 0.28) - _inner(view.lab, box, 0.12, 0.72, 0.88, 0.9),
            )
            uneven.append(max(float(np.linalg.norm(side)) for side in sides))
        colour = np.array(colours)
        return cls(
            colour,
            np.array(uneven),
            np.linalg.norm(colour - view.paper, axis=1),
            float(np.prod(boxes[:, 2:] - boxes[:, :2], axis=1).sum()),
            view.noise,
        )

    def score(self, kind: str) -> float:
        """How well these are patches (0: not at all)."""
        steps = np.linalg.norm(np.diff(self.colour, axis=0), axis=1)
        if kind == "bar":
            misfit = float((self.uneven**2).sum() / ((steps**2).sum() + 1e-9))
            worst = float(np.max(self.uneven - 0.35 * np.maximum(np.r_[steps, 0], np.r_[0, steps])))
            if (
                misfit > 0.08
                or worst > 1.0 + self.noise
                or steps.sum() < 8.0
                or np.median(self.contrast) < 3.0
            ):
                return 0.0
            return float(self.contrast.mean()) * self.area / (1.0 + 50.0 * misfit)
        if np.median(self.uneven) > 3.0 + self.noise or self.uneven.max() > 8.0:
            return 0.0
        if steps.sum() < 3.0:
            return 0.0
        return float(np.median(self.contrast) + 0.5 * np.ptp(self.colour[:, 1:], axis=0).sum()) * self.area


def _inner(lab: AnyArray, box: FloatArray, x0: float, y0: float, x1: float, y1: float) -> FloatArray:
    """Median colour of a part of a box given in shares of it."""
    left, top, right, bottom = box
    width, height = right - left, bottom - top
    low_x, high_x = int(left + x0 * width), int(np.ceil(left + x1 * width))
    low_y, high_y = int(top + y0 * height), int(np.ceil(top + y1 * height))
    part = lab[max(low_y, 0) : max(high_y, 1), max(low_x, 0) : max(high_x, 1)].reshape(-1, 3)
    return np.asarray(np.median(part, axis=0)) if len(part) else np.full(3, 1e3)


def completed_score(view: _View, found: Arrangement, cells: Cells) -> float:
    """Evidence for places at which nothing clear was seen (0: against it)."""
    unseen = ~found.seen
    if np.any(cells.uneven[unseen] > 2.0 + view.noise) or np.any(cells.contrast[unseen] > 12.0):
        return 0.0
    seen_cells = Cells(
        cells.colour[found.seen],
        cells.uneven[found.seen],
        cells.contrast[found.seen],
        cells.area,
        cells.noise,
    )
    if np.median(seen_cells.uneven) > 3.0 + view.noise:
        return 0.0
    for box in found.boxes[unseen]:
        if _ink_inside(view, box):
            return 0.0
    score = 1.0
    print_seen = _print_shares(view, found)
    with_print = np.median(print_seen[found.seen])
    if with_print > 0.002:
        there = print_seen[unseen] > 0.25 * with_print
        if not there.all():
            return 0.0
        score = 10.0
    faint = cells.contrast[unseen] > 0.25 + view.noise / 3
    return score * (1.0 + float(faint.mean()))


def _ink_inside(view: _View, box: FloatArray) -> bool:
    """Say whether dark print lies inside a box."""
    x0, y0, x1, y1 = (round(float(v)) for v in box)
    part = view.lab[max(y0 + 2, 0) : y1 - 2, max(x0 + 2, 0) : x1 - 2, 0]
    return bool(part.size == 0 or np.mean(part < view.paper[0] - 25) > 0.01)


def _print_shares(view: _View, found: Arrangement) -> FloatArray:
    """Share of dark print around each patch, outside all patches."""
    ink = (view.lab[..., 0] < view.paper[0] - 25).astype(np.uint8)
    for x0, y0, x1, y1 in np.rint(found.boxes).astype(int):
        ink[max(y0 - 2, 0) : y1 + 2, max(x0 - 2, 0) : x1 + 2] = 0
    size = np.median(found.boxes[:, 2:] - found.boxes[:, :2], axis=0)
    total = cv2.integral(ink)
    height, width = ink.shape
    reach_x, reach_y = _reach(found, size)
    shares = []
    for x0, y0, x1, y1 in found.boxes:
        a, b = int(np.clip(x0 - reach_x[0], 0, width)), int(np.clip(x1 + reach_x[1], 0, width))
        c, d = int(np.clip(y0 - reach_y[0], 0, height)), int(np.clip(y1 + reach_y[1], 0, height))
        shares.append(float(total[d, b] - total[c, b] - total[d, a] + total[c, a]) / float(size.prod()))
    return np.array(shares)


def _reach(found: Arrangement, size: FloatArray) -> tuple[tuple[float, float], tuple[float, float]]:
    """How far from a patch its own print may lie without touching that of its neighbour."""
    boxes = found.boxes
    if found.layout == "row":
        return (0.0, 0.0), (0.8 * size[1], 0.8 * size[1])
    if found.layout == "column":
        return (1.0 * size[0], 1.0 * size[0]), (0.0, 0.0)
    tops = np.unique(np.rint(boxes[:, 1]))
    gap_y = float(np.diff(tops).min() - size[1]) if len(tops) > 1 else float(size[1])
    lefts = np.sort(boxes[np.abs(boxes[:, 1] - boxes[0, 1]) < 0.3 * size[1], 0])
    gap_x = float(np.diff(lefts).min() - size[0]) if len(lefts) > 1 else float(size[0])
    return (gap_x / 2, gap_x / 2), (gap_y / 2, gap_y / 2)


def _more_alike(view: _View, regions: Regions, found: Arrangement) -> int:
    """Count further boxes that look like patches of the same chart."""
    size = np.median(found.boxes[:, 2:] - found.boxes[:, :2], axis=0)
    boxes = regions.boxes
    alike = np.all(np.abs((boxes[:, 2:] - boxes[:, :2]) - size) < 0.3 * size, axis=1)
    middle = (found.boxes[:, :2] + found.boxes[:, 2:]) / 2
    contrast = np.median(Cells.measured(view, found.boxes).contrast)
    others: list[int] = []
    for index in np.flatnonzero(alike):
        if overlap(boxes[index], found.boxes).max() > 0.02:
            continue
        centre = (boxes[index, :2] + boxes[index, 2:]) / 2
        aligned = (np.abs(middle - centre) < 0.2 * size).any()
        if not aligned or (others and overlap(boxes[index], boxes[others]).max() > 0.1):
            continue
        seen = Cells.measured(view, boxes[index][None])
        if seen.contrast[0] > max(0.3 * contrast, 4.0) and seen.uneven[0] < 3.0:
            others.append(int(index))
    return len(others)


def _rough_count(view: _View, regions: Regions) -> int:
    """Number of patches that can be made out at all."""
    best = 0
    size = regions.boxes[:, 2:] - regions.boxes[:, :2]
    for seed in range(len(size)):
        near = np.flatnonzero(np.all(np.abs(size - size[seed]) < 0.15 * size[seed] + 2, axis=1))
        cells = Cells.measured(view, regions.boxes[near])
        chosen: list[int] = []
        for index, contrast in zip(near, cells.contrast, strict=True):
            if contrast > 3 and (
                not chosen or overlap(regions.boxes[index], regions.boxes[chosen]).max() < 0.1
            ):
                chosen.append(int(index))
        best = max(best, len(chosen))
    return best
