"""Colours of the patches of a chart, with their uncertainty, and what forbids to measure them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.charting.evenlight import fit_field
from hueph.charting.find import FoundChart
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_srgb, linear_rgb_to_xyz, srgb_to_linear_rgb
from hueph.errors import ChartError

__all__ = ["PatchColours", "PatchLight", "colours_of", "light_of"]

# Smallest patch that can be measured: its inner part must hold a few pixels free of blur.
MIN_PATCH_PX = 6.0
_INNER = 0.62  # share of each side that is measured
_MOST_CLIPPED = 0.2  # share of a patch
_MOST_GLARE = 0.25
_GLARE_LIGHT = 0.12  # of the paper's light, in every channel
# Clean artwork says what was meant, not what the printer makes of it: CIEDE2000 (common practice, no source).
ARTWORK_STD = 0.5
# A desktop scanner with its own profile (common practice, no source).
SCAN_STD = 1.5
# One photograph corrected by its white paper alone: lamp spectrum, sensor and camera rendering stay.
# Root mean square over the development photographs, tests/accuracy/calibrate_photos.py.
PHOTOGRAPH_STD = 5.0
# Reflectance of ordinary white card, about L* 94 (common practice, no source).
WHITE_CARD = 0.85
# Cameras raise contrast and saturation a little for pleasing pictures. What is undone in a photograph
# without known colours: this share of a smooth S-curve, this factor of saturation (common practice, no source).
_RENDERED_CONTRAST, _RENDERED_SATURATION = 0.15, 1.05
_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709


@dataclass(frozen=True, slots=True, eq=False)
class PatchLight:
    """Light from the patches, reading order, linear sRGB.

    Attributes
    ----------
    ratio : array, shape (n, 3)
        Relative to the paper at the same place.
    standard_error : array, shape (n, 3)
        Of `ratio`, from the scatter of the pixels.
    paper : array, shape (3,)
        Of the paper, as the picture has it.
    is_clean : bool
        No noise at all: drawn, not photographed or scanned.
    is_flat : bool
        Scan or artwork.
    """

    ratio: FloatArray
    standard_error: FloatArray
    paper: FloatArray
    is_clean: bool
    is_flat: bool


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


def light_of(found: FoundChart, *, name: str = "the picture") -> PatchLight:
    """Measure the light from the patches of a chart that was found.

    Raises
    ------
    ChartError
        Patches too small, clipped or glared; paper missing or clipped.
    """
    if found.patch_px < MIN_PATCH_PX:
        raise ChartError(
            f"a patch must be at least {MIN_PATCH_PX:g} pixels wide to be measured, the smallest in {name} has "
            f"{found.patch_px:.1f}; scan at a higher resolution or go nearer"
        )
    insides = [_inside(found.linear, quad) for quad in found.quads]
    paper, at, paper_clipped = _paper(found)
    if not found.is_flat:
        if paper_clipped > _MOST_CLIPPED:
            raise ChartError(
                f"the paper of the chart in {name} is over-exposed ({100 * paper_clipped:.0f} % of it at the limit), "
                "so nothing can be compared with it; retake it darker"
            )
        _refuse_bad_patches(found, insides, paper, name)
    middle = np.array([np.median(inside, axis=0) for inside in insides])
    error = np.array([_standard_error(inside) for inside in insides])
    clean = float(np.median([np.abs(i - np.median(i, axis=0)).mean() for i in insides])) < 1e-5
    return PatchLight(middle / at, error / at, paper, clean, found.is_flat)


def _refuse_bad_patches(found: FoundChart, insides: list[FloatArray], paper: FloatArray, name: str) -> None:
    """Refuse a photograph in which a patch is partly hidden by glare or lies at the limit."""
    for number, (inside, quad) in enumerate(zip(insides, found.quads, strict=True), start=1):
        middle = np.median(inside, axis=0)
        # A reflection adds light in every channel; print inside a patch would be its darker, smaller part.
        added = (inside - np.percentile(inside, 20, axis=0)) / paper
        glare = float(np.mean((added > _GLARE_LIGHT).all(axis=1)))
        if _MOST_GLARE < glare < 0.6:
            raise ChartError(
                f"patch {number} of the chart in {name} is partly covered by a reflection ({100 * glare:.0f} %); "
                "retake with the lamp to the side"
            )
        # A channel at its limit in a saturated patch is the camera's gamut; all three together are over-exposure.
        clipped = float(_inside(found.clipped[..., None].astype(np.float64), quad).mean())
        if clipped > _MOST_CLIPPED and np.all(middle > 0.9 * paper):
            raise ChartError(
                f"patch {number} of the chart in {name} is over-exposed ({100 * clipped:.0f} % of it at the limit); "
                "retake it darker"
            )


def colours_of(light: PatchLight) -> PatchColours:
    """Turn the light from patches into colours.

    Parameters
    ----------
    light : PatchLight

    Returns
    -------
    PatchColours
        Artwork and scans: the picture's own sRGB values. Photographs: relative to the paper, which is
        taken for ordinary white card.
    """
    convert: Callable[[FloatArray], FloatArray]
    if light.is_flat and _is_white(light.paper):
        paper = light.paper
        convert = lambda ratio: ratio * light.paper  # noqa: E731
        base = ARTWORK_STD if light.is_clean else SCAN_STD
        how = (
            "flat artwork, sRGB values as they stand"
            if light.is_clean
            else "flat scan, sRGB values as they stand"
        )
    else:
        paper = np.full(3, WHITE_CARD)
        convert = lambda ratio: WHITE_CARD * _unrendered(ratio, light.paper)  # noqa: E731
        base, how = PHOTOGRAPH_STD, "photograph, relative to its paper taken for white card"
    lab = to_lab(convert(light.ratio))
    scatter = delta_e_cie2000(lab, to_lab(convert(light.ratio + light.standard_error)))
    return PatchColours(lab, np.hypot(scatter, base), to_lab(paper), how)


def _is_white(paper: FloatArray) -> bool:
    """Say whether paper looks like paper as it stands: light, and not tinted by a lamp."""
    lightness, a, b = to_lab(paper)
    return bool(lightness > 85 and np.hypot(a, b) < 14)


def _unrendered(ratio: FloatArray, paper: FloatArray) -> FloatArray:
    """Undo the contrast and saturation that cameras usually add."""
    codes = np.linspace(0, 1, 1025)
    share = _RENDERED_CONTRAST
    curve = (1 - share) * codes + share * (3 * codes**2 - 2 * codes**3)

    def flatten(linear: FloatArray) -> FloatArray:
        encoded = linear_rgb_to_srgb(np.clip(linear, 0, 1))
        return np.asarray(srgb_to_linear_rgb(np.interp(encoded, curve, codes)))

    plain = flatten(ratio * paper) / flatten(paper)
    grey = (plain @ _LUMINANCE)[..., None]
    return np.asarray(np.clip(grey + (plain - grey) / _RENDERED_SATURATION, 1e-4, None))


def to_lab(linear: FloatArray) -> FloatArray:
    """Linear sRGB to CIELAB D65."""
    return np.asarray(xyz_to_lab(linear_rgb_to_xyz(linear)))


def _inside(linear: AnyArray, quad: FloatArray) -> FloatArray:
    """Pixels of the inner part of a patch, shape (k, channels)."""
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


def _paper(found: FoundChart) -> tuple[FloatArray, FloatArray, float]:
    """Middle paper colour, the light on the paper at each patch, linear light; and the share at the limit."""
    height, width = found.linear.shape[:2]
    scale = min(1.0, 600.0 / max(height, width))
    small = cv2.resize(
        np.ascontiguousarray(found.linear, dtype=np.float32),
        None,
        fx=scale,
        fy=scale,
        interpolation=cv2.INTER_AREA,
    )
    outside = _around(found, small.shape[:2], scale)
    if outside.sum() < 20:
        raise ChartError(
            "no unprinted paper is seen around the patches; retake with the card's margin in view"
        )
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
    clipped = cv2.resize(found.clipped.astype(np.uint8), small.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    return paper, at, float(clipped[chosen].mean())


def _around(found: FoundChart, shape: tuple[int, int], scale: float) -> BoolArray:
    """Where paper may be measured: within 0.45 of a patch of the patches, or anywhere on a flat card."""
    quads = found.quads * scale
    outside = np.zeros(shape, dtype=bool)
    if found.is_flat:
        x0, y0, x1, y1 = (round(v * scale) for v in found.extent)
        outside[y0:y1, x0:x1] = True
    else:
        reach = 0.45 * float(np.median(np.ptp(quads, axis=1).min(axis=1)))
        low = np.maximum(quads.min(axis=(0, 1)) - reach, 0).astype(int)
        high = np.ceil(quads.max(axis=(0, 1)) + reach).astype(int)
        outside[low[1] : high[1], low[0] : high[0]] = True
    for quad in quads:
        low, high = np.floor(quad.min(axis=0)).astype(int) - 2, np.ceil(quad.max(axis=0)).astype(int) + 2
        outside[max(low[1], 0) : high[1], max(low[0], 0) : high[0]] = False
    return outside
