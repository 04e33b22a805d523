"""Find the patches in a flat picture of a printed chart (scan, artwork, or a photograph made flat)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.errors import ChartError

__all__ = ["Cells", "find_cells", "srgb_to_lab"]


def srgb_to_lab(srgb: FloatArray) -> FloatArray:
    """Encoded sRGB 0..1, shape (..., 3), to CIELAB with D65 white (IEC 61966-2-1, CIE 15)."""
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    matrix = np.array(
        [[0.412391, 0.357584, 0.180481], [0.212639, 0.715169, 0.072192], [0.019331, 0.119195, 0.950532]]
    )
    ratio = (linear @ matrix.T) / matrix.sum(axis=1)
    delta = 6 / 29
    f = np.where(ratio > delta**3, np.cbrt(ratio), ratio / (3 * delta**2) + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1
    )


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Patches found, in reading order.

    Attributes
    ----------
    boxes : array, shape (n, 4)
        x0, y0, x1, y1 of each patch in pixels (x1, y1 just outside).
    paper : array, shape (h, w), bool
        Where unprinted paper is seen.
    layout : str
        "row", "column" or "grid".
    """

    boxes: FloatArray
    paper: BoolArray
    layout: str


def find_cells(lab: FloatArray, count: int) -> Cells:
    """Find `count` patches of equal size in a flat picture of a card.

    Parameters
    ----------
    lab : array, shape (h, w, 3)
        CIELAB.
    count : int
        How many patches the chart has.

    Raises
    ------
    ChartError
        Another number of patches is seen.
    """
    import cv2

    paper = _paper_colour(lab)
    distance = np.linalg.norm(lab - paper, axis=2)
    noise = float(np.median(distance[distance < 6.0]))
    threshold = max(1.0, 6.0 * noise)
    _, labels, stats, _ = cv2.connectedComponentsWithStats((distance > threshold).astype(np.uint8), connectivity=4)
    areas = _solid_areas(labels, stats)
    boxes = _cut_to_count(lab, areas, count)
    if len(boxes) != count:
        raise ChartError(f"--ph names {count} patches, but {len(boxes)} were found in the picture")
    ordered, layout = _reading_order(boxes)
    return Cells(ordered, distance <= threshold, layout)


def _paper_colour(lab: FloatArray) -> FloatArray:
    """Return the commonest light colour of the picture."""
    pixels = lab[::2, ::2].reshape(-1, 3)
    light = pixels[(pixels[:, 0] > 60) & (np.hypot(pixels[:, 1], pixels[:, 2]) < 25)]
    if not len(light):
        raise ChartError("no light paper is seen in the picture of the chart; retake with white margin in view")
    bins, inverse, counts = np.unique(
        np.floor(light / 2.0).astype(int), axis=0, return_inverse=True, return_counts=True
    )
    del bins
    return np.asarray(np.median(light[inverse.ravel() == counts.argmax()], axis=0))


def _solid_areas(labels: AnyArray, stats: AnyArray) -> FloatArray:
    """Return boxes of filled rectangles among the components (print and outlines fall out)."""
    boxes = []
    for number in range(1, len(stats)):
        x, y, width, height, area = (int(value) for value in stats[number][:5])
        if min(width, height) >= 8 and area >= 0.9 * width * height:
            boxes.append((x, y, x + width, y + height))
    found = np.array(boxes, dtype=float).reshape(-1, 4)
    if len(found):
        size = (found[:, 2] - found[:, 0]) * (found[:, 3] - found[:, 1])
        found = found[size > 0.3 * size.max()] if len(found) > 1 else found
    return found


def _cut_to_count(lab: FloatArray, boxes: FloatArray, count: int) -> FloatArray:
    """Cut one bar of touching patches into `count` equal parts along its long side."""
    if len(boxes) != 1 or count == 1:
        return boxes
    x0, y0, x1, y1 = boxes[0]
    horizontal = x1 - x0 >= y1 - y0
    edges = np.linspace(x0, x1, count + 1) if horizontal else np.linspace(y0, y1, count + 1)
    return np.array(
        [
            (low, y0, high, y1) if horizontal else (x0, low, x1, high)
            for low, high in zip(edges[:-1], edges[1:], strict=True)
        ]
    )


def _reading_order(boxes: FloatArray) -> tuple[FloatArray, str]:
    """Sort by rows from the top, in each row from the left."""
    height = np.median(boxes[:, 3] - boxes[:, 1])
    middle = (boxes[:, 1] + boxes[:, 3]) / 2
    order = np.argsort(middle)
    rows: list[list[int]] = [[int(order[0])]]
    for index in order[1:]:
        if middle[index] - middle[rows[-1][0]] > 0.5 * height:
            rows.append([])
        rows[-1].append(int(index))
    ordered = [index for row in rows for index in sorted(row, key=lambda i: boxes[i, 0])]
    layout = "row" if len(rows) == 1 else "column" if max(map(len, rows)) == 1 else "grid"
    return boxes[ordered], layout
