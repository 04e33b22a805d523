"""Which of many ways to see the patches of a chart the picture bears out, and what speaks against it."""

from __future__ import annotations

import numpy as np

from hueph._types import FloatArray
from hueph.charting.cells import Cells, View, inferred_score
from hueph.charting.lattice import Arrangement, arrangements, line_through
from hueph.charting.regions import Regions, overlap
from hueph.errors import ChartError

__all__ = ["OtherCount", "choose", "is_regular"]

# Kinds of evidence: what is seen as it is, what is cut from a bar, what is inferred.
_RANKS = {"separate": 0, "unequal": 0, "bar": 1, "extended": 2, "completed": 2}
_LEAST_SPREAD = 5.0  # CIEDE76 from the mean of all patches to the farthest, in a photograph
_LIKE_PAPER = 4.0  # CIEDE76 from the paper to the middle of what lies around the patches
_STEEPEST = 0.08  # slope of a row or column in the picture


class OtherCount(ChartError):
    """Another number of patches than asked for is surely there."""


def choose(view: View, regions: Regions, count: int, *, strict: bool, thorough: bool = True) -> Arrangement:
    """Return the arrangement that the picture bears out best, stronger kinds of evidence first.

    Parameters
    ----------
    view : View
    regions : Regions
    count : int
    strict : bool
        The picture shows other things too: infer no patch.
    thorough : bool
        When nothing is found, say which other number of patches is there.

    Raises
    ------
    ChartError
        None is borne out, or two equally.
    OtherCount
        More patches are seen than asked for, or another number explains the picture better.
    """
    kept: list[tuple[float, Arrangement]] = []
    for proposed in arrangements(regions, count, view.lab.shape[:2]):
        if kept and _RANKS[proposed.kind] > _RANKS[kept[-1][1].kind]:
            break
        if strict and _RANKS[proposed.kind] == 2:
            break
        if strict and proposed.kind == "unequal":
            continue  # in a photograph of many things any six of them make an uneven row
        judged = _judged(view, proposed)
        if judged is not None and (not strict or _is_colourful(view, judged[1])):
            kept.append(judged)
    if not kept:
        other = _other_count(view, regions, count) if thorough else 0
        if other:
            raise OtherCount(_count_text(count, other))
        raise ChartError(_doubt_text(count, _rough_count(view, regions)))
    kept.sort(key=lambda pair: -pair[0])
    best = kept[0][1]
    if _RANKS[best.kind] < 2:
        extra = _more_alike(view, regions, best, strict=strict)
        if extra:
            raise OtherCount(_count_text(count, count + extra))
        if _continued(view, best):
            # How many follow is not looked for.
            raise OtherCount(_count_text(count, count + 1, at_least=True))
    rival = _rival_count(view, regions, best)
    if rival:
        raise OtherCount(_count_text(count, rival))
    if _RANKS[best.kind] == 2 and any(
        score > 0.67 * kept[0][0] and not _same_places(best, other) for score, other in kept[1:]
    ):
        raise ChartError(
            f"not all of the {count} patches can be made out in the picture of the chart, and where the others lie "
            "is not certain; give --corners round all patches"
        )
    return best


def _is_colourful(view: View, found: Arrangement) -> bool:
    """Say whether patches differ as those of a chart do, well beyond the noise of a photograph."""
    colour = view.means(found.boxes, 0.15, 0.15, 0.85, 0.85)
    far = float(np.linalg.norm(colour - colour.mean(axis=0), axis=1).max())
    return far > max(_LEAST_SPREAD, 3 * view.noise)


def _other_count(view: View, regions: Regions, count: int) -> int:
    """Number of patches that the picture bears out when it does not that asked for, or 0."""
    best, most = 0, 0.0
    for other in range(max(3, count - 3), count + 4):
        for proposed in arrangements(regions, other, view.lab.shape[:2]) if other != count else ():
            if _RANKS[proposed.kind] == 2:
                break
            judged = _judged(view, proposed)
            if judged is not None and judged[0] > most:
                best, most = other, judged[0]
    return best


def _rival_count(view: View, regions: Regions, best: Arrangement) -> int:
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


def _is_rival(view: View, other: Arrangement, best: Arrangement, cells: Cells) -> bool:
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


def _judged(view: View, proposed: Arrangement) -> tuple[float, Arrangement] | None:
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


def _aligned(view: View, found: Arrangement) -> Arrangement:
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


def _gaps_are_paper(view: View, found: Arrangement, cells: Cells) -> bool:
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
    if not np.mean((distance > level) & ~print_like) < 0.25:
        return False
    # A pale patch is no paper: what lies around all patches has the paper's colour.
    return print_like.all() or bool(np.median(distance[~print_like]) < _LIKE_PAPER + 3 * view.noise)


def _count_text(count: int, found: int, *, at_least: bool = False) -> str:
    seen = f"at least {found}" if at_least else str(found)
    return (
        f"a chart of {count} patches is looked for, by --ph or its file, but {seen} can be made out in the picture; "
        "check list and picture, or give --corners round the patches"
    )


def _doubt_text(count: int, rough: int) -> str:
    """Say that the patches are not seen; a rough count of boxes is no number of patches, and is not named as one."""
    if rough == count:
        return (
            f"{count} patches can be made out in the picture of the chart, but not in rows of one pitch with nothing "
            "but paper between them; give --corners round the patches"
        )
    seen = f"no {count} that fit together" if rough else "none"
    return (
        f"a chart of {count} patches is looked for, by --ph or its file, but {seen} can be made out in the picture; "
        "check list and picture, or give --corners round the patches"
    )


def _more_alike(view: View, regions: Regions, found: Arrangement, *, strict: bool) -> int:
    """Count further boxes that look like patches of the same chart, pale ones included."""
    size = np.median(found.boxes[:, 2:] - found.boxes[:, :2], axis=0)
    boxes = regions.boxes
    alike = np.all(np.abs((boxes[:, 2:] - boxes[:, :2]) - size) < 0.3 * size, axis=1)
    middle = (found.boxes[:, :2] + found.boxes[:, 2:]) / 2
    contrast = float(np.median(Cells.measured(view, found.boxes).contrast))
    # On a card alone nothing but a patch has a patch's size, place and even colour.
    least = max(0.15 * contrast, 3.0) if strict else 1.0
    others: list[int] = []
    for index in np.flatnonzero(alike):
        if overlap(boxes[index], found.boxes).max() > 0.02:
            continue
        centre = (boxes[index, :2] + boxes[index, 2:]) / 2
        aligned = (np.abs(middle - centre) < 0.2 * size).any()
        if not aligned or (others and overlap(boxes[index], boxes[others]).max() > 0.1):
            continue
        seen = Cells.measured(view, boxes[index][None])
        if seen.contrast[0] > least + 2 * view.noise and seen.uneven[0] < 3.0:
            others.append(int(index))
    return len(others)


def _continued(view: View, found: Arrangement) -> int:
    """Count places past the ends of touching patches where colour goes on right from the edge."""
    boxes = found.boxes
    size = np.median(boxes[:, 2:] - boxes[:, :2], axis=0)
    level = np.maximum(2.0 + 2 * view.noise, 0.25 * Cells.measured(view, boxes).contrast)
    count = 0
    for axis in (0, 1):
        for side in (-1, 1):
            step = np.zeros(4)
            step[[axis, axis + 2]] = side * size[axis]
            beyond = boxes + step
            open_end = np.array([overlap(box, boxes).max() < 0.3 for box in beyond])
            touches = np.array([overlap(box, boxes).max() > 0.8 for box in boxes - step])
            near, far = (0.1, 0.3) if side > 0 else (0.7, 0.9)
            part = (near, 0.25, far, 0.75) if axis == 0 else (0.25, near, 0.75, far)
            colour = view.means(beyond, *part)
            spread = np.linalg.norm(colour - view.means(beyond, *_second_half(part, axis)), axis=1)
            coloured = np.linalg.norm(colour - view.paper, axis=1) > level
            inside = np.array([_inside_picture(view, box) for box in beyond])
            count += int((open_end & touches & coloured & inside & (spread < 3.0 + view.noise)).sum())
    return count


def _second_half(part: tuple[float, float, float, float], axis: int) -> tuple[float, float, float, float]:
    """The half of a part of a box along an axis."""
    x0, y0, x1, y1 = part
    return ((x0 + x1) / 2, y0, x1, y1) if axis == 0 else (x0, (y0 + y1) / 2, x1, y1)


def _inside_picture(view: View, box: FloatArray) -> bool:
    """Say whether most of a box lies in the picture."""
    height, width = view.lab.shape[:2]
    middle = (box[:2] + box[2:]) / 2
    return bool(0 <= middle[0] < width and 0 <= middle[1] < height)


def _rough_count(view: View, regions: Regions) -> int:
    """Number of separate boxes of one size that may be patches; touching patches are fewer boxes, or none."""
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
