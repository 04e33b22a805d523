"""From rectangles to the patches of a chart: equal sizes, rows and columns, the count that is asked.

Four kinds of evidence, strongest first: as many separate rectangles of one size as asked; as many in
one row or column, of unequal size; bars of touching patches cut into equal parts, with the colour
steps where the cuts are; a regular arrangement with gaps where patches as pale as the paper stand.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.charting.regions import Regions, overlap

__all__ = ["Arrangement", "arrangements", "reading_order"]

_SIZE_TOLERANCE = 0.14  # relative, plus 2 pixels: separate patches are printed in one size
_MOST_BARS = 16  # the largest
_ROW_TOLERANCE = 0.3  # of a patch: how far centres of one row may lie apart


@dataclass(frozen=True, slots=True, eq=False)
class Arrangement:
    """One way to see the patches.

    Attributes
    ----------
    boxes : array, shape (n, 4)
        In reading order.
    seen : array of bool, shape (n,)
        False for a patch inferred from its place in the arrangement.
    kind : str
        "separate", "unequal", "bar", "extended" (a bar with pale ends) or "completed".
    layout : str
        "row", "column" or "grid".
    """

    boxes: FloatArray
    seen: BoolArray
    kind: str
    layout: str


def reading_order(boxes: FloatArray) -> tuple[AnyArray, str]:
    """Sort boxes by rows from the top, in each row from the left; also name the layout."""
    rows = _clusters(
        (boxes[:, 1] + boxes[:, 3]) / 2, _ROW_TOLERANCE * float(np.median(boxes[:, 3] - boxes[:, 1]))
    )
    order: list[int] = []
    longest = 0
    for row in range(int(rows.max()) + 1):
        members = np.flatnonzero(rows == row)
        longest = max(longest, len(members))
        order += members[np.argsort(boxes[members, 0])].tolist()
    layout = "row" if rows.max() == 0 else "column" if longest == 1 else "grid"
    return np.array(order), layout


def line_through(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope and start of the least-squares line y = start + slope x; slope 0 when all x are one."""
    middle_x, middle_y = float(x.mean()), float(y.mean())
    spread = float(((x - middle_x) ** 2).sum())
    slope = float(((x - middle_x) * (y - middle_y)).sum()) / spread if spread > 1e-12 else 0.0
    return slope, middle_y - slope * middle_x


def _clusters(values: FloatArray, tolerance: float) -> AnyArray:
    """Number the groups of values that lie within a tolerance of their neighbour, rising."""
    order = np.argsort(values)
    steps = np.diff(values[order]) > tolerance
    numbers = np.empty(len(values), dtype=int)
    numbers[order] = np.concatenate([[0], np.cumsum(steps)])
    return numbers


def arrangements(regions: Regions, count: int, shape: tuple[int, int]) -> Iterator[Arrangement]:
    """Offer ways to see `count` patches, strongest kind of evidence first.

    Parameters
    ----------
    regions : Regions
        Rectangles of the picture.
    count : int
        Patches asked for.
    shape : tuple of int
        Height and width of the picture.
    """
    groups = _size_groups(regions)
    for group in groups:
        if len(group) == count:
            yield _arranged(group, np.ones(count, dtype=bool), "separate")
    yield from _unequal(regions, count)
    yield from _bars(regions, count)
    yield from _extensions(regions, count)
    for group in groups:
        if max(3, count / 2) <= len(group) < count:
            yield from _completed(group, count, shape)


def _arranged(boxes: FloatArray, seen: BoolArray, kind: str) -> Arrangement:
    order, layout = reading_order(boxes)
    return Arrangement(boxes[order], seen[order], kind, layout)


def _size_groups(regions: Regions) -> list[FloatArray]:
    """Sets of separate boxes of about one size, those that cover most first."""
    boxes = regions.boxes
    size = boxes[:, 2:] - boxes[:, :2]
    found: dict[tuple[int, ...], FloatArray] = {}
    for seed in range(len(boxes)):
        near = np.all(np.abs(size - size[seed]) <= _SIZE_TOLERANCE * size[seed] + 2.0, axis=1)
        members = np.flatnonzero(near)
        misfit = np.abs(size[members] - size[seed]).sum(axis=1) - 5 * regions.fill[members]
        chosen: list[int] = []
        for index in members[np.argsort(misfit, kind="stable")]:
            if not chosen or overlap(boxes[index], boxes[chosen]).max() < 0.1:
                chosen.append(int(index))
        key = tuple(sorted(chosen))
        if len(chosen) >= 3 and key not in found:
            found[key] = boxes[list(key)]
    return sorted(found.values(), key=lambda group: -_covered(group))


def _covered(boxes: FloatArray) -> float:
    return float(np.prod(boxes[:, 2:] - boxes[:, :2], axis=1).sum())


def _unequal(regions: Regions, count: int) -> Iterator[Arrangement]:
    """Rows (or columns) of boxes with one top and one bottom, of unequal widths."""
    for axis in (0, 1):
        across = 1 - axis
        boxes = regions.boxes
        for seed in range(len(boxes)):
            tall = boxes[seed, across + 2] - boxes[seed, across]
            level = np.abs(boxes[:, [across, across + 2]] - boxes[seed, [across, across + 2]]).max(axis=1)
            members = np.flatnonzero(level <= 0.06 * tall + 1.5)
            if len(members) < count:
                continue
            long = boxes[members, axis + 2] - boxes[members, axis]
            chosen: list[int] = []
            for index in members[np.argsort(long)]:
                if not chosen or overlap(boxes[index], boxes[chosen]).max() < 0.1:
                    chosen.append(int(index))
            lengths = boxes[chosen, axis + 2] - boxes[chosen, axis]
            if (
                len(chosen) == count
                and lengths.min() > 0.4 * np.median(lengths)
                and lengths.max() < 2.5 * np.median(lengths)
            ):
                yield _arranged(boxes[chosen], np.ones(count, dtype=bool), "unequal")
                break


def _bars(regions: Regions, count: int) -> Iterator[Arrangement]:
    """Bars of touching patches cut into equal parts, alone or one below the other."""
    for axis in (0, 1):
        for bars in _stacks(_merged(regions.boxes, axis), axis):
            rows = len(bars)
            lengths = bars[:, axis + 2] - bars[:, axis]
            for per_bar in range(max(2, -(-count // rows)), count + 1):
                if not (rows - 1) * per_bar < count <= rows * per_bar:
                    continue
                part = lengths.max() / per_bar
                whole = np.rint(lengths / part).astype(int)
                if whole.sum() != count or np.abs(lengths / part - whole).max() > 0.15:
                    continue
                cells = np.concatenate([_cut(bar, axis, int(k)) for bar, k in zip(bars, whole, strict=True)])
                yield _arranged(cells, np.ones(count, dtype=bool), "bar")


def _extensions(regions: Regions, count: int) -> Iterator[Arrangement]:
    """Single bars with patches too pale to see at one or both ends."""
    for axis in (0, 1):
        bars = _merged(regions.boxes, axis)
        for bar in bars[np.argsort(-np.prod(bars[:, 2:] - bars[:, :2], axis=1))[:_MOST_BARS]]:
            for seen_count in range(count - 1, max(2, count // 3), -1):
                yield from _extended(bar, axis, seen_count, count)


def _extended(bar: FloatArray, axis: int, seen_count: int, count: int) -> Iterator[Arrangement]:
    """A bar of fewer parts, with patches too pale to see added at its ends."""
    part = (bar[axis + 2] - bar[axis]) / seen_count
    for before in range(count - seen_count + 1):
        whole = bar.copy()
        whole[axis] -= before * part
        whole[axis + 2] += (count - seen_count - before) * part
        seen = np.zeros(count, dtype=bool)
        seen[before : before + seen_count] = True
        yield _arranged(_cut(whole, axis, count), seen, "extended")


def _cut(bar: FloatArray, axis: int, parts: int) -> FloatArray:
    """Cut a box into equal parts along an axis (0: x)."""
    edges = np.linspace(bar[axis], bar[axis + 2], parts + 1)
    cells = np.repeat(bar[None], parts, axis=0)
    cells[:, axis], cells[:, axis + 2] = edges[:-1], edges[1:]
    return cells


def _merged(boxes: FloatArray, axis: int) -> FloatArray:
    """Join boxes that touch along an axis into bars; boxes long along it are bars already."""
    across = 1 - axis
    bars: list[AnyArray] = []
    size = boxes[:, 2:] - boxes[:, :2]
    bars += [box for box, (w, h) in zip(boxes, size, strict=True) if (w, h)[axis] > 1.5 * (w, h)[across]]
    used = np.zeros(len(boxes), dtype=bool)
    for seed in np.argsort(boxes[:, axis]):
        if used[seed]:
            continue
        bar = boxes[seed].copy()
        joined = 1
        while True:
            tall = bar[across + 2] - bar[across]
            near = (
                np.abs(boxes[:, [across, across + 2]] - bar[[across, across + 2]]).max(axis=1)
                <= 0.05 * tall + 1.5
            )
            near &= np.abs(boxes[:, axis] - bar[axis + 2]) <= 2.5
            near &= ~used
            near[seed] = False
            if not near.any():
                break
            following = int(np.flatnonzero(near)[0])
            used[following] = True
            bar[axis + 2] = boxes[following, axis + 2]
            joined += 1
        if joined > 1:
            bars.append(bar)
    return np.array(bars).reshape(-1, 4)


def _stacks(bars: FloatArray, axis: int) -> Iterator[FloatArray]:
    """Single bars, longest first, and sets of bars that begin at one line and are equally wide."""
    if not len(bars):
        return
    across = 1 - axis
    bars = bars[np.argsort(-np.prod(bars[:, 2:] - bars[:, :2], axis=1))[:_MOST_BARS]]
    length = bars[:, axis + 2] - bars[:, axis]
    for index in np.argsort(-length * (bars[:, across + 2] - bars[:, across])):
        yield bars[index][None]
    for seed in np.argsort(-length):
        tall = bars[seed, across + 2] - bars[seed, across]
        alike = np.abs(bars[:, axis] - bars[seed, axis]) < 0.2 * tall
        alike &= np.abs((bars[:, across + 2] - bars[:, across]) - tall) < 0.12 * tall
        members: list[int] = []
        for index in np.flatnonzero(alike)[np.argsort(-length[alike], kind="stable")]:
            if not members or overlap(bars[index], bars[members]).max() < 0.05:
                members.append(int(index))
        if 2 <= len(members) <= 4:
            yield bars[sorted(members, key=lambda i: bars[i, across])]


def _completed(group: FloatArray, count: int, shape: tuple[int, int]) -> Iterator[Arrangement]:
    """A regular arrangement with places added where nothing was seen."""
    size = np.median(group[:, 2:] - group[:, :2], axis=0)
    centre = (group[:, :2] + group[:, 2:]) / 2
    columns, pitch_x, start_x = _numbered(centre[:, 0], float(size[0]))
    rows, pitch_y, start_y = _numbered(centre[:, 1], float(size[1]))
    wide, tall = int(columns.max()) + 1, int(rows.max()) + 1
    if pitch_x == 0 and pitch_y == 0:
        return
    seen_at = set(zip(rows.tolist(), columns.tolist(), strict=True))
    for per_row in range(1, count + 1):
        row_count = -(-count // per_row)
        if (
            per_row < wide
            or row_count < tall
            or (row_count > 1 and pitch_y == 0)
            or (per_row > 1 and pitch_x == 0)
        ):
            continue
        for up, left in itertools.product(range(row_count - tall + 1), range(per_row - wide + 1)):
            places = [divmod(k, per_row) for k in range(count)]
            if not {(r + up, c + left) for r, c in seen_at} <= set(places):
                continue
            where = np.array(
                [(start_x + (c - left) * pitch_x, start_y + (r - up) * pitch_y) for r, c in places]
            )
            boxes = np.concatenate([where - size / 2, where + size / 2], axis=1)
            if (
                boxes[:, :2].min() < -1
                or boxes[:, 2].max() > shape[1] + 1
                or boxes[:, 3].max() > shape[0] + 1
            ):
                continue
            seen = np.array([(r - up, c - left) in seen_at for r, c in places])
            layout = "row" if row_count == 1 else "column" if per_row == 1 else "grid"
            yield Arrangement(boxes, seen, "completed", layout)


def _numbered(centres: FloatArray, size: float) -> tuple[AnyArray, float, float]:
    """Give each centre its whole number on a regular line; also the pitch (0: one line only) and start."""
    groups = _clusters(centres, _ROW_TOLERANCE * size)
    lines = np.array([np.median(centres[groups == k]) for k in range(int(groups.max()) + 1)])
    if len(lines) == 1:
        return groups, 0.0, float(lines[0])
    smallest = float(np.diff(lines).min())
    whole = np.rint((lines - lines[0]) / smallest)
    for _ in range(2):
        pitch, start = line_through(whole, lines)
        if pitch < 1e-6:
            return groups, 0.0, float(lines[0])
        whole = np.rint((lines - start) / pitch)
    whole -= whole.min()
    pitch, start = line_through(whole, lines)
    if np.abs(lines - start - whole * pitch).max() > 0.12 * size or pitch < 0.97 * size:
        return groups, 0.0, float(lines[0])
    return whole[groups].astype(int), float(pitch), float(start)
