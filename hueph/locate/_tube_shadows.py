"""What tells a vessel from the shadow that a neighbour throws on the backing.

A shadow is a soft and weak copy of what its neighbour filters: its outer side fades out over many
samples, no glass goes on above it, and its density against the backing lies along the neighbour's.
"""

from __future__ import annotations

import numpy as np

from hueph._types import AnyArray, Float32Array
from hueph.locate._tube_strip_maps import BAND_RIGHT, StripMaps, length
from hueph.locate._tube_strips import BAND_LEFT

__all__ = ["SHADOWS", "shadow_scalars"]

SHADOWS = (
    "sharp_least",  # how sudden the change at a wall is, the softer side
    "sharp_most",
    "sharp_surface",
    "rim_least",  # dark line at a wall, the fainter side
    "absorbs",  # density of the inside against the backing
    "neighbour_absorbs",  # density of the denser side
    "open_absorbs",  # density of the other side
    "as_neighbour",  # share of the denser side's density that the inside has
    "unlike_neighbour",  # density of the inside beside that share
    "glass_most",  # the stronger wall going on above the surface
)
# Density below which there is nothing to compare with; in logarithms of code values.
FAINT = 0.03
# Code value share that stands for black.
DARKEST = 0.02
# Samples at a wall within which a sharp edge lies, and between which the whole change is taken.
NEAR = 3
FAR = (4, 9)


def shadow_scalars(
    maps: StripMaps, unit: float, strip: AnyArray, top: AnyArray, profile: Float32Array, backing: Float32Array
) -> dict[str, AnyArray]:
    """Measure proposed columns for what a shadow lacks.

    Parameters
    ----------
    maps : StripMaps
    unit : float
        Edge strength that counts as certainly more than noise.
    strip, top : array of int, shape (m,)
        Strip and row of the surface of each column.
    profile : array, shape (m, columns, 3)
        Opponent colour across each column, mean over its rows.
    backing : array, shape (m, 3)
        The backing's colour behind it.
    """
    sharp = [_sharpness(profile, edge, unit) for edge in (BAND_LEFT, BAND_RIGHT)]
    rims = [_rim(profile, edge) for edge in (BAND_LEFT, BAND_RIGHT)]
    found = {
        "sharp_least": np.minimum(*sharp),
        "sharp_most": np.maximum(*sharp),
        "sharp_surface": _surface_sharpness(maps, strip, top, unit),
        "rim_least": np.log1p(np.minimum(*rims) / unit),
        "glass_most": np.log1p(_glass(maps, strip, top) / unit),
    }
    found.update(_densities(profile, backing))
    return found


def _sharpness(profile: Float32Array, edge: int, unit: float) -> AnyArray:
    """Log of the largest step between next but one samples at a wall over the whole change there."""
    near = profile[:, edge - NEAR : edge + NEAR + 1]
    step = length(near[:, 2:] - near[:, :-2]).max(axis=1)
    outer, inner = (edge - FAR[1], edge - FAR[0]), (edge + FAR[0] + 1, edge + FAR[1] + 1)
    whole = length(profile[:, slice(*inner)].mean(axis=1) - profile[:, slice(*outer)].mean(axis=1))
    return np.asarray(np.log((step + unit) / (whole + unit)))


def _rim(profile: Float32Array, edge: int) -> AnyArray:
    """How much darker a line at a wall is than the darker of what lies on both sides."""
    light = profile[..., 0]
    line = light[:, edge - NEAR : edge + NEAR + 1].min(axis=1)
    sides = [light[:, slice(*part)].mean(axis=1) for part in ((edge - 7, edge - 4), (edge + 5, edge + 8))]
    return np.asarray(np.maximum(np.minimum(*sides) - line, 0.0))


def _surface_sharpness(maps: StripMaps, strip: AnyArray, top: AnyArray, unit: float) -> AnyArray:
    """Log of the largest step between next but one rows at the surface over the whole change there."""
    rows = top[:, None] + np.arange(-9, 10)
    column = maps.parts["inside"][strip[:, None], np.clip(rows, 0, maps.strips.shape[1] - 1)]
    near = column[:, 9 - NEAR - 1 : 9 + NEAR + 2]
    step = length(near[:, 2:] - near[:, :-2]).max(axis=1)
    whole = length(column[:, -5:].mean(axis=1) - column[:, :5].mean(axis=1))
    return np.asarray(np.log((step + unit) / (whole + unit)))


def _glass(maps: StripMaps, strip: AnyArray, top: AnyArray) -> AnyArray:
    """Mean strength of the walls above the surface, the stronger side."""
    rows = np.clip(top[:, None] + np.arange(-22, -4), 0, maps.strips.shape[1] - 1)
    sides = [np.sqrt(wall)[strip[:, None], rows].mean(axis=1) ** 2 for wall in (maps.left, maps.right)]
    return np.asarray(np.maximum(*sides))


def _densities(profile: Float32Array, backing: Float32Array) -> dict[str, AnyArray]:
    """Compare the density of the inside with that of what stands on both sides."""
    behind = np.log(_channels(backing))
    third = (BAND_RIGHT - BAND_LEFT) // 4
    parts = (
        (BAND_LEFT + third, BAND_RIGHT - third + 1),
        (BAND_LEFT - 9, BAND_LEFT - 3),
        (BAND_RIGHT + 4, BAND_RIGHT + 10),
    )
    own, left, right = (behind - np.log(_channels(profile[:, slice(*at)].mean(axis=1))) for at in parts)
    denser = (length(left) > length(right))[:, None]
    neighbour, other = np.where(denser, left, right), np.where(denser, right, left)
    size = np.einsum("mk,mk->m", neighbour, neighbour) + FAINT**2
    share = np.einsum("mk,mk->m", own, neighbour) / size
    return {
        "absorbs": np.log1p(length(own) / FAINT),
        "neighbour_absorbs": np.log1p(length(neighbour) / FAINT),
        "open_absorbs": np.log1p(length(other) / FAINT),
        "as_neighbour": np.clip(share, -2.0, 2.0),
        "unlike_neighbour": np.log1p(length(own - share[:, None] * neighbour) / FAINT),
    }


def _channels(opponent: Float32Array) -> Float32Array:
    """Return red, green and blue of opponent colours, none below black."""
    light, red_blue, green = (opponent[..., i] for i in range(3))
    rest = light - green
    channels = np.stack([rest + red_blue, light + green, rest - red_blue], axis=-1)
    return np.maximum(channels, np.float32(DARKEST))
