"""Where a vessel could stand: pairs of walls that hang from one level line, the surface of a liquid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import AnyArray, Float32Array, FloatArray
from hueph.locate._tube_lines import Lines, level_lines, ragged
from hueph.locate._tube_maps import EdgeMap, TubeScene

__all__ = ["find_bands"]

# A level line shorter than this share of the narrowest bore is no liquid surface.
SHORTEST = 0.4
# Walls of one vessel differ by less than this in dx/dy (perspective, slopes are steps of 0.06).
LARGEST_SPREAD = 0.16
# Reduced pixels below the line at which the walls are looked for: half a line integral and more.
BELOW = (14, 24)
# Columns beyond the ends of a line in which its walls are looked for.
BESIDE = 5
# Walls kept below one line, the strongest.
MAX_WALLS = 24
# Bands kept; generous (the true ones are rarely beyond the first forty).
MAX_BANDS = 64
BANDS_PER_PLACE = 4
# Bands compared with one another at first.
MOST_TRIED = 700
# Weights of what makes a band promising (logarithms of strength over noise).
PROMISE = {
    "surface": 1.4,
    "weaker_wall": 0.95,
    "stronger_wall": 0.9,
    "inside": -0.55,
    "beyond": -0.8,
    "beyond_both": -0.45,
    "covered": 10.0,
    "width": 0.65,
}
# A band is three widths tall; the strip maker extends it.
BAND_HEIGHT = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class _Below:
    """What the wall map shows just below each line: one row of samples a line, laid end to end.

    `begin` is where the samples of a line begin, `x` and `y` the place on the line of each sample,
    `wall` and `slope` the strongest wall below it.
    """

    begin: AnyArray
    count: AnyArray
    x: AnyArray
    y: FloatArray
    wall: Float32Array
    slope: Float32Array


def find_bands(scene: TubeScene) -> FloatArray:
    """Return bands that may hold a vessel, the most promising first.

    Returns
    -------
    array, shape (n, 4, 2)
        Corners (x, y) in working-picture pixels: the two ends of the level line, then the points
        three widths down the right and the left wall.
    """
    rows = _bands(level_lines(scene.levels, SHORTEST * scene.bores[0]), scene)
    rows = rows[np.argsort(-rows[:, 0], kind="stable")]
    # Those kept are nearly always among the first few hundred of thousands.
    kept = _different(rows[:MOST_TRIED])
    if len(kept) < MAX_BANDS and len(rows) > MOST_TRIED:
        kept = _different(rows)
    return scene.working(_corners(kept))


def _different(rows: FloatArray) -> FloatArray:
    """Keep the first of nearly equal bands, and only a few in one place."""
    kept: list[int] = []
    free = np.ones(len(rows), dtype=bool)
    company = np.zeros(len(rows), dtype=int)
    ends = np.ascontiguousarray(rows[:, 1:5].T)
    width = ends[2] - ends[0]
    for index in range(len(rows)):
        if not free[index]:
            continue
        kept.append(index)
        if len(kept) == MAX_BANDS:
            break
        later = slice(index + 1, None)
        moved = ends[:, later] - ends[:, index, None]
        narrower = np.minimum(width[later], width[index])
        near = (np.abs(moved[0] + moved[2]) < 0.6 * narrower) & (np.abs(moved[1] + moved[3]) < narrower)
        company[later] += near
        free[later] &= (company[later] < BANDS_PER_PLACE) & (np.abs(moved).max(axis=0) > 2.0)
    return rows[kept]


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


def _bands(lines: Lines, scene: TubeScene) -> FloatArray:
    """Pair the walls found just below level lines; rows of (score, corners, slopes)."""
    below = _look_below(lines, scene.walls)
    line, left, right = _wall_pairs(lines, below, scene)
    full = lines.cover(line, below.x[left], below.x[right], 0.1, 0.9)[0] > 0.5
    line, left, right = line[full], left[full], right[full]
    slope_left, slope_right = below.slope[left], below.slope[right]
    apart = np.abs(slope_left - slope_right) > LARGEST_SPREAD
    surer = np.where(below.wall[left] > below.wall[right], slope_left, slope_right)
    slope_left, slope_right = np.where(apart, surer, slope_left), np.where(apart, surer, slope_right)
    score = _promise(lines, below, (line, left, right), scene)
    columns = (score, below.x[left], below.y[left], below.x[right], below.y[right], slope_left, slope_right)
    return np.stack([np.asarray(c, dtype=np.float64) for c in columns], axis=1)


def _look_below(lines: Lines, walls: EdgeMap) -> _Below:
    """Sample the wall map just below each line and a little beyond its ends."""
    height, width = walls.strength.shape
    start = np.maximum(0, 2 * lines.first - BESIDE)
    count = np.minimum(width, 2 * lines.last + 2 + BESIDE) - start
    x = ragged(start, count)
    y = np.repeat(lines.offset, count) + np.repeat(lines.slope, count) * x
    wall = np.zeros(len(x), dtype=np.float32)
    slope = np.zeros(len(x), dtype=np.float32)
    for below in BELOW:
        rows = np.clip(np.round((y + below) / 2).astype(int), 0, height - 1)
        strength = walls.strength[rows, x]
        better = strength > wall
        slope = np.where(better, walls.slope[rows, x], slope)
        wall = np.where(better, strength, wall)
    return _Below(np.cumsum(count) - count, count, x, y, wall, slope)


def _wall_pairs(lines: Lines, below: _Below, scene: TubeScene) -> tuple[AnyArray, AnyArray, AnyArray]:
    """Return line, left and right sample of all pairs of walls as far apart as a vessel is wide."""
    at = _wall_positions(lines, below, 2.0 * scene.walls.noise)
    # Both limits are excluded.
    nearest, farthest = int(np.floor(scene.bores[0])) + 1, int(np.ceil(scene.bores[1])) - 1
    line = np.searchsorted(below.begin, at, side="right") - 1
    line_end = (below.begin + below.count)[line]
    first = np.searchsorted(at, np.minimum(at + nearest, line_end))
    stop = np.searchsorted(at, np.minimum(at + farthest + 1, line_end))
    count = np.maximum(stop - first, 0)
    return np.repeat(line, count), np.repeat(at, count), at[ragged(first, count)]


def _wall_positions(lines: Lines, below: _Below, least: float) -> AnyArray:
    """Return the samples that are peaks of the walls, and the ends of lines where no wall is near."""
    line = np.repeat(np.arange(len(below.count)), below.count)
    wall, end = below.wall, below.begin + below.count - 1
    inner = np.ones(len(wall), dtype=bool)
    inner[below.begin] = inner[end] = False
    inner &= wall > least
    inner[1:-1] &= (wall[1:-1] >= wall[:-2]) & (wall[1:-1] > wall[2:])
    peaks = np.nonzero(inner)[0]
    ranked = peaks[np.lexsort((-wall[peaks], line[peaks]))]
    owner = line[ranked]
    rank = np.arange(len(ranked)) - np.searchsorted(owner, owner)
    peaks = np.sort(ranked[rank < MAX_WALLS])
    found = [peaks]
    for column in (2 * lines.first, 2 * lines.last + 1):
        place = below.begin + column - below.x[below.begin]
        low = np.searchsorted(peaks, np.maximum(place - 3, below.begin))
        high = np.searchsorted(peaks, np.minimum(place + 3, end), side="right")
        found.append(np.clip(place, below.begin, end)[low >= high])
    return np.unique(np.concatenate(found))


def _promise(
    lines: Lines, below: _Below, spans: tuple[AnyArray, AnyArray, AnyArray], scene: TubeScene
) -> FloatArray:
    """Return how promising spans (line, left sample, right sample) between walls are."""
    line, left, right = spans
    floor = max(scene.levels.noise, 1e-6)
    wall_floor = max(scene.walls.noise, 1e-6)
    ends = below.x[left], below.x[right]
    covered, strength = lines.cover(line, *ends, 0.1, 0.9)
    _, before = lines.cover(line, *ends, -0.3, -0.1)
    _, after = lines.cover(line, *ends, 1.1, 1.3)
    weak = np.minimum(below.wall[left], below.wall[right])
    strong = np.maximum(below.wall[left], below.wall[right])
    inside = _highest_inside(below.wall, left, right)
    terms = {
        "surface": np.log1p(strength / floor),
        "weaker_wall": np.log1p(weak / wall_floor),
        "stronger_wall": np.log1p(strong / wall_floor),
        "inside": np.log1p(inside / wall_floor),
        "beyond": np.log1p(np.maximum(before, after) / floor),
        "beyond_both": np.log1p(np.minimum(before, after) / floor),
        "covered": covered,
        "width": np.log(ends[1] - ends[0]),
    }
    return sum((PROMISE[name] * term for name, term in terms.items()), np.zeros(len(left)))


def _highest_inside(wall: Float32Array, left: AnyArray, right: AnyArray) -> Float32Array:
    """Return the strongest wall between two walls, leaving out a margin beside each."""
    margin = np.maximum((0.15 * (right - left)).astype(int), 2)
    start, stop = left + margin, right - margin
    if not len(start):
        return np.zeros(0, dtype=np.float32)
    bounds = np.stack([start, stop], axis=1).ravel()
    highest: Float32Array = np.maximum.reduceat(wall, bounds)[::2]
    return np.where(stop > start, highest, np.float32(0.0))
