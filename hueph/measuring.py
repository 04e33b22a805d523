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
from hueph._pixels import BLACK_FLOOR, at_limits, codes_in, outlined, robust_mean, taken, to_light, window
from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray
from hueph.chart import Chart
from hueph.locate.types import StripLocation, TubeLocation
from hueph.photo import Photo

__all__ = ["BLACK_FLOOR", "StripMeasurement", "TubeMeasurement", "measure_strip", "measure_tubes"]

# Neighbouring pixels share noise (demosaicing, sharpening, JPEG blocks); one independent
# sample in about 16 pixels is what development photographs showed.
_PIXELS_PER_SAMPLE = 16.0
# A core of more pixels than this several times over is sampled: every second, third ... row and column.
_PIXELS_ENOUGH = 8000
# Cells along a core whose medians tell unevenness from noise, and the least pixels of one.
_CELLS, _LEAST_PIXELS = 6, 8


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
    count = len(chart.patches)
    colours = np.zeros((count, 3))
    cov = np.zeros((count, 3, 3))
    clipped = np.zeros((count, 3))
    usable = np.zeros(count, dtype=bool)
    for index in range(count):
        codes = codes_in(photo, _shrink(strip.patches[index], 0.62))
        if codes.shape[1] < 6:
            continue
        mean, spread, kept = robust_mean(to_light(photo, codes))
        colours[index] = mean
        cov[index] = spread / max(kept / _PIXELS_PER_SAMPLE, 1.0)
        clipped[index] = at_limits(photo, codes).mean(axis=1)
        usable[index] = bool(strip.seen[index])
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
    backing = Backing(photo, strip, chart, tubes)
    glasses = np.array([_above_liquid(tube) for tube in tubes]).reshape(-1, 4, 2)
    places = np.concatenate([np.array([tube.core for tube in tubes]).reshape(-1, 4, 2), glasses]).mean(axis=1)
    bores = np.array([np.linalg.norm(tube.liquid[1] - tube.liquid[0]) for tube in tubes])
    light, scatter = backing.light_at(places, np.tile(bores, 2))
    behind, behind_glass = light[: len(tubes)], light[len(tubes) :]
    return tuple(
        _measure_tube(
            photo, tube, (behind[k], float(scatter[k])), _empty_glass(photo, glasses[k], behind_glass[k])
        )
        for k, tube in enumerate(tubes)
    )


def _measure_tube(
    photo: Photo, tube: TubeLocation, behind: tuple[FloatArray, float], glass: FloatArray
) -> TubeMeasurement:
    """One liquid: robust core statistics and sharpness; the backing's light, its scatter and the glass are known."""
    codes, cells, pixels = _core_codes(photo, tube.core)
    light = to_light(photo, codes)
    low, high = _limit_shares(light, at_limits(photo, codes))
    mean, spread, kept = robust_mean(light)
    total = light.sum(axis=0)
    level = float(medians(total)) if total.size else np.nan
    glare = float((total > 1.6 * level + 0.05).mean()) if total.size else np.nan
    count, uneven_cov = _slow_variation(light, cells)
    kept_pixels = kept * pixels / max(codes.shape[1], 1)
    cov = spread / max(kept_pixels / _PIXELS_PER_SAMPLE, 1.0) + uneven_cov / max(count, 1)
    whole = max(float(mean.sum()), 1e-6)
    return TubeMeasurement(
        colour=mean,
        cov=cov,
        backing=behind[0],
        backing_std=behind[1],
        glass=glass,
        clipped_low=low,
        clipped_high=high,
        glare=glare,
        unevenness=float(np.sqrt(np.trace(uneven_cov)) / whole),
        noise=float(np.sqrt(np.trace(spread)) / whole),
        sharpness=_edge_width(photo, tube),
        pixels=pixels,
    )


def _shrink(quad: FloatArray, share: float) -> FloatArray:
    """Scale a quadrilateral about its centre."""
    centre = quad.mean(axis=0)
    return np.asarray(centre + (quad - centre) * share)


def _core_codes(photo: Photo, core: FloatArray) -> tuple[AnyArray, AnyArray, int]:
    """Return code values (3, n) from a core, the cell along it of each (1, 2, ...), and the core's pixels.

    Of large cores only every second, third ... row and column: neighbouring pixels share their noise.
    """
    rows, cols, local = window(photo, core)
    steps = np.linspace(0.0, 1.0, _CELLS + 1)[:, None]
    left = local[0] + (local[3] - local[0]) * steps
    right = local[1] + (local[2] - local[1]) * steps
    cells = [np.array([left[i], right[i], right[i + 1], left[i + 1]]) for i in range(_CELLS)]
    codes = photo.encoded[rows, cols]
    labels = outlined(cells, codes.shape[:2])
    pixels = int(np.count_nonzero(labels))
    step = max(1, int(np.sqrt(pixels / _PIXELS_ENOUGH)))
    codes, labels = codes[::step, ::step], labels[::step, ::step]
    chosen = labels > 0
    return taken(codes, chosen), labels[chosen], pixels


def _limit_shares(light: Float32Array, limits: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return shares of pixels (3, n) at the bottom and at the top of the code range, per channel."""
    if not light.size:
        return np.zeros(3), np.zeros(3)
    low = limits & (light < 0.5)
    return low.mean(axis=1), (limits & ~low).mean(axis=1)


def _slow_variation(light: Float32Array, cells: AnyArray) -> tuple[int, FloatArray]:
    """Return number and covariance of the medians of cells along the core: unevenness beyond noise."""
    means = []
    for number in range(1, _CELLS + 1):
        part = np.compress(cells == number, light, axis=1)
        if part.shape[1] >= _LEAST_PIXELS:
            means.append(medians(part))
    if len(means) < 3:
        return 1, np.zeros((3, 3))
    return len(means), np.asarray(np.cov(np.array(means, dtype=np.float64).T))


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


def _empty_glass(photo: Photo, quad: FloatArray, light: FloatArray) -> FloatArray:
    """Return the colour of the empty vessel in a part of it relative to the light of the backing there."""
    height, width = photo.encoded.shape[:2]
    if quad.min() < 0 or quad[:, 0].max() >= width or quad[:, 1].max() >= height:
        return np.full(3, np.nan)
    codes = codes_in(photo, quad)
    if codes.shape[1] < 12:
        return np.full(3, np.nan)
    seen = medians(to_light(photo, codes)).astype(np.float64)
    return np.asarray(seen / np.maximum(light, BLACK_FLOOR))


def _edge_width(photo: Photo, tube: TubeLocation) -> float:
    """Return the narrowest 10 to 90 % width of the liquid's side edges, working pixels."""
    top_left, top_right, bottom_right, bottom_left = tube.liquid
    middle_left, middle_right = (top_left + bottom_left) / 2, (top_right + bottom_right) / 2
    across = middle_right - middle_left
    bore = float(np.linalg.norm(across))
    if bore < 6:
        return float("nan")
    down = (bottom_left - top_left) * 0.15
    count = max(int(0.45 * bore * 2), 8)
    share = np.linspace(0, 1, count)[:, None]
    widths = []
    for wall, sign in ((middle_left, -1.0), (middle_right, 1.0)):
        outer = wall + sign * across * 0.25
        inner = wall - sign * across * 0.2
        # seven lines across the wall, one below another
        lines = outer + (inner - outer) * share + down * np.linspace(-1, 1, 7)[:, None, None]
        ends = lines[::6, :: count - 1].reshape(4, 2)
        rows, cols, local = window(photo, np.concatenate([ends - 2, ends + 2]))
        light = photo.linear(rows, cols)
        if light.shape[0] < 2 or light.shape[1] < 2:
            return float("nan")
        at = (lines + (local[0] - ends[0] + 2)).astype(np.float32)
        profile = cv2.remap(light, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        profile = profile.sum(axis=0, dtype=np.float64)
        channel = profile[:, int(np.argmax(np.ptp(profile, axis=0)))]
        steepest = float(np.abs(np.diff(channel)).max())
        if steepest > 0:
            step = float(np.ptp(channel))
            widths.append(0.8 * step / steepest * (0.45 * bore / (count - 1)))
    return min(widths) if widths else float("nan")
