"""Measure colours in a located picture: patches, paper, liquid, and the backing beside it.

Everything is linear light in the file's own primaries; ratios to the local white are formed
later. A smooth light field is fitted separately to the paper of the card and to the backing
around each vessel, because one white for the whole frame does not exist.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import BoolArray, Float32Array, FloatArray
from hueph.chart import Chart
from hueph.locate.types import StripLocation, TubeLocation
from hueph.photo import Photo

__all__ = ["StripMeasurement", "TubeMeasurement", "measure_strip", "measure_tubes"]

# Neighbouring pixels share noise (demosaicing, sharpening, JPEG blocks); one independent
# sample in about 16 pixels is what development photographs showed.
_PIXELS_PER_SAMPLE = 16.0
# A linear value below this cannot be told from black in an 8-bit file (code 2 is 0.0006).
BLACK_FLOOR = 0.0015
_MAD_TO_STD = 1.4826  # standard deviation of a normal law per median absolute deviation


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
        pixels, limits = _pixels_in(photo, _shrink(strip.patches[index], 0.62))
        if len(pixels) < 6:
            continue
        mean, spread, kept = _robust_mean(pixels)
        colours[index] = mean
        cov[index] = spread / max(kept / _PIXELS_PER_SAMPLE, 1.0)
        clipped[index] = limits.mean(axis=0)
        usable[index] = bool(strip.seen[index])
    paper, paper_std = _paper_field(photo, chart, strip)
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
    samples = _backing_samples(photo, strip, chart, tubes)
    return tuple(_measure_tube(photo, tube, samples) for tube in tubes)


def _measure_tube(photo: Photo, tube: TubeLocation, samples: _BackingSamples) -> TubeMeasurement:
    """One liquid: robust core statistics, light field of the backing, empty glass, sharpness."""
    pixels, limits = _pixels_in(photo, tube.core)
    low, high = _limit_shares(pixels, limits)
    mean, spread, kept = _robust_mean(pixels)
    level = float(np.median(pixels.sum(axis=1)))
    glare = float((pixels.sum(axis=1) > 1.6 * level + 0.05).mean())
    noise = float(np.sqrt(np.trace(spread)) / max(mean.sum(), 1e-6))
    rows, uneven_cov = _slow_variation(photo, tube.core)
    cov = spread / max(kept / _PIXELS_PER_SAMPLE, 1.0) + uneven_cov / max(rows, 1)
    centre = tube.core.mean(axis=0)
    bore = float(np.linalg.norm(tube.liquid[1] - tube.liquid[0]))
    backing, backing_std = samples.field_at(centre, bore)
    unevenness = float(np.sqrt(np.trace(uneven_cov)) / max(mean.sum(), 1e-6))
    return TubeMeasurement(
        colour=mean,
        cov=cov,
        backing=backing,
        backing_std=backing_std,
        glass=_empty_glass(photo, tube, samples, bore),
        clipped_low=low,
        clipped_high=high,
        glare=glare,
        unevenness=unevenness,
        noise=noise,
        sharpness=_edge_width(photo, tube),
        pixels=len(pixels),
    )


# ---------------------------------------------------------------- pixels


def _shrink(quad: FloatArray, share: float) -> FloatArray:
    """Scale a quadrilateral about its centre."""
    centre = quad.mean(axis=0)
    return np.asarray(centre + (quad - centre) * share)


def _window(photo: Photo, quad: FloatArray) -> tuple[slice, slice, FloatArray]:
    """Bounding rows and columns of a quadrilateral inside the picture, and the shifted corners."""
    height, width = photo.encoded.shape[:2]
    x0, y0 = np.floor(quad.min(axis=0)).astype(int)
    x1, y1 = np.ceil(quad.max(axis=0)).astype(int) + 1
    x0, x1 = max(x0, 0), min(x1, width)
    y0, y1 = max(y0, 0), min(y1, height)
    return slice(y0, max(y1, y0)), slice(x0, max(x1, x0)), quad - (x0, y0)


def _mask(quad: FloatArray, shape: tuple[int, int]) -> BoolArray:
    """Pixels whose centre lies in a quadrilateral, sub-pixel corners."""
    mask = np.zeros(shape, np.uint8)
    if min(shape) > 0:
        cv2.fillConvexPoly(mask, np.round(quad * 16).astype(np.int32), 1, shift=4)
    return mask.astype(bool)


def _pixels_in(photo: Photo, quad: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Linear pixels inside a quadrilateral and their limit marks, each of shape (n, 3)."""
    rows, cols, local = _window(photo, quad)
    light = photo.linear(rows, cols)
    mask = _mask(local, light.shape[:2])
    return light[mask].astype(np.float64), photo.clipped(rows, cols)[mask]


def _limit_shares(pixels: FloatArray, limits: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Shares of pixels at the bottom and at the top of the code range, per channel."""
    if not len(pixels):
        return np.zeros(3), np.zeros(3)
    low = limits & (pixels < 0.5)
    return low.mean(axis=0), (limits & ~low).mean(axis=0)


def _robust_mean(pixels: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Mean and covariance of pixels after dropping those far from the channel-wise median."""
    if len(pixels) == 0:
        return np.full(3, np.nan), np.eye(3), 0
    median = np.median(pixels, axis=0)
    scale = _MAD_TO_STD * np.median(np.abs(pixels - median), axis=0) + 0.002
    keep = (np.abs(pixels - median) <= 3.5 * scale).all(axis=1)
    kept = pixels[keep] if keep.sum() >= max(4, 0.3 * len(pixels)) else pixels
    spread = np.cov(kept.T) if len(kept) > 3 else np.diag(scale**2)
    return kept.mean(axis=0), np.asarray(spread) + np.eye(3) * 1e-8, len(kept)


def _slow_variation(photo: Photo, core: FloatArray) -> tuple[int, FloatArray]:
    """Number of cells and covariance of cell means along the core: unevenness beyond noise."""
    steps = np.linspace(0.0, 1.0, 7)
    left = core[0] + (core[3] - core[0]) * steps[:, None]
    right = core[1] + (core[2] - core[1]) * steps[:, None]
    means = []
    for index in range(6):
        cell = np.array([left[index], right[index], right[index + 1], left[index + 1]])
        pixels, _ = _pixels_in(photo, cell)
        if len(pixels) >= 8:
            means.append(np.median(pixels, axis=0))
    if len(means) < 3:
        return 1, np.zeros((3, 3))
    return len(means), np.asarray(np.cov(np.array(means).T))


# ---------------------------------------------------------------- paper of the card


def _paper_field(photo: Photo, chart: Chart, strip: StripLocation) -> tuple[FloatArray, float]:
    """Light field of the paper at each patch centre, and its relative scatter."""
    bands = _paper_bands(chart)
    points, logs, weights = [], [], []
    for band in bands:
        quad = cv2.perspectiveTransform(band[None].astype(np.float64), strip.homography)[0]
        pixels, _ = _pixels_in(photo, quad)
        if len(pixels) < 12:
            continue
        # figures are dark: the brighter half is paper, its lower quartile avoids noise peaks
        total = pixels.sum(axis=1)
        bright = pixels[total >= np.quantile(total, 0.35)]
        value = np.median(bright, axis=0)
        spread = float(np.std(total) / max(np.mean(total), 1e-6))
        points.append(band.mean(axis=0))
        logs.append(np.log(np.maximum(value, BLACK_FLOOR)))
        weights.append(1.0 / (0.01 + spread) ** 2)
    centres = chart.corners.mean(axis=1)
    if not points:
        return np.full((len(centres), 3), np.nan), np.nan
    return _log_plane(np.array(points), np.array(logs), np.array(weights), centres)


def _paper_bands(chart: Chart) -> list[FloatArray]:
    """Quadrilaterals in card units just outside each patch and inside no patch."""
    corners = chart.corners
    low, high = corners.min(axis=1), corners.max(axis=1)
    size = np.median(high - low, axis=0)
    bands = []
    for index in range(len(corners)):
        (x0, y0), (x1, y1) = low[index], high[index]
        dx, dy = size * 0.10
        wx, wy = size * 0.16
        inner_x, inner_y = (x1 - x0) * 0.15, (y1 - y0) * 0.15
        for box in (
            (x0 + inner_x, y0 - dy - wy, x1 - inner_x, y0 - dy),
            (x0 + inner_x, y1 + dy, x1 - inner_x, y1 + dy + wy),
            (x0 - dx - wx, y0 + inner_y, x0 - dx, y1 - inner_y),
            (x1 + dx, y0 + inner_y, x1 + dx + wx, y1 - inner_y),
        ):
            inside_card = (
                box[0] >= 0 and box[1] >= 0 and box[2] <= chart.card_size[0] and box[3] <= chart.card_size[1]
            )
            margin = size * 0.03
            overlaps = (
                (low[:, 0] - margin[0] < box[2])
                & (high[:, 0] + margin[0] > box[0])
                & (low[:, 1] - margin[1] < box[3])
                & (high[:, 1] + margin[1] > box[1])
            ).any()
            if inside_card and not overlaps:
                bands.append(
                    np.array([(box[0], box[1]), (box[2], box[1]), (box[2], box[3]), (box[0], box[3])])
                )
    return bands


def _log_plane(
    points: FloatArray, logs: FloatArray, weights: FloatArray, where: FloatArray
) -> tuple[FloatArray, float]:
    """Robust plane through log light; values at `where` (linear light) and relative scatter."""
    centre, scale = points.mean(axis=0), np.maximum(np.ptp(points, axis=0).max(), 1e-9)
    flat = len(points) < 6

    def design(positions: FloatArray) -> FloatArray:
        unit = (positions - centre) / scale
        columns = [np.ones(len(positions))] if flat else [np.ones(len(positions)), unit[:, 0], unit[:, 1]]
        return np.stack(columns, axis=1)

    matrix = design(points)
    robust = weights.copy()
    coefficients = np.zeros((matrix.shape[1], 3))
    scatter = 0.01
    for _ in range(8):
        root = np.sqrt(robust)[:, None]
        ridge = np.diag([0.0] + [1e-3 * robust.mean()] * (matrix.shape[1] - 1))
        coefficients = np.linalg.solve(
            (matrix * root).T @ (matrix * root) + ridge, (matrix * root).T @ (logs * root)
        )
        residual = np.abs(logs - matrix @ coefficients).max(axis=1)
        scatter = float(_MAD_TO_STD * np.median(residual) + 0.003)
        ratio = np.clip(1.0 - (residual / (4.7 * scatter)) ** 2, 0.0, 1.0)  # Tukey's biweight
        robust = weights * ratio**2 + 1e-9
    return np.exp(design(where) @ coefficients), scatter


# ---------------------------------------------------------------- backing around the vessels


@dataclass(frozen=True, slots=True, eq=False)
class _BackingSamples:
    """Medians of small cells of the picture that hold neither vessel nor card."""

    points: FloatArray  # (m, 2)
    logs: FloatArray  # (m, 3)
    grain: FloatArray  # (m,) relative spread within the cell

    def field_at(self, where: FloatArray, bore: float) -> tuple[FloatArray, float]:
        """Local robust plane through log light about a point; value and relative uncertainty."""
        if len(self.points) < 4:
            return np.full(3, np.nan), np.nan
        offset = (self.points - where) / (2.2 * bore)
        near = np.exp(-0.5 * (offset[:, 0] ** 2 + (offset[:, 1] * 1.5) ** 2))
        order = np.argsort(-near)[:400]
        weight = near[order] / (0.02 + self.grain[order]) ** 2
        if weight.max() <= 0:
            return np.full(3, np.nan), np.nan
        value, scatter = _log_plane(self.points[order], self.logs[order], weight, where[None])
        return value[0], scatter


def _backing_samples(
    photo: Photo, strip: StripLocation | None, chart: Chart | None, tubes: tuple[TubeLocation, ...]
) -> _BackingSamples:
    """Sample the picture in cells, leaving out vessels (liquid and empty part) and the card."""
    height, width = photo.encoded.shape[:2]
    if not tubes:
        return _BackingSamples(np.zeros((0, 2)), np.zeros((0, 3)), np.zeros(0))
    bore = float(np.median([np.linalg.norm(tube.liquid[1] - tube.liquid[0]) for tube in tubes]))
    cell = int(np.clip(round(bore / 7), 4, 40))
    forbidden = np.zeros((height // cell + 1, width // cell + 1), np.uint8)
    for tube in tubes:
        _forbid(forbidden, _vessel_outline(tube.liquid), cell)
    if strip is not None and chart is not None:
        card_w, card_h = chart.card_size
        outline = np.array([(0, 0), (card_w, 0), (card_w, card_h), (0, card_h)], np.float64)
        _forbid(
            forbidden,
            _shrink(cv2.perspectiveTransform(outline[None], strip.homography)[0], 1.12),
            cell,
        )
    all_points = np.concatenate([tube.liquid for tube in tubes])
    top = max(0, int(all_points[:, 1].min() - 2.0 * bore))
    bottom = min(height, int(all_points[:, 1].max() - 0.1 * bore))
    left = max(0, int(all_points[:, 0].min() - 4 * bore))
    right = min(width, int(all_points[:, 0].max() + 4 * bore))
    points, logs, grain = [], [], []
    for row in range(top // cell, bottom // cell):
        free = np.flatnonzero(forbidden[row, left // cell : right // cell] == 0)
        if not len(free):
            continue
        columns = slice(left // cell * cell, right // cell * cell)
        band = photo.linear(slice(row * cell, (row + 1) * cell), columns)
        # One row of values per cell and channel: medians of long rows are quick.
        cells = np.ascontiguousarray(band.reshape(cell, -1, cell, 3).transpose(1, 3, 0, 2)[free])
        cells = cells.reshape(len(free), 3, cell * cell)
        points.append(
            np.stack([(free + left // cell + 0.5) * cell, np.full(len(free), (row + 0.5) * cell)], 1)
        )
        logs.append(np.log(np.maximum(_medians(cells), BLACK_FLOOR)))
        mean = cells.mean(axis=2)
        std = np.sqrt(np.maximum(np.einsum("ijk,ijk->ij", cells, cells) / cells.shape[2] - mean**2, 0.0))
        grain.append(std.sum(axis=1) / np.maximum(mean.sum(axis=1), 1e-6))
    if not points:
        return _BackingSamples(np.zeros((0, 2)), np.zeros((0, 3)), np.zeros(0))
    return _BackingSamples(
        np.concatenate(points),
        np.concatenate(logs).astype(np.float64),
        np.concatenate(grain).astype(np.float64),
    )


def _medians(values: Float32Array) -> Float32Array:
    """Median along the last axis; `numpy.median` does the same with more checks."""
    middle = values.shape[-1] // 2
    if values.shape[-1] % 2:
        return np.asarray(np.partition(values, middle, axis=-1)[..., middle])
    halves = np.partition(values, (middle - 1, middle), axis=-1)
    return np.asarray(0.5 * (halves[..., middle - 1] + halves[..., middle]), dtype=np.float32)


def _vessel_outline(liquid: FloatArray) -> FloatArray:
    """The vessel as far as it may reach: liquid widened by its walls, upwards to an empty rim."""
    top_left, top_right, bottom_right, bottom_left = liquid
    across = top_right - top_left
    along = (bottom_left + bottom_right - top_left - top_right) / 2
    length = max(float(np.linalg.norm(along)), 1e-6)
    unit = along / length
    bore = float(np.linalg.norm(across))
    side = 0.16 * across
    return np.array(
        [
            top_left - side - unit * 4.0 * bore,
            top_right + side - unit * 4.0 * bore,
            bottom_right + side + unit * 0.3 * bore,
            bottom_left - side + unit * 0.3 * bore,
        ]
    )


def _forbid(grid: np.ndarray[tuple[int, ...], np.dtype[np.uint8]], quad: FloatArray, cell: int) -> None:
    """Mark the cells that a quadrilateral touches."""
    corners = np.round((quad / cell - 0.5) * 16).astype(np.int32)
    cv2.fillConvexPoly(grid, corners, 1, shift=4)
    cv2.polylines(grid, [corners], True, 1, shift=4)


def _empty_glass(photo: Photo, tube: TubeLocation, samples: _BackingSamples, bore: float) -> FloatArray:
    """Colour of the empty vessel above the liquid relative to the backing there."""
    top_left, top_right, bottom_right, bottom_left = tube.liquid
    along = (bottom_left + bottom_right - top_left - top_right) / 2
    unit = along / max(float(np.linalg.norm(along)), 1e-6)
    across = top_right - top_left
    base = top_left - unit * 0.45 * bore
    rise = -unit * 0.6 * bore
    quad = np.array(
        [base + across * 0.35 + rise, base + across * 0.65 + rise, base + across * 0.65, base + across * 0.35]
    )
    height, width = photo.encoded.shape[:2]
    if quad.min() < 0 or quad[:, 0].max() >= width or quad[:, 1].max() >= height:
        return np.full(3, np.nan)
    pixels, _ = _pixels_in(photo, quad)
    if len(pixels) < 12:
        return np.full(3, np.nan)
    backing, _ = samples.field_at(quad.mean(axis=0), bore)
    return np.asarray(np.median(pixels, axis=0) / np.maximum(backing, BLACK_FLOOR))


def _edge_width(photo: Photo, tube: TubeLocation) -> float:
    """Narrowest 10 to 90 % width of the liquid's side edges, working pixels."""
    top_left, top_right, bottom_right, bottom_left = tube.liquid
    middle_left, middle_right = (top_left + bottom_left) / 2, (top_right + bottom_right) / 2
    across = middle_right - middle_left
    bore = float(np.linalg.norm(across))
    if bore < 6:
        return float("nan")
    down = (bottom_left - top_left) * 0.15
    widths = []
    for wall, sign in ((middle_left, -1.0), (middle_right, 1.0)):
        outer = wall + sign * across * 0.25
        inner = wall - sign * across * 0.2
        count = max(int(0.45 * bore * 2), 8)
        line = np.linspace(0, 1, count)
        profile = np.zeros((count, 3))
        for shift in np.linspace(-1, 1, 7):
            xy = (outer + (inner - outer) * line[:, None] + down * shift).astype(np.float32)
            box = np.concatenate([xy - 2, xy + 2]).astype(np.float64)
            rows, cols, _ = _window(photo, box)
            light = photo.linear(rows, cols).astype(np.float32)
            if light.shape[0] < 2 or light.shape[1] < 2:
                return float("nan")
            profile += cv2.remap(
                light,
                (xy[:, 0] - cols.start).astype(np.float32),
                (xy[:, 1] - rows.start).astype(np.float32),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )[:, 0]
        channel = profile[:, int(np.argmax(np.ptp(profile, axis=0)))]
        steepest = float(np.abs(np.diff(channel)).max())
        if steepest > 0:
            step = float(np.ptp(channel))
            widths.append(0.8 * step / steepest * (0.45 * bore / (count - 1)))
    return min(widths) if widths else float("nan")
