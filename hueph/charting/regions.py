"""Rectangles of even colour in a flat picture: what might be a patch of a chart.

Two sources, because each fails where the other works: areas that differ from the paper, at several
distances (finds a bar of touching patches as a whole), and areas without edges inside, at several
edge strengths (parts touching patches, looks inside outlines, needs no paper colour).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, FloatArray

__all__ = ["Regions", "find_regions", "noise_of", "paper_colours"]

# Distances from the paper and edge strengths, CIEDE76 in a picture without noise.
_DISTANCES = (0.45, 1.0, 2.2, 4.5, 9.0)
_EDGES = (0.3, 0.8, 2.0, 4.5, 10.0)
# A patch printed beside others is seldom narrower than this share of the picture's longer side.
_MIN_SIDE_SHARE = 0.006
_MIN_SIDE_PX = 5.0
_PAPER_SAMPLES = 60000
_MIN_FILL = 0.84
_MOST_PAPERS = 3
# Of a mask's components only the largest are looked at: noise makes thousands of small ones.
_MOST_COMPONENTS = 120


@dataclass(frozen=True, slots=True, eq=False)
class Regions:
    """Rectangles of even colour, or bars of several.

    Attributes
    ----------
    boxes : array, shape (m, 4)
        x0, y0, x1, y1, pixels (x1, y1 just outside).
    fill : array, shape (m,)
        Share of the box that the region fills (1 for a rectangle).
    turn : float
        Angle by which the rectangles are turned clockwise on the page, degrees.
    """

    boxes: FloatArray
    fill: FloatArray
    turn: float


def noise_of(lab: AnyArray) -> float:
    """Return the standard deviation of noise that smooth areas show within a few pixels, CIELAB units."""
    single = np.ascontiguousarray(lab, dtype=np.float32)
    rest = np.abs(single - cv2.GaussianBlur(single, (0, 0), 3.0))[::2, ::2].reshape(-1, 3)
    # The lower third of departures: print and edges fill no more than the upper part.
    return float(np.sqrt(np.sum((np.percentile(rest, 33, axis=0) / 0.4261) ** 2)))


def paper_colours(lab: FloatArray) -> FloatArray:
    """Return the commonest light and nearly neutral colours, commonest first, shape (k, 3)."""
    step = max(1, round(np.sqrt(lab.shape[0] * lab.shape[1] / _PAPER_SAMPLES)))
    pixels = lab[::step, ::step].reshape(-1, 3)
    light = pixels[(pixels[:, 0] > 55) & (np.hypot(pixels[:, 1], pixels[:, 2]) < 25)]
    found: list[AnyArray] = []
    smallest = 0.04 * len(pixels)
    while len(light) > smallest and len(found) < _MOST_PAPERS:
        bins = np.rint(light / 1.5).astype(np.int64) + np.array([0, 100, 100])
        codes, counts = np.unique(bins @ [1, 128, 128 * 256], return_counts=True)
        commonest = int(codes[counts.argmax()])
        start = np.array([commonest % 128, commonest // 128 % 256 - 100, commonest // 32768 - 100]) * 1.5
        near = np.linalg.norm(light - start, axis=1) < 3.0
        colour = np.median(light[near], axis=0)
        near = np.linalg.norm(light - colour, axis=1) < 4.0
        if near.sum() < smallest:
            break
        found.append(colour)
        light = light[~near]
    return np.array(found).reshape(-1, 3)


def find_regions(lab: FloatArray, paper: FloatArray) -> Regions:
    """Find rectangles of even colour and bars of touching ones.

    Parameters
    ----------
    lab : array, shape (h, w, 3)
        CIELAB of a flat picture, evenly lit.
    paper : array, shape (3,)
        Colour of the unprinted card.

    Returns
    -------
    Regions
    """
    height, width = lab.shape[:2]
    smallest = max(_MIN_SIDE_PX, _MIN_SIDE_SHARE * max(height, width))
    smooth = _denoised(lab)
    noise = noise_of(smooth)
    boxes: list[tuple[float, float, float, float]] = []
    fills: list[float] = []
    turns: list[tuple[float, float]] = []
    # A level within the noise shatters the paper into specks; the highest are always tried.
    distance = np.linalg.norm(smooth - paper, axis=2)
    for level in _DISTANCES:
        if level < 3 * noise and level < _DISTANCES[-2]:
            continue
        _collect(distance > level, smallest, 0.0, boxes, fills, turns)
    strength = _edge_strength(smooth)
    for level in _EDGES:
        if level < 2 * noise and level < _EDGES[-2]:
            continue
        _collect(strength < level, smallest, 0.5, boxes, fills, None)
    return _without_doubles(np.array(boxes).reshape(-1, 4), np.array(fills), _common_turn(turns))


def _denoised(lab: FloatArray) -> AnyArray:
    """Median-filter a noisy picture; leave a clean one as it is."""
    single = np.ascontiguousarray(lab, dtype=np.float32)
    noise = noise_of(single)
    if noise < 0.15:
        return single
    size = 3 if noise < 1.5 else 5
    return np.stack([cv2.medianBlur(np.ascontiguousarray(single[..., k]), size) for k in range(3)], axis=-1)


def _edge_strength(lab: AnyArray) -> AnyArray:
    """Largest colour step to the right or lower neighbour, CIEDE76."""
    strength = np.zeros(lab.shape[:2], dtype=np.float32)
    across = np.linalg.norm(np.diff(lab, axis=1), axis=2)
    down = np.linalg.norm(np.diff(lab, axis=0), axis=2)
    strength[:, :-1] = across
    strength[:-1] = np.maximum(strength[:-1], down)
    return strength


def _collect(
    mask: AnyArray,
    smallest: float,
    grow: float,
    boxes: list[tuple[float, float, float, float]],
    fills: list[float],
    turns: list[tuple[float, float]] | None,
) -> None:
    """Add the rectangular components of a mask (holes, such as print inside, are filled)."""
    height, width = mask.shape
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    wide, tall, area = stats[:, 2], stats[:, 3], stats[:, 4]
    chosen = (np.minimum(wide, tall) >= smallest - 2 * grow) & (area > 0.4 * wide * tall)
    chosen &= (wide < 0.995 * width) | (tall < 0.995 * height)
    chosen[0] = False
    numbers = np.flatnonzero(chosen)
    for number in numbers[np.argsort(-area[numbers], kind="stable")][:_MOST_COMPONENTS]:
        x, y, w, h = (int(value) for value in stats[number, :4])
        part = np.pad((labels[y : y + h, x : x + w] == number).astype(np.uint8), 1)
        contours, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        contour = max(contours, key=len)
        filled = cv2.contourArea(contour) + len(contour) / 2 + 1  # contours run through pixel centres
        if turns is not None:
            (_, (side_a, side_b), angle) = cv2.minAreaRect(contour)
            if (side_a + 1) * (side_b + 1) > 0 and filled > 0.93 * (side_a + 1) * (side_b + 1):
                turns.append(((angle + 45.0) % 90.0 - 45.0, float(max(side_a, side_b))))
        if filled >= _MIN_FILL * w * h:
            boxes.append((x, y, x + w + 2 * grow, y + h + 2 * grow))
            fills.append(min(1.0, filled / (w * h)))


def _common_turn(turns: list[tuple[float, float]]) -> float:
    """Angle that rectangles agree on, weighted by length; 0 when they disagree."""
    if not turns:
        return 0.0
    angles, weights = np.array(turns).T
    order = np.argsort(angles)
    half = np.cumsum(weights[order])
    middle = float(angles[order][np.searchsorted(half, half[-1] / 2)])
    agree = weights[np.abs(angles - middle) < 0.8].sum() / weights.sum()
    return middle if agree > 0.5 else 0.0


def _without_doubles(boxes: FloatArray, fill: FloatArray, turn: float) -> Regions:
    """Keep one of boxes that are nearly the same, the fuller first."""
    order = np.argsort(-fill, kind="stable")
    kept: list[int] = []
    for index in order:
        if kept and overlap(boxes[index], boxes[kept]).max() > 0.88:
            continue
        kept.append(int(index))
    return Regions(boxes[kept].reshape(-1, 4), fill[kept], turn)


def overlap(box: FloatArray, others: FloatArray) -> FloatArray:
    """Return intersection over union of a box with others, shape (m,)."""
    low = np.maximum(box[:2], others[:, :2])
    high = np.minimum(box[2:], others[:, 2:])
    shared = np.prod(np.clip(high - low, 0, None), axis=1)
    area = np.prod(others[:, 2:] - others[:, :2], axis=1) + np.prod(box[2:] - box[:2])
    return np.asarray(shared / (area - shared))
