"""Where a vessel could stand: pairs of walls that hang from one level line, the surface of a liquid."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray
from hueph.locate._tube_maps import EdgeMap, TubeScene

__all__ = ["find_bands"]

# Bores that are looked for, as a share of the longest side of the picture.
NARROWEST = 0.022
WIDEST = 0.32
# A level line steeper than this is no liquid surface, even in a picture turned by ten degrees.
STEEPEST_LEVEL = 0.3
# Walls of one vessel differ by less than this in dx/dy (perspective, slopes are steps of 0.06).
LARGEST_SPREAD = 0.16
# Reduced pixels below the line at which the walls are looked for: half a line integral and more.
BELOW = (14, 24)
# How far down the walls are asked to last.
LASTING = (20, 30)
# Lines and bands kept; both counts are generous (the true ones are rarely beyond the first forty).
MAX_LINES = 200
# Edge strengths, in units of the noise, from which ridges are linked into lines.
LINKING = (3.0, 8.0, 24.0)
MAX_BANDS = 64
BANDS_PER_PLACE = 4
# Weights of what makes a band promising (logarithms of strength over noise).
PROMISE = {
    "surface": 1.4,
    "weaker_wall": 0.95,
    "stronger_wall": 0.9,
    "lasting": 0.0,
    "lasting_longer": 0.0,
    "inside": -0.55,
    "beyond": -0.8,
    "beyond_both": -0.45,
    "covered": 10.0,
    "width": 0.65,
}
# A band is three widths tall; the strip maker extends it.
BAND_HEIGHT = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """A near-level line: y = offset + slope x, its columns and strength at each (halved columns)."""

    offset: float
    slope: float
    columns: AnyArray
    strength: Float32Array


def find_bands(scene: TubeScene) -> FloatArray:
    """Return bands that may hold a vessel, the most promising first.

    Returns
    -------
    array, shape (n, 4, 2)
        Corners (x, y) in working-picture pixels: the two ends of the level line, then the points
        three widths down the right and the left wall.
    """
    found: list[FloatArray] = []
    for line in _level_lines(scene.levels):
        found.append(_bands_below(line, scene))
    rows = np.concatenate(found) if found else np.zeros((0, 7))
    kept = _different(rows[np.argsort(-rows[:, 0], kind="stable")])
    if not kept:
        return np.zeros((0, 4, 2))
    return _corners(np.array(kept)) / scene.scale


def _different(rows: FloatArray) -> list[FloatArray]:
    """Keep the first of nearly equal bands, and only a few in one place."""
    kept: list[FloatArray] = []
    ends = np.zeros((MAX_BANDS, 4))
    for row in rows:
        others = ends[: len(kept)]
        moved = others - row[1:5]
        width = np.minimum(others[:, 2] - others[:, 0], row[3] - row[1])
        near = (np.abs(moved[:, 0] + moved[:, 2]) < 0.6 * width) & (np.abs(moved[:, 1] + moved[:, 3]) < width)
        if np.any(np.abs(moved).max(axis=1, initial=0.0) <= 2.0) or np.count_nonzero(near) >= BANDS_PER_PLACE:
            continue
        ends[len(kept)] = row[1:5]
        kept.append(row)
        if len(kept) == MAX_BANDS:
            break
    return kept


def _corners(rows: FloatArray) -> FloatArray:
    """Turn (score, xl, yl, xr, yr, left slope, right slope) into corners three widths tall."""
    left, right = rows[:, 1:3], rows[:, 3:5]
    width = np.linalg.norm(right - left, axis=1, keepdims=True)
    corners = [left, right]
    for top, slope in ((right, rows[:, 6:7]), (left, rows[:, 5:6])):
        direction = np.hstack([slope, np.ones_like(slope)])
        direction /= np.linalg.norm(direction, axis=1, keepdims=True)
        corners.append(top + direction * width * BAND_HEIGHT)
    return np.stack(corners, axis=1)


def _level_lines(levels: EdgeMap) -> list[_Line]:
    """Link the ridges of the level map into lines, the strongest first."""
    strength = levels.strength
    middle = strength[1:-1]
    ridge = np.zeros(strength.shape, dtype=bool)
    ridge[1:-1] = (middle >= strength[:-2]) & (middle > strength[2:])
    shortest = max(3.0, 0.4 * NARROWEST * max(strength.shape[0], 2 * strength.shape[1]))
    ranked: list[tuple[float, _Line]] = []
    # Several thresholds: a low one joins a clear surface to the noise beside it, a high one breaks a faint one.
    for least in LINKING:
        ranked += _linked(strength, ridge & (strength > least * levels.noise), shortest)
    ranked.sort(key=lambda item: -item[0])
    return [line for _, line in ranked[:MAX_LINES]]


def _linked(strength: Float32Array, ridge: BoolArray, shortest: float) -> list[tuple[float, _Line]]:
    """Return the connected ridges as lines with their rank."""
    linked = cv2.dilate(ridge.astype(np.uint8), np.ones((1, 3), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(linked, connectivity=8)
    rows, columns = np.nonzero(ridge)
    owners = labels[rows, columns]
    order = np.argsort(owners, kind="stable")
    rows, columns, owners = rows[order], columns[order], owners[order]
    starts = np.searchsorted(owners, np.arange(len(stats) + 1))
    values = strength[rows, columns]
    ranks = np.zeros(len(stats))
    np.add.at(ranks, owners, np.sqrt(values))
    ranks[stats[:, cv2.CC_STAT_WIDTH] < shortest] = 0.0
    best = np.argsort(-ranks, kind="stable")[:MAX_LINES]
    lines = []
    for label in best[ranks[best] > 0]:
        part = slice(starts[label], starts[label + 1])
        line = _fit_line(columns[part], rows[part], values[part])
        if line is not None:
            lines.append((float(ranks[label]), line))
    return lines


def _fit_line(columns: AnyArray, rows: AnyArray, values: Float32Array) -> _Line | None:
    """Fit y over x (reduced pixels) with one round of leaving out the far points."""
    x = 2.0 * columns + 0.5
    y = rows.astype(np.float64)
    use: BoolArray = np.ones(len(x), dtype=bool)
    slope, offset = 0.0, float(y.mean())
    for _ in range(2):
        centre, mean = x[use].mean(), y[use].mean()
        spread = float(((x[use] - centre) ** 2).sum())
        slope = float(((x[use] - centre) * (y[use] - mean)).sum() / spread) if spread > 0 else 0.0
        offset = mean - slope * centre
        away = np.abs(y - offset - slope * x)
        use = away <= max(2.0, 2.5 * float(np.median(away)))
    if abs(slope) > STEEPEST_LEVEL:
        return None
    return _Line(offset, slope, columns, values)


def _bands_below(line: _Line, scene: TubeScene) -> FloatArray:
    """Pair the walls found just below a level line; rows of (score, corners, slopes)."""
    walls, _levels = scene.walls, scene.levels
    height, width = walls.strength.shape
    first, last = int(line.columns.min()) * 2, int(line.columns.max()) * 2 + 1
    x = np.arange(max(0, first - 5), min(width, last + 6))
    y = line.offset + line.slope * x
    profile = np.zeros(len(x), dtype=np.float32)
    slopes = np.zeros(len(x), dtype=np.float32)
    for below in BELOW:
        rows = np.clip(np.round((y + below) / 2).astype(int), 0, height - 1)
        strength = walls.strength[rows, x]
        better = strength > profile
        profile[better] = strength[better]
        slopes[better] = walls.slope[rows, x][better]
    at = _wall_positions(profile, 2.0 * walls.noise, first - x[0], last - x[0])
    side = max(width, 2 * height)
    left, right = np.triu_indices(len(at), 1)
    left, right = at[left], at[right]
    wide = (right - left > NARROWEST * side) & (right - left < WIDEST * side)
    left, right = left[wide], right[wide]
    full = _cover(line, x[left], x[right], 0.1, 0.9)[0] > 0.5
    left, right = left[full], right[full]
    slope_left, slope_right = slopes[left], slopes[right]
    apart = np.abs(slope_left - slope_right) > LARGEST_SPREAD
    surer = np.where(profile[left] > profile[right], slope_left, slope_right)
    slope_left, slope_right = np.where(apart, surer, slope_left), np.where(apart, surer, slope_right)
    lasting = [
        np.minimum(
            _wall_below(walls, x[left], y[left], slope_left, below),
            _wall_below(walls, x[right], y[right], slope_right, below),
        )
        for below in LASTING
    ]
    score = _promise(line, x, profile, left, right, lasting, scene)
    columns = (score, x[left], y[left], x[right], y[right], slope_left, slope_right)
    return np.stack([np.asarray(c, dtype=np.float64) for c in columns], axis=1)


def _wall_positions(profile: Float32Array, least: float, first: int, last: int) -> AnyArray:
    """Return the peaks of a wall profile, and the ends of the line where no wall is near them."""
    middle = profile[1:-1]
    peaks = np.nonzero((middle >= profile[:-2]) & (middle > profile[2:]) & (middle > least))[0] + 1
    if len(peaks) > 24:
        peaks = np.sort(peaks[np.argsort(-profile[peaks], kind="stable")[:24]])
    ends = [end for end in (first, last) if not np.any(np.abs(peaks - end) <= 3)]
    ends = [int(np.clip(end, 0, len(profile) - 1)) for end in ends]
    return np.unique(np.concatenate([peaks, np.array(ends, dtype=peaks.dtype)]))


def _wall_below(walls: EdgeMap, x: AnyArray, y: FloatArray, slope: AnyArray, below: int) -> Float32Array:
    """Return the wall strength some way down a wall, a pixel more or less to the side."""
    height, width = walls.strength.shape
    rows = np.clip(np.round((y + below) / 2).astype(int), 0, height - 1)
    columns = np.round(x + slope * below).astype(int)[:, None] + np.arange(-1, 2)
    strength: Float32Array = walls.strength[rows[:, None], np.clip(columns, 0, width - 1)].max(axis=1)
    return strength


def _promise(
    line: _Line,
    x: AnyArray,
    profile: Float32Array,
    left: AnyArray,
    right: AnyArray,
    lasting: list[Float32Array],
    scene: TubeScene,
) -> FloatArray:
    """Return how promising the spans between walls at `left` and `right` are."""
    floor = max(scene.levels.noise, 1e-6)
    wall_floor = max(scene.walls.noise, 1e-6)
    covered, strength = _cover(line, x[left], x[right], 0.1, 0.9)
    _, before = _cover(line, x[left], x[right], -0.3, -0.1)
    _, after = _cover(line, x[left], x[right], 1.1, 1.3)
    weak = np.minimum(profile[left], profile[right])
    strong = np.maximum(profile[left], profile[right])
    margin = np.maximum((0.15 * (right - left)).astype(int), 2)
    inside = np.array(
        [profile[a + m : b - m].max(initial=0.0) for a, b, m in zip(left, right, margin, strict=True)]
    )
    terms = {
        "surface": np.log1p(strength / floor),
        "weaker_wall": np.log1p(weak / wall_floor),
        "stronger_wall": np.log1p(strong / wall_floor),
        "lasting": np.log1p(lasting[0] / wall_floor),
        "lasting_longer": np.log1p(lasting[1] / wall_floor),
        "inside": np.log1p(inside / wall_floor),
        "beyond": np.log1p(np.maximum(before, after) / floor),
        "beyond_both": np.log1p(np.minimum(before, after) / floor),
        "covered": covered,
        "width": np.log(x[right] - x[left]),
    }
    return sum((PROMISE[name] * term for name, term in terms.items()), np.zeros(len(left)))


def _cover(
    line: _Line, left: AnyArray, right: AnyArray, start: float, stop: float
) -> tuple[FloatArray, FloatArray]:
    """Return how much of a part of each span the line covers, and its strength there (root mean)."""
    first, last = int(line.columns.min()), int(line.columns.max())
    seen = np.zeros(last - first + 1)
    roots = np.zeros(last - first + 1)
    seen[line.columns - first] = 1.0
    np.maximum.at(roots, line.columns - first, np.sqrt(line.strength))
    sums = np.concatenate([[0.0], np.cumsum(seen)])
    root_sums = np.concatenate([[0.0], np.cumsum(roots)])
    low = np.round((left + start * (right - left)) / 2).astype(int)
    high = np.maximum(np.round((left + stop * (right - left)) / 2).astype(int), low + 1)
    count = high - low
    low, high = (np.clip(ends - first, 0, len(seen)) for ends in (low, high))
    return (sums[high] - sums[low]) / count, ((root_sums[high] - root_sums[low]) / count) ** 2
