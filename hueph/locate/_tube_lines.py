"""Near-level lines of a reduced picture: ridges of the level map, linked and fitted, all at once."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray
from hueph.locate._tube_maps import EdgeMap

__all__ = ["Lines", "level_lines", "ragged"]

# A level line steeper than this is no liquid surface, even in a picture turned by ten degrees.
STEEPEST_LEVEL = 0.3
# Lines kept; generous (the true ones are rarely beyond the first forty).
MAX_LINES = 200
# Edge strengths, in units of the noise, from which ridges are linked into lines.
LINKING = (3.0, 8.0, 24.0)


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Near-level lines y = offset + slope x, reduced pixels, the most promising first.

    Attributes
    ----------
    offset, slope : array, shape (k,)
    first, last : array of int, shape (k,)
        Leftmost and rightmost column (halved columns).
    begin : array of int, shape (k,)
        Where a line begins in the running sums, which hold all columns of one line after another.
    seen, roots : array
        Running sums over columns: has the line a point there, and the root of its strength.
    """

    offset: FloatArray
    slope: FloatArray
    first: AnyArray
    last: AnyArray
    begin: AnyArray
    seen: FloatArray
    roots: FloatArray

    def cover(
        self, line: AnyArray, left: AnyArray, right: AnyArray, start: float, stop: float
    ) -> tuple[FloatArray, FloatArray]:
        """Return how much of a part of spans their lines cover, and the strength there (root mean).

        Parameters
        ----------
        line : array of int, shape (m,)
        left, right : array, shape (m,)
            Ends of each span, reduced pixels.
        start, stop : float
            The part, shares of the span.
        """
        low = np.round((left + start * (right - left)) / 2).astype(int)
        high = np.maximum(np.round((left + stop * (right - left)) / 2).astype(int), low + 1)
        count = high - low
        first, most = self.first[line], (self.last - self.first + 1)[line]
        low, high = (np.clip(ends - first, 0, most) + self.begin[line] for ends in (low, high))
        root = np.maximum(self.roots[high] - self.roots[low], 0.0) / count
        return (self.seen[high] - self.seen[low]) / count, root**2


@dataclass(frozen=True, slots=True, eq=False)
class _Linked:
    """Lines linked at one threshold: rank of each and number of its points; their places and strengths."""

    rank: FloatArray
    count: AnyArray
    columns: AnyArray
    rows: AnyArray
    strength: Float32Array


def ragged(starts: AnyArray, counts: AnyArray) -> AnyArray:
    """Return the ranges that begin at `starts` and are `counts` long, one behind another."""
    before = np.cumsum(counts) - counts
    return np.asarray(np.repeat(starts - before, counts) + np.arange(int(counts.sum())))


def level_lines(levels: EdgeMap, shortest: float) -> Lines:
    """Link the ridges of the level map into lines, none of fewer columns than `shortest`."""
    strength = levels.strength
    middle = strength[1:-1]
    ridge = np.zeros(strength.shape, dtype=bool)
    ridge[1:-1] = (middle >= strength[:-2]) & (middle > strength[2:])
    shortest = max(3.0, shortest)
    # Several thresholds: a low one joins a clear surface to the noise beside it, a high one breaks a faint one.
    parts = [_linked(strength, ridge & (strength > least * levels.noise), shortest) for least in LINKING]
    rank, count, columns, rows, strengths = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("rank", "count", "columns", "rows", "strength")
    )
    slope, offset = _fit_lines(columns, rows, np.repeat(np.arange(len(rank)), count), len(rank))
    level = np.nonzero(np.abs(slope) <= STEEPEST_LEVEL)[0]
    kept = level[np.argsort(-rank[level], kind="stable")[:MAX_LINES]]
    points = ragged((np.cumsum(count) - count)[kept], count[kept])
    return _with_sums(offset[kept], slope[kept], count[kept], columns[points], strengths[points])


def _with_sums(
    offset: FloatArray, slope: FloatArray, count: AnyArray, columns: AnyArray, strength: Float32Array
) -> Lines:
    """Add the running sums to lines given with their points, `count` points a line."""
    begin = np.cumsum(count) - count
    if len(count):
        first, last = np.minimum.reduceat(columns, begin), np.maximum.reduceat(columns, begin)
    else:
        first = last = count
    size = last - first + 1
    where = np.cumsum(size) - size
    at = np.repeat(where - first, count) + columns
    seen, roots = np.zeros(int(size.sum()) + 1), np.zeros(int(size.sum()) + 1)
    seen[at + 1] = 1.0
    np.maximum.at(roots, at + 1, np.sqrt(strength))
    return Lines(offset, slope, first, last, where, np.cumsum(seen), np.cumsum(roots))


def _linked(strength: Float32Array, ridge: BoolArray, shortest: float) -> _Linked:
    """Connect ridges into lines, rank them and keep the best."""
    linked = cv2.dilate(ridge.view(np.uint8), np.ones((1, 3), np.uint8))
    groups, labels = cv2.connectedComponents(linked, connectivity=8)
    rows, columns = np.nonzero(ridge)
    owners = labels[rows, columns]
    order = np.argsort(owners, kind="stable")
    rows, columns, owners = rows[order], columns[order], owners[order]
    values = strength[rows, columns]
    ranks = np.bincount(owners, weights=np.sqrt(values), minlength=groups).astype(np.float64)
    starts = np.searchsorted(owners, np.arange(groups + 1))
    # Label 0 is what is no ridge; every other has at least one point.
    first, last = (
        end.reduceat(columns, starts[1:-1]) if groups > 1 else columns for end in (np.minimum, np.maximum)
    )
    # Linking has made them a column wider on either side.
    wide = np.minimum(last + 1, strength.shape[1] - 1) - np.maximum(first - 1, 0) + 1
    ranks[1:][wide < shortest] = 0.0
    best = np.argsort(-ranks, kind="stable")[:MAX_LINES]
    best = best[ranks[best] > 0]
    start, count = starts[best], starts[best + 1] - starts[best]
    points = ragged(start, count)
    return _Linked(ranks[best], count, columns[points], rows[points], values[points])


def _fit_lines(
    columns: AnyArray, rows: AnyArray, owner: AnyArray, lines: int
) -> tuple[FloatArray, FloatArray]:
    """Fit y over x (reduced pixels) for each line, with one round of leaving out the far points."""
    x = 2.0 * columns + 0.5
    y = rows.astype(np.float64)

    def total(values: AnyArray) -> FloatArray:
        return np.asarray(np.bincount(owner, weights=values, minlength=lines), dtype=np.float64)

    use = np.ones(len(x))
    slope, offset = np.zeros(lines), np.zeros(lines)
    for _ in range(2):
        number = np.maximum(total(use), 1.0)
        centre, mean = total(use * x) / number, total(use * y) / number
        from_centre = use * (x - centre[owner])
        spread = total(from_centre * (x - centre[owner]))
        product = total(from_centre * (y - mean[owner]))
        slope = np.where(spread > 0, product / np.where(spread > 0, spread, 1.0), 0.0)
        offset = mean - slope * centre
        away = np.abs(y - offset[owner] - slope[owner] * x)
        limit = np.maximum(2.0, 2.5 * _medians(away, owner, lines))
        use = (away <= limit[owner]).astype(np.float64)
    return slope, offset


def _medians(values: FloatArray, owner: AnyArray, groups: int) -> FloatArray:
    """Return the median of each group; `owner` rises."""
    ordered = values[np.lexsort((values, owner))]
    count = np.bincount(owner, minlength=groups)
    begin = np.cumsum(count) - count
    if not len(ordered):
        return np.zeros(groups)
    low, high = begin + np.maximum(count - 1, 0) // 2, begin + count // 2
    last = len(ordered) - 1
    return np.asarray(0.5 * (ordered[np.minimum(low, last)] + ordered[np.minimum(high, last)]))
