"""Where in a photograph a chart may be: regions with several patch-like quadrilaterals, or a bar."""

from __future__ import annotations

import cv2
import numpy as np

from hueph._types import AnyArray, FloatArray
from hueph.charting.picture import ChartPicture
from hueph.locate._quads import absorbance_codes, find_quads, surplus_absorbance
from hueph.locate.geometry import quad_sides

__all__ = ["likely_crops", "neutral"]

_SIDE = 1000  # longer side of the reduced picture
_WINDOWS = (0.16, 0.45)  # of that side: what stands out of surroundings as wide as this
_MOST = 6  # regions handed on


def likely_crops(picture: ChartPicture, count: int) -> list[tuple[int, int, int, int]]:
    """Return x0, y0, x1, y1 of regions worth a closer look, the likeliest first, picture pixels.

    Parameters
    ----------
    picture : ChartPicture
    count : int
        Patches of the chart.
    """
    small, factor = picture.photo.reduced(_SIDE)
    table = np.interp(
        np.linspace(0, 1, 256), np.linspace(0, 1, len(picture.photo.decode_table)), picture.photo.decode_table
    )
    codes = np.asarray(cv2.medianBlur(absorbance_codes(small, table), 3), dtype=np.uint8)
    found: list[tuple[float, FloatArray]] = []
    for window in _WINDOWS:
        quads = find_quads(surplus_absorbance(codes, window))
        found += _groups(quads, count) + _bars(quads, count)
    found.sort(key=lambda item: -item[0])
    height, width = picture.linear.shape[:2]
    crops: list[tuple[int, int, int, int]] = []
    for _, box in found:
        low = np.floor(np.clip(box[:2] * factor, 0, None)).astype(int)
        high = np.ceil(np.minimum(box[2:] * factor, [width, height])).astype(int)
        crop = (int(low[0]), int(low[1]), int(high[0]), int(high[1]))
        if not any(_same(crop, other) for other in crops):
            crops.append(crop)
        if len(crops) == _MOST:
            break
    return crops


def _groups(quads: FloatArray, count: int) -> list[tuple[float, FloatArray]]:
    """Boxes around clusters of quadrilaterals of like size, with how well each cluster fits a chart."""
    if len(quads) < 3:
        return []
    across, down = np.ptp(quads, axis=1).T
    centre = quads.mean(axis=1)
    found: list[tuple[float, FloatArray]] = []
    done = np.zeros(len(quads), dtype=bool)
    for seed in np.argsort(-across * down):
        if done[seed] or min(across[seed], down[seed]) < 4:
            continue
        alike = (np.abs(np.log(across / across[seed])) < 0.3) & (np.abs(np.log(down / down[seed])) < 0.3)
        members = {int(seed)}
        waiting = [int(seed)]
        while waiting:
            index = waiting.pop()
            near = alike & (
                np.abs(centre - centre[index]) < 2.2 * np.array([across[seed], down[seed]]) + 2
            ).all(axis=1)
            for other in np.flatnonzero(near):
                if int(other) not in members:
                    members.add(int(other))
                    waiting.append(int(other))
        chosen = sorted(members)
        done[chosen] = True
        apart = _distinct_count(centre[chosen], min(across[seed], down[seed]))
        if apart < 3:
            continue
        points = quads[chosen].reshape(-1, 2)
        # Patches too pale to see may lie a few places further on.
        missing = max(0, count - apart)
        margin = np.array([across[seed], down[seed]]) * (1.3 + 1.2 * min(missing, 4))
        box = np.concatenate([points.min(axis=0) - margin, points.max(axis=0) + margin])
        found.append((min(apart, count) / count - 0.05 * max(0, apart - count), box))
    return found


def _distinct_count(centres: FloatArray, size: float) -> int:
    """Number of places, counting quadrilaterals on one patch once."""
    places: list[FloatArray] = []
    for centre in centres:
        if all(np.linalg.norm(centre - place) > 0.5 * size for place in places):
            places.append(centre)
    return len(places)


def _bars(quads: FloatArray, count: int) -> list[tuple[float, FloatArray]]:
    """Boxes around long quadrilaterals, which may be a strip of touching patches."""
    found: list[tuple[float, FloatArray]] = []
    if not len(quads):
        return found
    for quad, sides in zip(quads, quad_sides(quads), strict=True):
        long, short = float(sides.max()), float(sides.min())
        if short < 6 or long < 1.8 * short:
            continue
        margin = max(0.9 * short, 1.5 * long / count)
        box = np.concatenate([quad.min(axis=0) - margin, quad.max(axis=0) + margin])
        # Of bars, the one whose parts are nearest to square.
        part = long / count / short
        found.append((0.6 - 0.2 * abs(float(np.log(part))), box))
    return found


def _same(crop: tuple[int, int, int, int], other: tuple[int, int, int, int]) -> bool:
    a, b = np.array(crop, dtype=float), np.array(other, dtype=float)
    shared = np.prod(np.clip(np.minimum(a[2:], b[2:]) - np.maximum(a[:2], b[:2]), 0, None))
    return bool(shared > 0.8 * max(np.prod(a[2:] - a[:2]), np.prod(b[2:] - b[:2])))


def neutral(linear: AnyArray) -> AnyArray:
    """Scale each channel so that the brightest tenth of a crop becomes the grey of white paper.

    Parameters
    ----------
    linear : array, shape (h, w, 3)

    Returns
    -------
    array, shape (h, w, 3)
    """
    step = max(1, int(np.sqrt(linear.shape[0] * linear.shape[1] / 40000)))
    sample = np.clip(linear[::step, ::step].reshape(-1, 3), 1e-5, None)
    bright = sample[sample.sum(axis=1) >= np.percentile(sample.sum(axis=1), 85)]
    # Reflectance of ordinary white paper, about 0.85 (L* 94): common practice, no source.
    return linear * (0.85 / np.median(bright, axis=0)).astype(np.float32)
