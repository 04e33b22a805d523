"""Candidate quadrilaterals: what is darker or more coloured than the paper around it.

Works on a reduced picture turned into absorbance: patches are dips of light in at least one
channel whatever their hue, so one measure finds yellow, turquoise and violet alike.
"""

from __future__ import annotations

import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray, UInt8Array

__all__ = ["absorbance_codes", "eight_bit", "find_quads", "reduce_picture", "surplus_absorbance"]

# 8-bit codes per unit of natural absorbance; 255 codes reach ln(1/0.004) = 5.5
CODES_PER_NEPER = 46.0
# thresholds on surplus absorbance, codes: 10 is about 20 % less light in some channel
LEVELS = (10, 18, 32, 56)
# those at which patches that stand apart show nearly always
QUICK_LEVELS = (10, 32)
# a gap between patches stands out by this share of what surrounds it
GAP_SHARE = 0.14
# a step between touching patches, codes over 3 x 3 pixels (and over the noise)
STEP_CODES = 5.0
SMALLEST_AREA = 36.0


def eight_bit(encoded: AnyArray) -> UInt8Array:
    """Return code values of 8 or 16 bit as 8 bit; locating needs no more."""
    if encoded.dtype == np.uint16:
        return (encoded >> 8).astype(np.uint8)
    return np.ascontiguousarray(encoded, dtype=np.uint8)


def reduce_picture(halvings: list[UInt8Array], side: int) -> tuple[UInt8Array, float]:
    """Return a copy no larger than `side` of a picture, and the reduction (source pixels per pixel).

    `halvings` holds the picture and its halvings made so far; those missing are added.
    """
    import cv2

    picture = halvings[0]
    reduction = max(1.0, max(picture.shape[:2]) / side)
    size = (max(1, round(picture.shape[1] / reduction)), max(1, round(picture.shape[0] / reduction)))
    # Halving is ten times as fast as area means of broken pixels; what is left below a factor of two
    # linear interpolation does well enough.
    left = reduction
    times = 0
    while left >= 2.0:
        times += 1
        if times == len(halvings):
            half = (max(1, picture.shape[1] // 2), max(1, picture.shape[0] // 2))
            smaller = cv2.resize(picture, half, interpolation=cv2.INTER_AREA)
            halvings.append(np.asarray(smaller, dtype=np.uint8))
        picture = halvings[times]
        left /= 2.0
    if picture.shape[1::-1] != size:
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_LINEAR), dtype=np.uint8)
    return np.ascontiguousarray(picture), reduction


def absorbance_codes(picture: UInt8Array, linear_table: FloatArray) -> UInt8Array:
    """Return absorbance per channel as 8-bit codes; `linear_table` turns 256 codes into light."""
    import cv2

    table = -np.log(np.maximum(linear_table, 0.004)) * CODES_PER_NEPER
    return np.asarray(cv2.LUT(picture, np.clip(table, 0, 255).astype(np.uint8)), dtype=np.uint8)


def surplus_absorbance(codes: UInt8Array, window_share: float) -> UInt8Array:
    """Return per channel what absorbs more than the brightest surroundings, (h, w, 3).

    A grey-scale opening with a square window of `window_share` of the longer side follows the
    paper and the wall; anything narrower than the window stands out.
    """
    import cv2

    quarter = cv2.resize(codes, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    window = max(3, int(window_share * max(quarter.shape[:2]))) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_RECT, (window, window))
    ground = cv2.morphologyEx(quarter, cv2.MORPH_OPEN, kernel, borderType=cv2.BORDER_REPLICATE)
    ground = cv2.resize(ground, (codes.shape[1], codes.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.subtract(codes, ground), dtype=np.uint8)


def _strongest(channels: UInt8Array) -> UInt8Array:
    """Return the largest of three channels, (h, w); several times faster than numpy's maximum."""
    import cv2

    first, second, third = cv2.split(channels)
    return np.asarray(cv2.max(cv2.max(first, second), third), dtype=np.uint8)


def _splitters(surplus: UInt8Array, peak: UInt8Array) -> list[UInt8Array]:
    """Return masks (255 = cut here): nothing, gaps, gaps and colour steps; `peak` is the largest surplus."""
    import cv2

    masks = [np.zeros_like(peak)]
    gap = np.zeros_like(peak)
    least = np.maximum(3.0, GAP_SHARE * np.arange(256)).astype(np.uint8)
    for size in (5, 9):
        kernel = cv2.getStructuringElement(cv2.MORPH_RECT, (size, size))
        closed = cv2.morphologyEx(peak, cv2.MORPH_CLOSE, kernel)
        deep = cv2.compare(cv2.subtract(closed, peak), cv2.LUT(closed, least), cv2.CMP_GT)
        gap = np.asarray(cv2.bitwise_or(gap, deep), dtype=np.uint8)
    masks.append(gap)
    smooth = cv2.GaussianBlur(np.minimum(surplus, 120), (0, 0), 1.0)
    step = cv2.morphologyEx(smooth, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    step = _strongest(np.asarray(step, dtype=np.uint8))
    quiet = _median_where(step, peak > LEVELS[0])
    steep = cv2.threshold(step, max(STEP_CODES, 2.0 * quiet), 255, cv2.THRESH_BINARY)[1]
    masks.append(np.asarray(cv2.bitwise_or(gap, steep), dtype=np.uint8))
    return masks


def _median_where(values: UInt8Array, chosen: BoolArray) -> float:
    """Return the median of the chosen codes, 0 when there are none."""
    import cv2

    counts = cv2.calcHist([values], [0], chosen.view(np.uint8), [256], [0, 256]).ravel()
    below = np.cumsum(counts)
    if below[-1] == 0:
        return 0.0
    low, high = np.searchsorted(below, (0.5 * below[-1], 0.5 * below[-1] + 0.5))
    return float(low + min(high, 255)) / 2.0


def _quad_of(contour: AnyArray) -> FloatArray | None:
    """Return the quadrilateral that a contour fills well, or None."""
    import cv2

    area = float(cv2.contourArea(contour))
    hull = cv2.convexHull(contour)
    hull_area = float(cv2.contourArea(hull))
    if hull_area <= 0 or area < 0.8 * hull_area:
        return None
    around = cv2.boxPoints(cv2.minAreaRect(hull)).astype(np.float64)
    box_area = float(cv2.contourArea(around.astype(np.float32)))
    if box_area <= 0 or hull_area < 0.6 * box_area:
        return None
    perimeter = float(cv2.arcLength(hull, True))
    for tolerance in (0.03, 0.05, 0.08):
        simple = cv2.approxPolyDP(hull, tolerance * perimeter, True)[:, 0]
        if len(simple) == 4 and float(cv2.contourArea(simple)) > 0.85 * hull_area:
            return np.asarray(simple, dtype=np.float64)
        if len(simple) < 4:
            break
    return around if hull_area > 0.8 * box_area else None


def _grown(quads: FloatArray, pixels: FloatArray) -> FloatArray:
    """Push the corners of quads (m, 4, 2) out so that each side moves outwards by about `pixels` (m,)."""
    centre = quads.mean(axis=1, keepdims=True)
    offset = quads - centre
    reach = np.abs(offset).mean(axis=(1, 2))
    growth = 1.0 + pixels / np.maximum(reach, 1.0)
    return np.asarray(centre + offset * growth[:, None, None])


def find_quads(surplus: UInt8Array, *, quick: bool = False) -> FloatArray:
    """Return distinct candidate quadrilaterals (m, 4, 2) in pixels, clockwise on screen.

    Parameters
    ----------
    surplus : array from `surplus_absorbance`
    quick : bool
        Look only for patches that stand apart, at few thresholds.
    """
    import cv2

    from hueph.locate.geometry import quad_area

    peak = _strongest(surplus)
    quads: list[FloatArray] = []
    growth: list[float] = []
    for cut in [None] if quick else _splitters(surplus, peak):
        grow = 0.5 if cut is None or not cut.any() else 1.0
        left = peak if cut is None else cv2.subtract(peak, cut)
        for level in QUICK_LEVELS if quick else LEVELS:
            mask = cv2.threshold(left, level, 255, cv2.THRESH_BINARY)[1]
            contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
            for contour in contours:
                # most are specks
                if len(contour) < 4 or cv2.contourArea(contour) < SMALLEST_AREA:
                    continue
                quad = _quad_of(contour)
                if quad is not None:
                    quads.append(quad)
                    growth.append(grow)
    if not quads:
        return np.zeros((0, 4, 2))
    found = _grown(np.array(quads), np.array(growth))
    clockwise = quad_area(found) > 0
    found[~clockwise] = found[~clockwise][:, ::-1]
    return _distinct(found)


def _distinct(quads: FloatArray) -> FloatArray:
    """Drop quadrilaterals whose centre and size nearly equal those of an earlier one."""
    size = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2)
    short, centre = size.min(axis=1), quads.mean(axis=1)
    perimeter = size.sum(axis=1)
    near = (np.linalg.norm(centre[:, None] - centre[None], axis=2) < 0.08 * short[:, None] + 0.7) & (
        np.abs(perimeter[:, None] - perimeter[None]) < 0.1 * perimeter[:, None] + 2.0
    )
    near &= np.tri(len(quads), k=-1, dtype=bool)
    keep = np.ones(len(quads), dtype=bool)
    for i in np.nonzero(near.any(axis=1))[0]:
        keep[i] = not (near[i] & keep).any()
    return np.asarray(quads[keep])
