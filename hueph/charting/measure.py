"""Colours of the patches of a chart, with their uncertainty, and what forbids to measure them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, FloatArray
from hueph.charting.evenlight import fit_field
from hueph.charting.find import FoundChart
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_xyz
from hueph.errors import ChartError

__all__ = ["PatchColours", "measure_patches"]

# Smallest patch that can be measured: its inner part must hold a few pixels free of blur.
_MIN_PATCH_PX = 6.0
_INNER = 0.62  # share of each side that is measured
# Clean artwork says what was meant, not what the printer makes of it: CIEDE2000 (common practice, no source).
_ARTWORK_STD = 0.5
# A desktop scanner with its own profile (common practice, no source).
_SCAN_STD = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class PatchColours:
    """Measured colours, reading order.

    Attributes
    ----------
    lab : array, shape (n, 3)
        CIELAB D65.
    delta_e_std : array, shape (n,)
        Standard uncertainty, CIEDE2000.
    paper_lab : array, shape (3,)
    how : str
        How the colours were made, for the provenance.
    """

    lab: FloatArray
    delta_e_std: FloatArray
    paper_lab: FloatArray
    how: str


def measure_patches(found: FoundChart) -> PatchColours:
    """Measure the patches of a chart that was found.

    Raises
    ------
    ChartError
        Patches too small, clipped or glared.
    """
    if found.patch_px < _MIN_PATCH_PX:
        raise ChartError(
            f"a patch must be at least {_MIN_PATCH_PX:g} pixels wide to be measured, the smallest has "
            f"{found.patch_px:.1f}; scan at a higher resolution or go nearer"
        )
    insides = [_inside(found.linear, quad) for quad in found.quads]
    paper, field_at = _paper(found)
    middles = np.array([np.median(inside, axis=0) for inside in insides])
    spreads = np.array([_standard_error(inside) for inside in insides])
    colours = middles / field_at * paper
    lab = _lab(colours)
    nearby = _lab(np.clip(colours + spreads / field_at * paper, 0, None))
    scatter = delta_e_cie2000(lab, nearby)
    clean = float(np.median([np.abs(inside - np.median(inside, axis=0)).mean() for inside in insides])) < 1e-5
    base = _ARTWORK_STD if clean else _SCAN_STD
    how = "flat artwork, sRGB values as they stand" if clean else "flat scan, sRGB values as they stand"
    return PatchColours(lab, np.hypot(scatter, base), _lab(paper), how)


def _inside(linear: AnyArray, quad: FloatArray) -> FloatArray:
    """Pixels of the inner part of a patch, shape (k, 3)."""
    centre = quad.mean(axis=0)
    inner = centre + _INNER * (quad - centre)
    low = np.maximum(np.floor(inner.min(axis=0)), 0).astype(int)
    high = np.ceil(inner.max(axis=0)).astype(int)
    part = linear[low[1] : high[1], low[0] : high[0]]
    mask = np.zeros(part.shape[:2], dtype=np.uint8)
    cv2.fillConvexPoly(mask, np.rint(inner - low - 0.5).astype(np.int32), 1)
    return np.asarray(part[mask.astype(bool)], dtype=np.float64)


def _standard_error(inside: FloatArray) -> FloatArray:
    """Standard error of the median from the robust spread; neighbours share noise, so one in 16 counts."""
    spread = 1.4826 * np.median(np.abs(inside - np.median(inside, axis=0)), axis=0)
    return np.asarray(1.25 * spread / np.sqrt(max(len(inside) / 16.0, 1.0)))


def _paper(found: FoundChart) -> tuple[FloatArray, FloatArray]:
    """Middle paper colour and the light on the paper at each patch, linear light."""
    height, width = found.linear.shape[:2]
    scale = min(1.0, 600.0 / max(height, width))
    small = cv2.resize(
        np.ascontiguousarray(found.linear, dtype=np.float32), None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA
    )
    x0, y0, x1, y1 = (round(v * scale) for v in found.extent)
    outside = np.zeros(small.shape[:2], dtype=bool)
    outside[y0:y1, x0:x1] = True
    for quad in found.quads * scale:
        low, high = np.floor(quad.min(axis=0)).astype(int) - 2, np.ceil(quad.max(axis=0)).astype(int) + 2
        outside[max(low[1], 0) : high[1], max(low[0], 0) : high[0]] = False
    if outside.sum() < 20:
        raise ChartError("no unprinted paper is seen around the patches; retake with the card's margin in view")
    log = np.log(np.clip(small, 1e-4, None))
    bright = log.sum(axis=2)
    typical = np.median(log[outside & (bright >= np.percentile(bright[outside], 40))], axis=0)
    start = outside & (np.abs(log - typical).max(axis=2) < 0.15)
    field, on_paper = fit_field(small, start)
    usable = on_paper & outside
    chosen = usable if usable.sum() >= 20 else start
    paper = np.median(small[chosen], axis=0).astype(np.float64)
    centre = np.rint(found.quads.mean(axis=1) * scale - 0.5).astype(int)
    at = field[np.clip(centre[:, 1], 0, field.shape[0] - 1), np.clip(centre[:, 0], 0, field.shape[1] - 1)]
    if np.max(np.abs(np.log(at) - np.log(paper))) < 0.004:
        at = np.broadcast_to(paper, at.shape)
    return paper, at


def _lab(linear: FloatArray) -> FloatArray:
    """Linear sRGB to CIELAB D65."""
    return np.asarray(xyz_to_lab(linear_rgb_to_xyz(linear)))
