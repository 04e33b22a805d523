"""Find the patches of a chart in a flat, evenly lit picture of it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.charting.edges import settle_quads
from hueph.charting.evenlight import even_out
from hueph.charting.lattice import Arrangement, arrangements, line_through
from hueph.charting.regions import Regions, find_regions, noise_of, overlap, paper_colours
from hueph.errors import ChartError

__all__ = ["FlatChart", "find_patches"]

# Longest side of the picture in which patches are looked for; small artwork is enlarged to the lower one.
_LARGEST_SIDE, _SMALLEST_SIDE = 1400, 500
_NOISY, _NOISY_SIDE = 1.6, 700  # CIELAB units; pixels
# Kinds of evidence: what is seen as it is, what is cut from a bar, what is inferred.
_RANKS = {"separate": 0, "unequal": 0, "bar": 1, "extended": 2, "completed": 2}
_WITH_PRINT = 10.0  # score of inferred patches with print beside them
_STEEPEST = 0.08  # slope of a row or column in the picture
_VISIBLE_STEP, _VISIBLE_SHARE = 0.25, 0.7  # CIEDE76 between touching patches, and how many must show one
_FAINT = 0.45  # CIEDE76 by which the mean of a pale patch must differ from the paper
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
    """The picture in which patches are looked for; `sums` is its integral."""

    lab: AnyArray
    paper: FloatArray
    noise: float
    sums: AnyArray

    @classmethod
    def of(cls, lab: AnyArray, paper: FloatArray) -> _View:
        return cls(lab, paper, noise_of(lab), cv2.integral(lab, sdepth=cv2.CV_64F))

    def means(self, boxes: FloatArray, x0: float, y0: float, x1: float, y1: float) -> FloatArray:
        """Mean colour of a part of each box, the part given in shares of the box, shape (n, 3)."""
        height, width = self.lab.shape[:2]
        size = boxes[:, 2:] - boxes[:, :2]
        low = np.floor(boxes[:, :2] + size * [x0, y0]).astype(int)
        high = np.maximum(np.ceil(boxes[:, :2] + size * [x1, y1]).astype(int), low + 1)
        a, b = np.clip(low[:, 0], 0, width - 1), np.clip(high[:, 0], 1, width)
        c, d = np.clip(low[:, 1], 0, height - 1), np.clip(high[:, 1], 1, height)
        b, d = np.maximum(b, a + 1), np.maximum(d, c + 1)
        total = self.sums[d, b] - self.sums[c, b] - self.sums[d, a] + self.sums[c, a]
        return np.asarray(total / ((b - a) * (d - c))[:, None])


def find_patches(
    linear: AnyArray,
    count: int,
    *,
    strict: bool = False,
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
            found, turned, back = _search(even_lab, middle, count, strict=strict)
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


def _search(
    lab: AnyArray, paper: FloatArray, count: int, *, strict: bool
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
        found = choose(_View.of(upright, paper), regions, count, strict=strict)
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


def choose(view: _View, regions: Regions, count: int, *, strict: bool) -> Arrangement:
    """Return the arrangement that the picture bears out best, stronger kinds of evidence first.

    Parameters
    ----------
    view : _View
    regions : Regions
    count : int
    strict : bool
        The picture shows other things too: infer no patch.

    Raises
    ------
    ChartError
        None is borne out, two equally, or more patches are seen than asked for.
    """
    kept: list[tuple[float, Arrangement]] = []
    for proposed in arrangements(regions, count, view.lab.shape[:2]):
        if kept and _RANKS[proposed.kind] > _RANKS[kept[-1][1].kind]:
            break
        if strict and _RANKS[proposed.kind] == 2:
            break
        judged = _judged(view, proposed)
        if judged is not None:
            kept.append(judged)
    if not kept:
        raise ChartError(_count_text(count, _rough_count(view, regions)))
    kept.sort(key=lambda pair: -pair[0])
    best = kept[0][1]
    if _RANKS[best.kind] < 2:
        extra = _more_alike(view, regions, best)
        if extra:
            raise ChartError(_count_text(count, count + extra))
    rival = _rival_count(view, regions, best)
    if rival:
        raise ChartError(_count_text(count, rival))
    if _RANKS[best.kind] == 2 and any(
        score > 0.67 * kept[0][0] and not _same_places(best, other) for score, other in kept[1:]
    ):
        raise ChartError(
            f"not all of the {count} patches can be made out in the picture of the chart, and where the others lie "
            "is not certain; give --corners round all patches"
        )
    return best


def _rival_count(view: _View, regions: Regions, best: Arrangement) -> int:
    """Another number of patches that the picture bears out better than the number asked for, or 0."""
    count = len(best.boxes)
    cells = Cells.measured(view, best.boxes).only(best.seen)
    for other in sorted(range(max(3, count - 3), count + 4), key=lambda k: abs(k - count)):
        if other == count or (other < count and (_RANKS[best.kind] == 0 or other == len(cells.colour))):
            continue
        for proposed in arrangements(regions, other, view.lab.shape[:2]):
            if _RANKS[proposed.kind] == 2:
                break
            judged = _judged(view, proposed)
            if judged is not None and _is_rival(view, judged[1], best, cells):
                return other
    return 0


def _is_rival(view: _View, other: Arrangement, best: Arrangement, cells: Cells) -> bool:
    """Say whether another number of patches explains as much of the picture, or more, as well or better."""
    seen = Cells.measured(view, other.boxes)
    ratio = len(other.boxes) / len(cells.colour)
    if ratio > 1 and seen.area > (1 + 0.6 * (ratio - 1)) * cells.area:
        # More of the same: as large and as even as those that were asked for.
        return other.kind == "separate" or seen.misfit() < max(0.02, 1.5 * cells.misfit())
    if best.kind != "bar" and _RANKS[best.kind] != 2:
        return False
    # The same area cut into another number of parts.
    better = 0.5 if other.kind == "bar" else 1.0
    return bool(0.9 < seen.area / cells.area < 1.12 and seen.misfit() < better * cells.misfit())


def _judged(view: _View, proposed: Arrangement) -> tuple[float, Arrangement] | None:
    """Score one arrangement, or None when the picture speaks against it."""
    if not is_regular(proposed):
        return None
    found, cells = proposed, Cells.measured(view, proposed.boxes)
    if proposed.kind in ("bar", "extended"):
        if not cells.only(proposed.seen).may_be_bar():
            return None
        found = _aligned(view, proposed)
        cells = Cells.measured(view, found.boxes)
    score = inferred_score(view, found, cells) if _RANKS[found.kind] == 2 else cells.score(found.kind)
    return (score, found) if score > 0 and _gaps_are_paper(view, found, cells) else None


def _same_places(first: Arrangement, second: Arrangement) -> bool:
    """Say whether two arrangements put every patch at about one place."""
    size = np.median(first.boxes[:, 2:] - first.boxes[:, :2], axis=0)
    return bool(np.all(np.abs(first.boxes - second.boxes) < 0.35 * np.r_[size, size]))


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
    start, end = (axis_.ravel() for axis_ in np.meshgrid(low + shifts, high + shifts, indexing="ij"))
    size = (end - start) / len(boxes)
    cuts = start[:, None] + size[:, None] * np.arange(len(boxes) + 1)
    margin = 0.06 * size[:, None]  # edges are blurred
    first = np.clip(np.rint(cuts[:, :-1] + margin), 0, len(profile)).astype(int)
    last = np.clip(np.rint(cuts[:, 1:] - margin), 0, len(profile)).astype(int)
    number = np.maximum(last - first, 1)[..., None]
    total = sums[last] - sums[first]
    spread = (total[..., 3:] - total[..., :3] ** 2 / number) / number
    # Of equally good cuts, those next to the seen ends.
    cost = spread.sum(axis=(1, 2)) + 0.02 * (np.abs(start - low) + np.abs(end - high)) / part
    edges = cuts[int(np.argmin(cost))]
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
        return _one_pitch(centre[:, 1], 0.2 * size[1]) and _in_line(centre, 1, 0.2 * size[0])
    rows = np.split(np.arange(len(boxes)), list(starts)[1:])
    if any(len(row) != len(rows[0]) for row in rows[:-1]) or len(rows[-1]) > len(rows[0]):
        return False
    if not all(_in_line(centre[row], 0, 0.2 * size[1]) for row in rows):
        return False
    if found.kind != "unequal" and not all(_one_pitch(centre[row, 0], 0.2 * size[0]) for row in rows):
        return False
    return _one_pitch(np.array([centre[row, 1].mean() for row in rows]), 0.2 * size[1])


def _in_line(centre: FloatArray, axis: int, tolerance: float) -> bool:
    """Say whether centres lie on one line along an axis, turned by a few degrees at most."""
    along, across = centre[:, axis], centre[:, 1 - axis]
    if len(centre) < 3:
        return float(np.ptp(across)) <= tolerance + _STEEPEST * float(np.ptp(along))
    slope, start = line_through(along, across)
    return abs(slope) <= _STEEPEST and float(np.abs(across - start - slope * along).max()) <= tolerance


def _one_pitch(places: FloatArray, tolerance: float) -> bool:
    """Say whether places are evenly spaced."""
    if len(places) < 3:
        return True
    number = np.arange(len(places), dtype=float)
    slope, start = line_through(number, places)
    return float(np.abs(places - start - slope * number).max()) <= tolerance


def _gaps_are_paper(view: _View, found: Arrangement, cells: Cells) -> bool:
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
    level = max(5.0 + 3 * view.noise, 0.4 * float(np.median(cells.contrast)))
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
    cuts : array, shape (m,)
        Colour steps between patches that touch, CIEDE76.
    area : float
        Of all, pixels.
    noise : float
    """

    colour: FloatArray
    uneven: FloatArray
    contrast: FloatArray
    cuts: FloatArray
    area: float
    noise: float

    @classmethod
    def measured(cls, view: _View, boxes: FloatArray) -> Cells:
        """Measure boxes in a picture."""
        colour = view.means(boxes, 0.15, 0.15, 0.85, 0.85)
        across = view.means(boxes, 0.1, 0.12, 0.28, 0.88) - view.means(boxes, 0.72, 0.12, 0.9, 0.88)
        down = view.means(boxes, 0.12, 0.1, 0.88, 0.28) - view.means(boxes, 0.12, 0.72, 0.88, 0.9)
        return cls(
            colour,
            np.maximum(np.linalg.norm(across, axis=1), np.linalg.norm(down, axis=1)),
            np.linalg.norm(colour - view.paper, axis=1),
            _steps_at_cuts(boxes, colour),
            float(np.prod(boxes[:, 2:] - boxes[:, :2], axis=1).sum()),
            view.noise,
        )

    def only(self, chosen: BoolArray) -> Cells:
        """The same for some of the patches."""
        share = float(chosen.mean())
        return Cells(
            self.colour[chosen],
            self.uneven[chosen],
            self.contrast[chosen],
            np.linalg.norm(np.diff(self.colour[chosen], axis=0), axis=1),
            self.area * share,
            self.noise,
        )

    def misfit(self) -> float:
        """Unevenness within patches as a share of the steps between them: small when cuts are right."""
        steps = np.diff(self.colour, axis=0)
        return float((self.uneven**2).sum() / ((steps**2).sum() + 1e-9))

    def may_be_bar(self) -> bool:
        """Say whether a bar cut into these is worth aligning: coloured, and of changing colour."""
        steps = np.linalg.norm(np.diff(self.colour, axis=0), axis=1)
        return bool(self.misfit() < 2.0 and steps.sum() > 5.0 and np.median(self.contrast) > 2.5)

    def score(self, kind: str) -> float:
        """How well these are patches (0: not at all)."""
        steps = np.linalg.norm(np.diff(self.colour, axis=0), axis=1)
        if kind == "bar":
            # Equal neighbours come from cutting one patch in two.
            if float(np.mean(self.cuts > max(_VISIBLE_STEP, 0.5 * self.noise))) < _VISIBLE_SHARE:
                return 0.0
            misfit = self.misfit()
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


def _steps_at_cuts(boxes: FloatArray, colour: FloatArray) -> FloatArray:
    """Colour steps between boxes that share an edge, CIEDE76; all steps in reading order when none do."""
    size = np.median(boxes[:, 2:] - boxes[:, :2], axis=0)
    steps: list[float] = []
    for axis in (0, 1):
        beside = np.abs(boxes[:, None, axis + 2] - boxes[None, :, axis]) < 0.05 * size[axis]
        level = np.abs(boxes[:, None, 1 - axis] - boxes[None, :, 1 - axis]) < 0.2 * size[1 - axis]
        first, second = np.nonzero(beside & level)
        steps += np.linalg.norm(colour[first] - colour[second], axis=1).tolist()
    return np.array(steps) if steps else np.linalg.norm(np.diff(colour, axis=0), axis=1)


def inferred_score(view: _View, found: Arrangement, cells: Cells) -> float:
    """Evidence for patches at places where nothing clear was seen (0: against it).

    Print beside each of them as beside the others is the best evidence; a faint colour that ends
    where they end is the next.
    """
    unseen = ~found.seen
    if np.any(cells.uneven[unseen] > 1.5 + view.noise) or np.any(cells.contrast[unseen] > 12.0):
        return 0.0
    if cells.only(found.seen).score("bar" if found.kind == "extended" else "separate") <= 0:
        return 0.0
    if any(_ink_inside(view, box) for box in found.boxes[unseen]):
        return 0.0
    faint = cells.contrast[unseen] > _FAINT
    beyond = [box for box in _beyond(found) if _is_inside(view, box) and not _ink_inside(view, box)]
    if beyond:
        past = np.linalg.norm(view.means(np.array(beyond), 0.15, 0.15, 0.85, 0.85) - view.paper, axis=1)
        # A faint colour further out says that the patches do not end here.
        if past.max() > _FAINT and past.max() > 0.5 * float(cells.contrast[unseen].min()):
            return 0.0
    print_seen = _print_beside(view, found)
    own_side = np.median(print_seen[found.seen], axis=0) > 0.002
    if own_side.any():
        least = 0.25 * np.median(print_seen[found.seen][:, own_side], axis=0)
        if not np.all(print_seen[unseen][:, own_side] > least):
            return 0.0
        return _WITH_PRINT * (1.0 + float(faint.mean()))
    # Nothing but the number asked for speaks for them: that is no evidence.
    return 1.0 + 4.0 * float(faint.mean()) if faint.all() else 0.0


def _beyond(found: Arrangement) -> FloatArray:
    """Places of one more patch at either end of a row or column, shape (2, 4) or (0, 4)."""
    if found.layout == "grid" or len(found.boxes) < 2:
        return np.zeros((0, 4))
    first, last = found.boxes[0], found.boxes[-1]
    step = (last - first) / (len(found.boxes) - 1)
    return np.array([first - step, last + step])


def _is_inside(view: _View, box: FloatArray) -> bool:
    height, width = view.lab.shape[:2]
    return bool(box.min() >= 0 and box[2] <= width and box[3] <= height)


def _ink_inside(view: _View, box: FloatArray) -> bool:
    """Say whether dark print lies inside a box."""
    x0, y0, x1, y1 = (round(float(v)) for v in box)
    part = view.lab[max(y0 + 2, 0) : y1 - 2, max(x0 + 2, 0) : x1 - 2, 0]
    return bool(part.size == 0 or np.mean(part < view.paper[0] - 25) > 0.01)


def _print_beside(view: _View, found: Arrangement) -> FloatArray:
    """Share of dark print left of, above, right of and below each patch, outside all patches, shape (n, 4)."""
    ink = (view.lab[..., 0] < view.paper[0] - 25).astype(np.uint8)
    for x0, y0, x1, y1 in np.rint(found.boxes).astype(int):
        ink[max(y0 - 2, 0) : y1 + 2, max(x0 - 2, 0) : x1 + 2] = 0
    size = np.median(found.boxes[:, 2:] - found.boxes[:, :2], axis=0)
    total = cv2.integral(ink)
    height, width = ink.shape
    reach_x, reach_y = _reach(found, size)
    inset = 0.2 * size  # print stands by the middle of its patch, a title rarely by that of each
    shares = np.zeros((len(found.boxes), 4))
    for index, (x0, y0, x1, y1) in enumerate(found.boxes):
        middle_x, middle_y = (x0 + inset[0], x1 - inset[0]), (y0 + inset[1], y1 - inset[1])
        sides = (
            (x0 - reach_x, x0, *middle_y),
            (*middle_x, y0 - reach_y, y0),
            (x1, x1 + reach_x, *middle_y),
            (*middle_x, y1, y1 + reach_y),
        )
        for side, (left, right, top, bottom) in enumerate(sides):
            a, b = (int(np.clip(value, 0, width)) for value in (left, right))
            c, d = (int(np.clip(value, 0, height)) for value in (top, bottom))
            inside = float(total[d, b] - total[c, b] - total[d, a] + total[c, a])
            shares[index, side] = inside / float(size.prod())
    return shares


def _reach(found: Arrangement, size: FloatArray) -> tuple[float, float]:
    """How far from a patch, across and down, its own print may lie without touching its neighbour's."""
    boxes = found.boxes
    if found.layout == "row":
        return 0.0, 0.8 * float(size[1])
    if found.layout == "column":
        return 1.0 * float(size[0]), 0.0
    tops = np.unique(np.rint(boxes[:, 1]))
    gap_y = float(np.diff(tops).min() - size[1]) if len(tops) > 1 else float(size[1])
    lefts = np.sort(boxes[np.abs(boxes[:, 1] - boxes[0, 1]) < 0.3 * size[1], 0])
    gap_x = float(np.diff(lefts).min() - size[0]) if len(lefts) > 1 else float(size[0])
    return 0.6 * gap_x, 0.6 * gap_y


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
