"""Smooth light over the paper of a card: planes in log light, robust against print and shadows."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from hueph._medians import medians
from hueph._pixels import BLACK_FLOOR, MAD_TO_STD, sampled, to_light
from hueph._types import FloatArray
from hueph.chart import Chart
from hueph.locate.geometry import apply_homography, quad_area
from hueph.locate.types import StripLocation
from hueph.photo import Photo

__all__ = ["log_plane", "log_planes", "paper_field"]

# Points along either side of a band of paper, and the least pixels of one.
_BAND_POINTS, _LEAST_BAND = 20, 12
# Rounds of down-weighting what lies far from the plane.
_ROUNDS = 8
# ... unless the plane moves less than this from one round to the next, in log light.
_SETTLED = 2e-4


def paper_field(photo: Photo, chart: Chart, strip: StripLocation) -> tuple[FloatArray, float]:
    """Return the light of the paper at each patch centre (n, 3), and its relative scatter."""
    bands = _paper_bands(chart)
    centres = chart.corners.mean(axis=1)
    seen = np.zeros(len(bands), dtype=bool)
    if len(bands):
        quads = apply_homography(strip.homography, bands.reshape(-1, 2)).reshape(-1, 4, 2)
        codes, inside = sampled(photo, quads, _BAND_POINTS, _BAND_POINTS)
        area = quad_area(quads)
        # beside small patches there are but small bands
        seen = inside.all(axis=1) & (area >= min(_LEAST_BAND, 0.5 * float(area.max())))
    if not seen.any():
        return np.full((len(centres), 3), np.nan), np.nan
    light = to_light(photo, codes[seen])
    # figures are dark: the brighter part is paper
    total = light.sum(axis=1)
    brightest = np.argsort(total, axis=1)[:, None, int(0.35 * total.shape[1]) :]
    logs = np.log(np.maximum(medians(np.take_along_axis(light, brightest, axis=2)), BLACK_FLOOR))
    spread = total.std(axis=1) / np.maximum(total.mean(axis=1), 1e-6)
    weights = 1.0 / (0.01 + spread.astype(np.float64)) ** 2
    return log_plane(bands[seen].mean(axis=1), logs.astype(np.float64), weights, centres)


@lru_cache(maxsize=16)
def _paper_bands(chart: Chart) -> FloatArray:
    """Return quadrilaterals (k, 4, 2) in card units just outside each patch and inside no patch."""
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
    return np.array(bands, dtype=np.float64).reshape(-1, 4, 2)


def log_plane(
    points: FloatArray, logs: FloatArray, weights: FloatArray, where: FloatArray
) -> tuple[FloatArray, float]:
    """Fit a robust plane to log light; return its light at `where` and the relative scatter.

    Parameters
    ----------
    points : array, shape (m, 2)
        Places (x, y).
    logs : array, shape (m, 3)
        Natural logarithm of linear light there.
    weights : array, shape (m,)
    where : array, shape (k, 2)

    Returns
    -------
    light : array, shape (k, 3)
    scatter : float
        Relative standard deviation of single samples about the plane (k = 1).

    Notes
    -----
    Iteratively reweighted least squares with Tukey's biweight; a constant for fewer than six points.
    """
    light, scatter = log_planes(points[None], logs[None], weights[None], where[None])
    return light[0], float(scatter[0])


def log_planes(
    points: FloatArray, logs: FloatArray, weights: FloatArray, where: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Do what `log_plane` does for several planes at once: each argument and result has a first axis more."""
    centre = points.mean(axis=1, keepdims=True)
    scale = np.maximum(np.ptp(points, axis=1).max(axis=1), 1e-9)[:, None, None]
    terms = 1 if points.shape[1] < 6 else 3

    def design(positions: FloatArray) -> FloatArray:
        unit = ((positions - centre) / scale).swapaxes(1, 2)
        return np.concatenate([np.ones((len(unit), 1, unit.shape[2])), unit], axis=1)[:, :terms]

    across, sought = design(points), np.ascontiguousarray(logs.swapaxes(1, 2))
    coefficients = np.zeros((len(points), terms, 3))
    scatter = np.full(len(points), 0.01)
    slopes = np.arange(1, terms)
    # Those that still move.
    planes, robust = np.arange(len(points)), weights
    for _ in range(_ROUNDS):
        weighted = across * robust[:, None]
        normal = weighted @ across.swapaxes(1, 2)
        normal[:, slopes, slopes] += 1e-3 * robust.mean(axis=1, keepdims=True)
        fitted = np.linalg.solve(normal, weighted @ logs)
        residual = np.abs(sought - fitted.swapaxes(1, 2) @ across).max(axis=1)
        spread = MAD_TO_STD * medians(residual) + 0.003
        moving = np.abs(fitted - coefficients[planes]).max(axis=(1, 2)) >= _SETTLED
        coefficients[planes], scatter[planes] = fitted, spread
        if not moving.any():
            break
        if not moving.all():
            across, sought, logs, weights, residual, spread, planes = (
                kept[moving] for kept in (across, sought, logs, weights, residual, spread, planes)
            )
        robust = weights * np.clip(1.0 - (residual / (4.7 * spread[:, None])) ** 2, 0.0, 1.0) ** 2 + 1e-9
    return np.exp(design(where).swapaxes(1, 2) @ coefficients), scatter
