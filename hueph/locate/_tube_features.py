"""What a straightened band shows: surface, walls, bottom, evenness inside, contrast to the outside."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, Float32Array, FloatArray
from hueph.locate._tube_strips import BAND_LEFT, BAND_TOP, SAMPLES, STRIP_SHAPE

__all__ = ["FEATURES", "Columns", "describe"]

SCALARS = (
    "surface",  # step across the surface line, whole width
    "weaker_wall",
    "stronger_wall",
    "walled",  # share of rows in which both walls show
    "bottom",  # step across the best bottom outline
    "round_bottom",  # the same for a hemisphere
    "break_inside",  # largest level step inside, between surface and bottom
    "contrast_least",  # inside against the outside, the more similar side
    "contrast_mean",  # inside against the mean of both sides
    "opposite",  # walls step in opposite directions: -1..1
    "asymmetry",
    "upright_inside",  # strongest upright edge inside
    "glass",  # walls going on above the surface
    "below",  # walls going on below the bottom
    "surface_change",  # colour just below against just above the surface
    "bottom_change",
    "dark_rims",
    "from_backing",  # inside against the median of the picture's row
    "beside_from_backing",  # the outside against it, the more similar side
    "drift",  # colour change along the inside
    "tallness",  # log of height / width
    "size",  # log of width / longest picture side
    "round",
    "flat",
)
SURROUNDINGS = (
    "surface_beyond",  # the surface line going on beside the column, the fainter side
    "surface_beyond_most",
    "bottom_beyond",  # the bottom line going on beside the column, the fainter side
    "corner_inside",  # lower corners against the inside
    "corner_outside",  # lower corners against the outside
)
# Two samples a bin across the strip; three rows a bin around surface and bottom.
PROFILE_BINS = STRIP_SHAPE[1] // 2
LEVEL_BINS = 12
FEATURES = (
    SCALARS
    + tuple(f"profile_{kind}_{i}" for kind in ("light", "colour") for i in range(PROFILE_BINS))
    + tuple(
        f"{place}_{kind}_{i}"
        for place in ("top", "bottom")
        for kind in ("light", "colour", "wall")
        for i in range(LEVEL_BINS)
    )
    + SURROUNDINGS
)
# Bottom outlines: half axis downwards as a share of the radius.
_DEPTHS = np.array([1.0, 0.5, 0.15])
_ANGLES = np.deg2rad(np.arange(-66.0, 67.0, 12.0))
# Bends of the surface tried, samples at the middle against the walls.
_SAGS = (-3, -2, -1, 0, 1, 2)
_BOTTOMS = 3
_RIGHT = BAND_LEFT + SAMPLES
_CORNERS = (slice(BAND_LEFT + 1, BAND_LEFT + 4), slice(_RIGHT - 4, _RIGHT - 1))
_INNER = slice(BAND_LEFT + SAMPLES // 4, _RIGHT - SAMPLES // 4 + 1)


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Liquid columns proposed in strips.

    Attributes
    ----------
    strip : array, shape (m,)
        Index of the strip.
    top, bottom : array, shape (m,)
        Rows of surface and bottom.
    depth : array, shape (m,)
        Half axis of the bottom outline, share of the radius.
    features : array, shape (m, len(FEATURES))
    """

    strip: AnyArray
    top: AnyArray
    bottom: AnyArray
    depth: FloatArray
    features: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Maps:
    """Edge maps of all strips, (n, rows) or (n, rows, columns, 3)."""

    strips: Float32Array
    across: Float32Array
    wall_step: Float32Array
    inside: Float32Array
    left: Float32Array
    right: Float32Array
    level_step: Float32Array
    level_left: Float32Array
    level_right: Float32Array
    outline: Float32Array
    top: AnyArray
    surface: Float32Array


def describe(
    strips: Float32Array, backing: Float32Array, unit: float, sizes: FloatArray, deepest: AnyArray
) -> Columns:
    """Propose up to three bottoms for each strip and measure what speaks for a liquid column.

    Parameters
    ----------
    strips : array, shape (n, rows, columns, 3)
        Opponent colour.
    backing : array, shape (n, rows, 3)
        Colour of the backing in the picture's row at each row of the strips.
    unit : float
        Edge strength that counts as certainly more than noise.
    sizes : array, shape (n,)
        Width over the longest side of the picture.
    deepest : array, shape (n,)
        Last row that is still inside the picture.
    """
    maps = _make_maps(strips)
    strip, bottom, shape, broken = _bottoms(maps, unit, deepest)
    if len(strip) == 0:
        return Columns(strip, strip, strip, np.zeros(0), np.zeros((0, len(FEATURES))))
    top = maps.top[strip]
    first = top + 3
    last = np.maximum(bottom - int(0.35 * SAMPLES), top + 5)
    scalars = _scalars(maps, backing, unit, strip, first, last, bottom)
    strengths = {
        "surface": maps.surface[strip],
        "bottom": maps.outline[strip, shape, bottom],
        "round_bottom": maps.outline[strip, 0, bottom],
        "break_inside": broken,
    }
    scalars.update({name: np.log1p(value / unit) for name, value in strengths.items()})
    scalars["tallness"] = np.log((bottom - top) / SAMPLES)
    scalars["size"] = np.log(sizes[strip])
    scalars["round"] = (shape == 0).astype(float)
    scalars["flat"] = (shape == 2).astype(float)
    table = np.stack([scalars[name] for name in SCALARS], axis=1)
    profiles = _profiles(maps, unit, strip, first, last, bottom)
    around = np.stack([scalars[name] for name in SURROUNDINGS], axis=1)
    table = np.hstack([table, profiles, around]).astype(np.float64)
    return Columns(strip, top, bottom, _DEPTHS[shape], table)


def _make_maps(strips: Float32Array) -> _Maps:
    """Differentiate all strips at once, as one tall picture."""
    shape = strips.shape
    tall = strips.reshape(-1, shape[2], 3)
    across = cv2.Sobel(tall, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    along = cv2.Sobel(tall, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8).reshape(shape)
    wall_step = cv2.blur(across, (1, 7)).reshape(shape)
    across = across.reshape(shape)
    top, surface = _surface(along)
    return _Maps(
        strips,
        across,
        wall_step,
        strips[:, :, _INNER].mean(axis=2),
        _length(wall_step[:, :, BAND_LEFT - 2 : BAND_LEFT + 3]).max(axis=2),
        _length(wall_step[:, :, _RIGHT - 2 : _RIGHT + 3]).max(axis=2),
        _length(along[:, :, _INNER].mean(axis=2)),
        _length(along[:, :, 1 : BAND_LEFT - 3].mean(axis=2)),
        _length(along[:, :, _RIGHT + 3 : -1].mean(axis=2)),
        np.stack([_outline(across, along, depth) for depth in _DEPTHS], axis=1),
        top,
        surface,
    )


def _length(vectors: Float32Array) -> Float32Array:
    """Return the length of vectors along the last axis."""
    lengths: Float32Array = np.sqrt(np.einsum("...k,...k->...", vectors, vectors))
    return lengths


def _span_mean(values: Float32Array, strip: AnyArray, first: AnyArray, last: AnyArray) -> FloatArray:
    """Return the mean over rows `first` to `last` (excluded) of strips, shape (m, ...)."""
    sums = np.cumsum(values, axis=1, dtype=np.float64)
    total = sums[strip, last - 1] - sums[strip, first - 1]
    count = (last - first).reshape((-1,) + (1,) * (total.ndim - 1))
    mean: FloatArray = total / count
    return mean


def _surface(along: Float32Array) -> tuple[AnyArray, Float32Array]:
    """Return row and strength of the surface near the level line of each strip, over its bends."""
    reach = 3
    columns = np.arange(BAND_LEFT + 2, _RIGHT - 1)
    bow = 1.0 - ((columns - BAND_LEFT) / SAMPLES * 2 - 1) ** 2
    rows = np.arange(BAND_TOP - reach, BAND_TOP + reach + 1)
    best = np.zeros((len(along), len(rows)), dtype=np.float32)
    for sag in _SAGS:
        at = rows[:, None] + np.round(sag * bow).astype(int)
        sums = np.cumsum(along[:, at, columns], axis=2)
        smooth = (sums[:, :, 5:] - sums[:, :, :-5]) / np.float32(5.0)
        best = np.maximum(best, np.sqrt(_length(smooth)).mean(axis=2) ** 2)
    at_best = np.argmax(best, axis=1)
    return rows[at_best], best[np.arange(len(best)), at_best]


def _outline(across: Float32Array, along: Float32Array, depth: float) -> Float32Array:
    """Return the step across a bottom outline ending at each row, shape (n, rows)."""
    radius = SAMPLES / 2
    columns = np.round(BAND_LEFT + radius + 0.97 * radius * np.sin(_ANGLES)).astype(int)
    rise = np.round(depth * radius * (np.cos(_ANGLES) - 1.0)).astype(int)
    normal = np.stack([np.sin(_ANGLES), np.cos(_ANGLES) / depth])
    normal = (normal / np.linalg.norm(normal, axis=0)).astype(np.float32)
    rows = np.clip(np.arange(STRIP_SHAPE[0])[:, None] + rise, 0, STRIP_SHAPE[0] - 1)
    step = across[:, rows, columns] * normal[0][:, None] + along[:, rows, columns] * normal[1][:, None]
    smooth = (step[:, :, :-2] + step[:, :, 1:-1] + step[:, :, 2:]) / 3
    strength: Float32Array = np.sqrt(_length(smooth)).mean(axis=2) ** 2
    return strength


def _bottoms(maps: _Maps, unit: float, deepest: AnyArray) -> tuple[AnyArray, AnyArray, AnyArray, FloatArray]:
    """Return strip, row, outline and strongest level step above of the likeliest bottoms."""
    count = STRIP_SHAPE[0]
    rows = np.arange(count)
    top = maps.top[:, None]
    roots = np.cumsum(np.sqrt(np.minimum(maps.left, maps.right)), axis=1, dtype=np.float64)
    index = np.arange(len(roots))[:, None]
    ends = np.maximum(rows - int(0.35 * SAMPLES), top + 4)
    walls = ((roots[index, np.minimum(ends, count) - 1] - roots[index, top + 1]) / (ends - top - 2)) ** 2
    steps = np.where(rows < top + int(0.15 * SAMPLES), 0.0, maps.level_step)
    broken = np.maximum.accumulate(steps, axis=1)[:, np.maximum(rows - int(0.42 * SAMPLES), 0)]
    score = (
        np.log1p(maps.outline.max(axis=1) / unit)
        + 0.7 * np.log1p(walls / unit)
        - 0.7 * np.log1p(broken / unit)
    )
    allowed = (rows >= top + int(0.55 * SAMPLES)) & (rows < np.minimum(deepest, count - 2)[:, None])
    score = np.where(allowed, score, -np.inf)
    padded = np.pad(score, ((0, 0), (5, 5)), constant_values=-np.inf)
    around = np.lib.stride_tricks.sliding_window_view(padded, 11, axis=1).max(axis=2)
    score = np.where((score >= around) & np.isfinite(score), score, -np.inf)
    order = np.argsort(-score, axis=1, kind="stable")[:, :_BOTTOMS]
    strip, place = np.nonzero(np.isfinite(np.take_along_axis(score, order, axis=1)))
    bottom = order[strip, place]
    shape = np.argmax(maps.outline[strip, :, bottom], axis=1)
    return strip, bottom, shape, broken[strip, bottom]


def _scalars(
    maps: _Maps,
    backing: Float32Array,
    unit: float,
    strip: AnyArray,
    first: AnyArray,
    last: AnyArray,
    bottom: AnyArray,
) -> dict[str, FloatArray]:
    """Measure proposed columns between the rows of their wall part, and at their ends."""
    weaker = np.minimum(maps.left, maps.right)
    strips, inside = maps.strips, maps.inside
    beyond_left = strips[:, :, BAND_LEFT - 8 : BAND_LEFT - 3].mean(axis=2)
    beyond_right = strips[:, :, _RIGHT + 4 : _RIGHT + 9].mean(axis=2)
    from_left, from_right = _length(inside - beyond_left), _length(inside - beyond_right)

    def mean(values: Float32Array) -> FloatArray:
        return _span_mean(values, strip, first, last)

    root_left, root_right = mean(np.sqrt(maps.left)) ** 2, mean(np.sqrt(maps.right)) ** 2
    step_left = mean(maps.wall_step[:, :, BAND_LEFT - 2 : BAND_LEFT + 3].sum(axis=2))
    step_right = mean(maps.wall_step[:, :, _RIGHT - 2 : _RIGHT + 3].sum(axis=2))
    lengths = np.sqrt((step_left**2).sum(axis=1) * (step_right**2).sum(axis=1))
    profile = mean(strips)
    within = profile[:, BAND_LEFT + 2 : _RIGHT - 1]
    upright = mean(maps.across[:, :, BAND_LEFT + 5 : _RIGHT - 4])
    rims = (
        profile[:, BAND_LEFT : BAND_LEFT + 4, 0].min(axis=1)
        + profile[:, _RIGHT - 3 : _RIGHT + 1, 0].min(axis=1)
    ) / 2
    middle = mean(inside)
    spread = np.maximum(mean((inside**2).sum(axis=2)) - (middle**2).sum(axis=1), 0.0)
    top = first - 3
    count = STRIP_SHAPE[0]
    low = np.minimum(bottom + 3, count - 5)
    above = np.maximum(top - 23, 1)
    last_part = np.maximum(bottom - 12, top + 3)
    roots = np.sqrt(weaker)
    near = np.arange(-4, 5)
    at_top, at_bottom = (np.clip(row[:, None] + near, 0, count - 1) for row in (top, bottom))
    beside = [
        (maps.level_left[strip[:, None], at].max(axis=1), maps.level_right[strip[:, None], at].max(axis=1))
        for at in (at_top, at_bottom)
    ]
    corner_rows = np.clip(bottom - 2, 1, count - 1)
    corners = [
        _span_mean(strips[:, :, at].mean(axis=2), strip, corner_rows - 1, corner_rows + 1) for at in _CORNERS
    ]
    outside = [
        _span_mean(side, strip, corner_rows - 1, corner_rows + 1) for side in (beyond_left, beyond_right)
    ]
    strengths = {
        "surface_beyond": np.minimum(*beside[0]),
        "surface_beyond_most": np.maximum(*beside[0]),
        "bottom_beyond": np.minimum(*beside[1]),
        "corner_inside": np.minimum(*(_length(corner - middle) for corner in corners)),
        "corner_outside": np.minimum(
            *(_length(corner - side) for corner, side in zip(corners, outside, strict=True))
        ),
        "weaker_wall": np.minimum(root_left, root_right),
        "stronger_wall": np.maximum(root_left, root_right),
        "contrast_least": mean(np.minimum(from_left, from_right)),
        "contrast_mean": mean(_length(inside - (beyond_left + beyond_right) / 2)),
        "asymmetry": _length(within - within[:, ::-1]).mean(axis=1),
        "upright_inside": _length(upright).max(axis=1),
        "glass": _span_mean(roots, strip, above, top - 4) ** 2,
        "below": _span_mean(roots, strip, low, np.minimum(low + SAMPLES // 2, count)) ** 2,
        "surface_change": _length(
            _span_mean(inside, strip, top + 4, top + 9) - _span_mean(inside, strip, top - 9, top - 4)
        ),
        "bottom_change": _length(
            _span_mean(inside, strip, last_part, last_part + 5) - _span_mean(inside, strip, low, low + 5)
        ),
        "dark_rims": np.maximum(middle[:, 0] - rims, 0.0),
        "from_backing": mean(_length(inside - backing)),
        "beside_from_backing": mean(
            np.minimum(_length(beyond_left - backing), _length(beyond_right - backing))
        ),
        "drift": np.sqrt(spread),
    }
    scalars = {name: np.log1p(value / unit) for name, value in strengths.items()}
    scalars["walled"] = mean((weaker > 1.5 * unit).astype(np.float32))
    scalars["opposite"] = -(step_left * step_right).sum(axis=1) / (lengths + 1e-5)
    return scalars


def _profiles(
    maps: _Maps, unit: float, strip: AnyArray, first: AnyArray, last: AnyArray, bottom: AnyArray
) -> FloatArray:
    """Return light and colour across the column, and along it around surface and bottom."""
    count = STRIP_SHAPE[0]
    middle = _span_mean(maps.inside, strip, first, last)
    profile = _span_mean(maps.strips, strip, first, last)
    binned = profile.reshape(len(strip), PROFILE_BINS, 2, 3).mean(axis=2) - middle[:, None]
    parts = list(_light_and_colour(binned, unit))
    strips = maps.strips
    left = strips[:, :, BAND_LEFT + 1 : BAND_LEFT + 4].mean(axis=2)
    left = left - strips[:, :, BAND_LEFT - 4 : BAND_LEFT - 1].mean(axis=2)
    right = strips[:, :, _RIGHT - 4 : _RIGHT - 1].mean(axis=2) - strips[:, :, _RIGHT + 1 : _RIGHT + 4].mean(
        axis=2
    )
    walls = np.minimum(_length(left), _length(right))
    for centre in (first - 3, bottom):
        rows = np.clip(centre[:, None] + np.arange(-18, 18), 0, count - 1)
        levels = maps.inside[strip[:, None], rows].reshape(len(strip), LEVEL_BINS, 3, 3).mean(axis=2)
        parts += _light_and_colour(levels - middle[:, None], unit)
        near = walls[strip[:, None], rows].reshape(len(strip), LEVEL_BINS, 3).mean(axis=2)
        parts.append(np.log1p(near / unit))
    return np.hstack(parts)


def _light_and_colour(difference: FloatArray, unit: float) -> tuple[FloatArray, FloatArray]:
    """Return signed log lightness and log colour difference of opponent differences (..., 3)."""
    light = difference[..., 0]
    colour = np.sqrt((difference[..., 1:] ** 2).sum(axis=-1))
    return np.sign(light) * np.log1p(np.abs(light) / unit), np.log1p(colour / unit)
