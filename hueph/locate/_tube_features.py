"""What a straightened band shows: surface, walls, bottom, evenness inside, contrast to the outside."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, Float32Array, FloatArray
from hueph.locate._tube_shadows import SHADOWS, shadow_scalars
from hueph.locate._tube_strip_maps import BAND_RIGHT, DEPTHS, StripMaps, length, make_maps
from hueph.locate._tube_strips import BAND_LEFT, SAMPLES, STRIP_SHAPE

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
    + SHADOWS
)
_BOTTOMS = 3


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


def describe(
    strips: Float32Array,
    backing: Float32Array,
    unit: float,
    sizes: FloatArray,
    deepest: AnyArray,
    *,
    at_edge: bool = False,
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
    at_edge : bool
        Propose only that row, the edge of the picture.
    """
    maps = make_maps(strips)
    strip, bottom, shape, broken = _bottoms(maps, unit, deepest, at_edge=at_edge)
    if len(strip) == 0:
        return Columns(strip, strip, strip, np.zeros(0), np.zeros((0, len(FEATURES))))
    top = maps.top[strip]
    body = _Spans(strip, top + 3, np.maximum(bottom - int(0.35 * SAMPLES), top + 5), len(strips))
    profile = body.mean(maps.strips)
    middle = body.mean(maps.parts["inside"])
    scalars = _scalars(maps, unit, body, bottom, profile, middle)
    scalars.update(_backing_scalars(maps, backing, unit, body))
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
    profiles = _profiles(maps, unit, (strip, top, bottom), profile, middle)
    behind = body.mean(backing)
    scalars.update(shadow_scalars(maps, unit, strip, top, profile, behind))
    around = np.stack([scalars[name] for name in SURROUNDINGS + SHADOWS], axis=1)
    table = np.hstack([table, profiles, around]).astype(np.float64)
    return Columns(strip, top, bottom, DEPTHS[shape], table)


class _Spans:
    """Means of maps over a range of rows of each proposed column, as one product of matrices."""

    def __init__(self, strip: AnyArray, first: AnyArray, last: AnyArray, strips: int) -> None:
        """Prepare the rows `first` to `last` (excluded) of columns in rising strips."""
        self.strip, self.first, self.last = strip, first, last
        self.slot = np.arange(len(strip)) - np.searchsorted(strip, strip)
        rows = np.arange(STRIP_SHAPE[0])
        inside = (rows >= first[:, None]) & (rows < last[:, None])
        self.weights = np.zeros((strips, _BOTTOMS, len(rows)), dtype=np.float32)
        self.weights[strip, self.slot] = inside / (last - first)[:, None]

    def mean(self, values: AnyArray) -> Float32Array:
        """Return means (m, ...) of a map (n, rows, ...)."""
        return self._weighted(self.weights, values)

    def upright_step(self, strips: Float32Array, columns: slice) -> Float32Array:
        """Return means (m, columns, 3) of Sobel's step sideways over eight: its smoothing goes into the weights."""
        smooth = 2 * self.weights
        smooth[:, :, 1:] += self.weights[:, :, :-1]
        smooth[:, :, :-1] += self.weights[:, :, 1:]
        mean = self._weighted(smooth / 8, strips[:, :, columns.start - 1 : columns.stop + 1])
        return mean[:, 2:] - mean[:, :-2]

    def _weighted(self, weights: Float32Array, values: AnyArray) -> Float32Array:
        """Return sums (m, ...) over the rows of a map (n, rows, ...)."""
        flat = values.reshape(*values.shape[:2], -1)
        sums: Float32Array = (weights @ flat)[self.strip, self.slot]
        return sums.reshape(-1, *values.shape[2:])


def _span_mean(values: Float32Array, strip: AnyArray, first: AnyArray, last: AnyArray) -> FloatArray:
    """Return the mean over rows `first` to `last` (excluded) of strips, shape (m, ...)."""
    sums = np.cumsum(values, axis=1, dtype=np.float64)
    total = sums[strip, last - 1] - sums[strip, first - 1]
    count = (last - first).reshape((-1,) + (1,) * (total.ndim - 1))
    mean: FloatArray = total / count
    return mean


def _rows_mean(values: Float32Array, strip: AnyArray, first: AnyArray, rows: int) -> Float32Array:
    """Return the mean over a few rows from `first` on of strips (n, rows, 3), shape (m, 3)."""
    mean: Float32Array = values[strip[:, None], first[:, None] + np.arange(rows)].mean(axis=1)
    return mean


def _bottoms(
    maps: StripMaps, unit: float, deepest: AnyArray, *, at_edge: bool
) -> tuple[AnyArray, AnyArray, AnyArray, AnyArray]:
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
    if at_edge:
        allowed = np.abs(rows - deepest[:, None]) <= 1
    score = np.where(allowed, score, -np.inf)
    around = cv2.dilate(score, np.ones((1, 11), np.uint8))
    score = np.where((score >= around) & np.isfinite(score), score, -np.inf)
    order = np.argsort(-score, axis=1, kind="stable")[:, :_BOTTOMS]
    strip, place = np.nonzero(np.isfinite(np.take_along_axis(score, order, axis=1)))
    bottom = order[strip, place]
    shape = np.argmax(maps.outline[strip, :, bottom], axis=1)
    return strip, bottom, shape, broken[strip, bottom]


def _scalars(
    maps: StripMaps, unit: float, body: _Spans, bottom: AnyArray, profile: Float32Array, middle: Float32Array
) -> dict[str, AnyArray]:
    """Measure proposed columns between the rows of their wall part, and at their ends."""
    strip, top = body.strip, body.first - 3
    parts, inside = maps.parts, maps.parts["inside"]
    beyond = parts["beyond_left"], parts["beyond_right"]
    weaker = np.minimum(maps.left, maps.right)
    roots = np.sqrt(weaker)
    root_left, root_right = body.mean(np.sqrt(maps.left)) ** 2, body.mean(np.sqrt(maps.right)) ** 2
    step_left, step_right = body.mean(maps.left_step), body.mean(maps.right_step)
    lengths = np.sqrt((step_left**2).sum(axis=1) * (step_right**2).sum(axis=1))
    within = profile[:, BAND_LEFT + 2 : BAND_RIGHT - 1]
    upright = body.upright_step(maps.strips, slice(BAND_LEFT + 5, BAND_RIGHT - 4))
    rims = (
        profile[:, BAND_LEFT : BAND_LEFT + 4, 0].min(axis=1)
        + profile[:, BAND_RIGHT - 3 : BAND_RIGHT + 1, 0].min(axis=1)
    ) / 2
    count = STRIP_SHAPE[0]
    low = np.minimum(bottom + 3, count - 5)
    above = np.maximum(top - 23, 1)
    last_part = np.maximum(bottom - 12, top + 3)
    near = np.arange(-4, 5)
    at_top, at_bottom = (np.clip(row[:, None] + near, 0, count - 1) for row in (top, bottom))
    beside = [
        (maps.level_left[strip[:, None], at].max(axis=1), maps.level_right[strip[:, None], at].max(axis=1))
        for at in (at_top, at_bottom)
    ]
    corner_rows = np.clip(bottom - 2, 1, count - 1) - 1
    corners = [_rows_mean(parts[name], strip, corner_rows, 2) for name in ("within_left", "within_right")]
    outside = [_rows_mean(side, strip, corner_rows, 2) for side in beyond]
    from_sides = length(inside - beyond[0]), length(inside - beyond[1])
    strengths = {
        "surface_beyond": np.minimum(*beside[0]),
        "surface_beyond_most": np.maximum(*beside[0]),
        "bottom_beyond": np.minimum(*beside[1]),
        "corner_inside": np.minimum(*(length(corner - middle) for corner in corners)),
        "corner_outside": np.minimum(
            *(length(corner - side) for corner, side in zip(corners, outside, strict=True))
        ),
        "weaker_wall": np.minimum(root_left, root_right),
        "stronger_wall": np.maximum(root_left, root_right),
        "contrast_least": body.mean(np.minimum(*from_sides)),
        "contrast_mean": body.mean(length(inside - (beyond[0] + beyond[1]) / 2)),
        "asymmetry": length(within - within[:, ::-1]).mean(axis=1),
        "upright_inside": length(upright).max(axis=1),
        "glass": _span_mean(roots, strip, above, top - 4) ** 2,
        "below": _span_mean(roots, strip, low, np.minimum(low + SAMPLES // 2, count)) ** 2,
        "surface_change": length(
            _rows_mean(inside, strip, top + 4, 5) - _rows_mean(inside, strip, top - 9, 5)
        ),
        "bottom_change": length(_rows_mean(inside, strip, last_part, 5) - _rows_mean(inside, strip, low, 5)),
        "dark_rims": np.maximum(middle[:, 0] - rims, 0.0),
        "drift": _drift(inside, body, middle),
    }
    scalars = {name: np.log1p(value / unit) for name, value in strengths.items()}
    scalars["walled"] = body.mean((weaker > 1.5 * unit).astype(np.float32))
    scalars["opposite"] = -(step_left * step_right).sum(axis=1) / (lengths + 1e-5)
    return scalars


def _drift(inside: Float32Array, body: _Spans, middle: Float32Array) -> Float32Array:
    """Return the spread of the colour along the inside of each column."""
    # About a middle value, or float32 would lose the difference of the squares.
    centre = inside.mean(axis=(0, 1))
    spread = body.mean(((inside - centre) ** 2).sum(axis=2)) - ((middle - centre) ** 2).sum(axis=1)
    drift: Float32Array = np.sqrt(np.maximum(spread, 0.0))
    return drift


def _backing_scalars(
    maps: StripMaps, backing: Float32Array, unit: float, body: _Spans
) -> dict[str, AnyArray]:
    """Compare columns and what is beside them with the backing in the picture's row."""
    parts = maps.parts
    beside = [length(parts[name] - backing) for name in ("beyond_left", "beyond_right")]
    return {
        "from_backing": np.log1p(body.mean(length(parts["inside"] - backing)) / unit),
        "beside_from_backing": np.log1p(body.mean(np.minimum(*beside)) / unit),
    }


def _profiles(
    maps: StripMaps,
    unit: float,
    columns: tuple[AnyArray, AnyArray, AnyArray],
    profile: Float32Array,
    middle: Float32Array,
) -> AnyArray:
    """Return light and colour across the column, and along it around surface and bottom.

    `columns` are the strip, the row of the surface and the row of the bottom of each.
    """
    count = STRIP_SHAPE[0]
    strip, top, bottom = columns
    binned = profile.reshape(len(strip), PROFILE_BINS, 2, 3).mean(axis=2) - middle[:, None]
    found = list(_light_and_colour(binned, unit))
    parts = maps.parts
    walls = np.minimum(
        length(parts["within_left"] - parts["outside_left"]),
        length(parts["within_right"] - parts["outside_right"]),
    )
    for centre in (top, bottom):
        rows = np.clip(centre[:, None] + np.arange(-18, 18), 0, count - 1)
        levels = parts["inside"][strip[:, None], rows].reshape(len(strip), LEVEL_BINS, 3, 3).mean(axis=2)
        found += _light_and_colour(levels - middle[:, None], unit)
        near = walls[strip[:, None], rows].reshape(len(strip), LEVEL_BINS, 3).mean(axis=2)
        found.append(np.log1p(near / unit))
    return np.hstack(found)


def _light_and_colour(difference: AnyArray, unit: float) -> tuple[AnyArray, AnyArray]:
    """Return signed log lightness and log colour difference of opponent differences (..., 3)."""
    light = difference[..., 0]
    colour = np.sqrt((difference[..., 1:] ** 2).sum(axis=-1))
    return np.sign(light) * np.log1p(np.abs(light) / unit), np.log1p(colour / unit)
