"""Measure colours in a located picture: patches, paper, liquid, and the backing beside it.

Everything is linear light in the file's own primaries; ratios to the local white are formed
later. A smooth light field is fitted separately to the paper of the card and to the backing
around each vessel, because one white for the whole frame does not exist.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._backing import Backing
from hueph._light_field import paper_field
from hueph._medians import medians
from hueph._pixels import BLACK_FLOOR, at_limits, codes_at, robust_means, sampled, to_light
from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray
from hueph.chart import Chart
from hueph.locate.geometry import quad_area, quad_sides
from hueph.locate.types import StripLocation, TubeLocation
from hueph.photo import Photo

__all__ = ["BLACK_FLOOR", "StripMeasurement", "TubeMeasurement", "measure_strip", "measure_tubes"]

# Neighbouring pixels share noise (demosaicing, sharpening, JPEG blocks); one independent
# sample in about 16 pixels is what development photographs showed.
_PIXELS_PER_SAMPLE = 16.0
# Points looked at, at most, across and along a patch, a core and the glass above it.
_PATCH_POINTS, _CORE_POINTS, _GLASS_POINTS = (32, 32), (48, 72), (24, 48)
# Part of a patch that is measured.
_PATCH_SHARE = 0.62
# Cells along a core whose medians tell unevenness from noise.
_CELLS = 6
# The least pixels of a patch, of a cell and of a piece of empty glass.
_LEAST_PATCH, _LEAST_CELL, _LEAST_GLASS = 6, 8, 12
# The least bore, pixels, across which edges are looked at.
_LEAST_BORE = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class StripMeasurement:
    """Colours of the strip, linear light in the file's primaries.

    Attributes
    ----------
    patches : array, shape (n, 3)
        Robust mean of each patch.
    patch_cov : array, shape (n, 3, 3)
        Covariance of that mean.
    paper : array, shape (n, 3)
        The paper's fitted light field at the centre of each patch.
    paper_std : float
        Scatter of single paper samples about the field, relative (k = 1).
    clipped : array, shape (n, 3)
        Share of pixels at a limit of the code range.
    usable : array of bool, shape (n,)
        Seen, even and not clipped: fit to serve as reference.
    """

    patches: FloatArray
    patch_cov: FloatArray
    paper: FloatArray
    paper_std: float
    clipped: FloatArray
    usable: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class TubeMeasurement:
    """Colour of one liquid, linear light in the file's primaries.

    Attributes
    ----------
    colour : array, shape (3,)
        Robust mean over the core.
    cov : array, shape (3, 3)
        Covariance of that mean, pixel noise and unevenness within the core.
    backing : array, shape (3,)
        The backing's light field at the core, as it would be without the vessel.
    backing_std : float
        Relative standard uncertainty of `backing`.
    glass : array, shape (3,)
        The empty vessel above the liquid relative to the backing there (nan when not seen).
    clipped_low, clipped_high : array, shape (3,)
        Share of core pixels at the bottom and top of the code range.
    glare : float
        Share of core pixels far brighter than the rest.
    unevenness : float
        Relative standard deviation of the core after smoothing (turbid or ill-outlined liquid).
    noise : float
        Relative standard deviation of single pixels.
    sharpness : float
        Width of the liquid's side edges in working pixels (10 to 90 %); nan when not measurable.
    pixels : int
        Number of core pixels.
    """

    colour: FloatArray
    cov: FloatArray
    backing: FloatArray
    backing_std: float
    glass: FloatArray
    clipped_low: FloatArray
    clipped_high: FloatArray
    glare: float
    unevenness: float
    noise: float
    sharpness: float
    pixels: int


def measure_strip(photo: Photo, chart: Chart, strip: StripLocation) -> StripMeasurement:
    """Measure every patch of a located strip and the paper around it.

    Parameters
    ----------
    photo, chart, strip
        The picture, the chart it shows and where the chart is.

    Returns
    -------
    StripMeasurement

    Notes
    -----
    The paper is sampled in bands just outside each patch (never inside another patch); printed
    figures make some bands uneven, those lose their weight. The field is a plane in log light.
    """
    quads = _shrunk(np.asarray(strip.patches, dtype=np.float64), _PATCH_SHARE)
    columns, rows = _points_over(quads, _PATCH_POINTS)
    codes, inside = sampled(photo, quads, rows, columns)
    colours, spread, share = robust_means(to_light(photo, codes), inside)
    pixels = np.abs(quad_area(quads))
    enough = pixels * inside.mean(axis=1) >= _LEAST_PATCH
    colours[~enough] = 0.0
    cov = spread / np.maximum(share * pixels / _PIXELS_PER_SAMPLE, 1.0)[:, None, None]
    clipped = at_limits(photo, codes).mean(axis=2)
    usable = enough & np.array(strip.seen, dtype=bool)
    paper, paper_std = paper_field(photo, chart, strip)
    # One channel at its top still says something, the tube is clipped with it; two say too little.
    usable &= ((clipped > 0.5) & (colours > 0.9)).sum(axis=1) < 2
    return StripMeasurement(colours, cov, paper, paper_std, clipped, usable)


def measure_tubes(
    photo: Photo, strip: StripLocation | None, chart: Chart | None, tubes: tuple[TubeLocation, ...]
) -> tuple[TubeMeasurement, ...]:
    """Measure every located liquid and the backing beside it.

    Parameters
    ----------
    photo, strip, chart, tubes
        The picture, where the card is (it is no backing) and where the liquids are.

    Returns
    -------
    tuple of TubeMeasurement, in the order of `tubes`
    """
    if not tubes:
        return ()
    liquids, cores = np.array([tube.liquid for tube in tubes]), np.array([tube.core for tube in tubes])
    glasses = np.array([_above_liquid(tube) for tube in tubes])
    bores = np.linalg.norm(liquids[:, 1] - liquids[:, 0], axis=1)
    places = np.concatenate([cores, glasses]).mean(axis=1)
    light, scatter = Backing(photo, strip, chart, tubes).light_at(places, np.tile(bores, 2))
    found = _measure_cores(photo, cores)
    glass = _empty_glass(photo, glasses, light[len(tubes) :])
    sharpness = _edge_widths(photo, liquids, bores)
    return tuple(
        TubeMeasurement(
            backing=light[k],
            backing_std=float(scatter[k]),
            glass=glass[k],
            sharpness=float(sharpness[k]),
            **{name: values[k] if np.ndim(values[k]) else values[k].item() for name, values in found.items()},
        )
        for k in range(len(tubes))
    )


def _measure_cores(photo: Photo, cores: FloatArray) -> dict[str, AnyArray]:
    """Return what is measured in the cores (t, 4, 2) of liquids, by the name it has in `TubeMeasurement`."""
    across, along = _points_over(cores, _CORE_POINTS)
    codes, inside = sampled(photo, cores, _CELLS * max(along // _CELLS, 2), across)
    light = to_light(photo, codes)
    pixels = np.abs(quad_area(cores))
    mean, spread, share = robust_means(light, inside)
    mean[pixels < 1.0] = np.nan
    limits = at_limits(photo, codes)
    low = limits & (light < 0.5)
    total = light.sum(axis=1)
    glare = total > 1.6 * medians(total)[:, None] + 0.05
    uneven = _slow_variation(light, pixels)
    cov = spread / np.maximum(share * pixels / _PIXELS_PER_SAMPLE, 1.0)[:, None, None] + uneven / _CELLS
    whole = np.maximum(mean.sum(axis=1), 1e-6)
    return {
        "colour": mean,
        "cov": cov,
        "clipped_low": low.mean(axis=2),
        "clipped_high": (limits & ~low).mean(axis=2),
        "glare": glare.mean(axis=1),
        "unevenness": np.sqrt(np.trace(uneven, axis1=1, axis2=2)) / whole,
        "noise": np.sqrt(np.trace(spread, axis1=1, axis2=2)) / whole,
        "pixels": pixels.astype(int),
    }


def _shrunk(quads: FloatArray, share: float) -> FloatArray:
    """Scale quadrilaterals (n, 4, 2) about their centres."""
    centre = quads.mean(axis=1, keepdims=True)
    return np.asarray(centre + (quads - centre) * share)


def _points_over(quads: FloatArray, most: tuple[int, int]) -> tuple[int, int]:
    """Return how many points across and along do for the largest of some quadrilaterals: one a pixel, or `most`."""
    sides = np.nan_to_num(quad_sides(quads)).max(axis=0, initial=1.0)
    across, along = (int(np.clip(np.ceil(side), 4, limit)) for side, limit in zip(sides, most, strict=True))
    return across, along


def _slow_variation(light: Float32Array, pixels: FloatArray) -> FloatArray:
    """Return covariances (t, 3, 3) of the medians of cells along cores: unevenness beyond noise."""
    cells = medians(light.reshape(*light.shape[:2], _CELLS, -1)).astype(np.float64)
    off = cells - cells.mean(axis=2, keepdims=True)
    uneven = off @ off.swapaxes(1, 2) / (_CELLS - 1)
    uneven[pixels < _CELLS * _LEAST_CELL] = 0.0
    return np.asarray(uneven)


def _above_liquid(tube: TubeLocation) -> FloatArray:
    """Return the part of the vessel above the liquid that shows its empty glass, corner points (4, 2)."""
    top_left, top_right, bottom_right, bottom_left = tube.liquid
    along = (bottom_left + bottom_right - top_left - top_right) / 2
    unit = along / max(float(np.linalg.norm(along)), 1e-6)
    across = top_right - top_left
    bore = float(np.linalg.norm(across))
    base = top_left - unit * 0.45 * bore
    rise = -unit * 0.6 * bore
    return np.array(
        [base + across * 0.35 + rise, base + across * 0.65 + rise, base + across * 0.65, base + across * 0.35]
    )


def _empty_glass(photo: Photo, quads: FloatArray, light: FloatArray) -> FloatArray:
    """Return the colours of empty vessels in parts of them relative to the light of the backing there, (t, 3)."""
    across, along = _points_over(quads, _GLASS_POINTS)
    codes, inside = sampled(photo, quads, along, across)
    seen = medians(to_light(photo, codes)).astype(np.float64)
    seen[~inside.all(axis=1) | (np.abs(quad_area(quads)) < _LEAST_GLASS)] = np.nan
    return np.asarray(seen / np.maximum(light, BLACK_FLOOR))


def _edge_widths(photo: Photo, liquids: FloatArray, bores: FloatArray) -> FloatArray:
    """Return the narrowest 10 to 90 % width of each liquid's side edges, working pixels."""
    top_left, top_right, bottom_right, bottom_left = (liquids[:, k] for k in range(4))
    walls = np.stack([top_left + bottom_left, top_right + bottom_right], axis=1) / 2
    inwards = (walls[:, ::-1] - walls)[:, :, None, None]
    # half a pixel a step, seven lines across each wall, one below another
    count = max(int(0.45 * float(bores.max()) * 2), 8)
    along = (np.linspace(-0.25, 0.2, count)[:, None]) * inwards
    down = ((bottom_left - top_left) * 0.15)[:, None, None, None] * np.linspace(-1, 1, 7)[:, None, None]
    lines = walls[:, :, None, None] + along + down
    codes = codes_at(photo, lines.reshape(-1, count, 2), cv2.INTER_LINEAR)
    profile = to_light(photo, codes).reshape(*lines.shape[:-1], 3).sum(axis=2, dtype=np.float64)
    steps = np.ptp(profile, axis=2)
    steepest = np.abs(np.diff(profile, axis=2)).max(axis=2)
    channel = np.argmax(steps, axis=2)[..., None]
    step, steepest = (np.take_along_axis(values, channel, axis=2)[..., 0] for values in (steps, steepest))
    width = 0.8 * step / np.where(steepest > 0, steepest, np.nan) * (0.45 * bores / (count - 1))[:, None]
    width = np.where(np.isfinite(width), width, np.inf).min(axis=1)
    return np.where(np.isfinite(width) & (bores >= _LEAST_BORE), width, np.nan)
