"""Where patches and labels stand on a card, and where the card stands in the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.synthetic.tubes import Tube

__all__ = ["LAYOUTS", "CardLayout", "draw_layout", "outline", "patch_corners", "place_card", "project"]

LAYOUTS = ("row", "column", "grid", "strip")
SMALLEST_PATCH_PX = 34.0


@dataclass(frozen=True, slots=True)
class CardLayout:
    """Patches and labels on a card, in centimetres from its top-left corner.

    Attributes
    ----------
    kind : str
        row, column, grid, or strip (a row of patches that touch).
    size : tuple of float
        Width and height of the card.
    boxes : array, shape (n, 4)
        Left, top, right, bottom of each patch, in order of pH.
    labels : array, shape (n, 2)
        Centre of each printed number.
    label_cm : float
        Height of the numbers.
    """

    kind: str
    size: tuple[float, float]
    boxes: FloatArray
    labels: FloatArray
    label_cm: float


def draw_layout(rng: np.random.Generator, count: int, kind: str | None = None) -> CardLayout:
    """Return a random card for `count` patches."""
    kind = kind if kind is not None else str(rng.choice(LAYOUTS))
    wide, high = float(rng.uniform(0.8, 1.4)), float(rng.uniform(1.0, 1.6))
    gap = 0.0 if kind == "strip" or rng.random() < 0.3 else float(rng.uniform(0.04, 0.35))
    margin, label = float(rng.uniform(0.25, 0.6)), float(rng.uniform(0.22, 0.34))
    index = np.arange(count)
    if kind == "column":
        wide, high = float(rng.uniform(1.2, 2.0)), float(rng.uniform(0.7, 1.0))
        left, top = np.full(count, margin), margin + index * (high + gap)
        offset = np.array([wide + 0.25 + 1.1 * label, high / 2.0])
        size = (2.0 * margin + wide + 0.35 + 2.2 * label, 2.0 * margin + count * high + (count - 1) * gap)
    else:
        columns = -(-count // int(rng.integers(2, 4) if count > 8 else 2)) if kind == "grid" else count
        rows = -(-count // columns)
        line = high + 0.2 + 1.5 * label
        left, top = margin + (index % columns) * (wide + gap), margin + (index // columns) * line
        offset = np.array([wide / 2.0, high + 0.1 + 0.6 * label])
        size = (2.0 * margin + columns * wide + (columns - 1) * gap, 2.0 * margin + rows * line - 0.1)
    boxes = np.stack([left, top, left + wide, top + high], axis=1)
    return CardLayout(kind, size, boxes, np.stack([left, top], axis=1) + offset, label)


def patch_corners(layout: CardLayout) -> FloatArray:
    """Return the corners of the patches, clockwise from the top left, cm, shape (n, 4, 2)."""
    left, top, right, bottom = layout.boxes.T
    corners: FloatArray = np.stack(
        [np.stack(pair, axis=1) for pair in ((left, top), (right, top), (right, bottom), (left, bottom))],
        axis=1,
    )
    return corners


def outline(layout: CardLayout) -> FloatArray:
    """Return the corners of the card, clockwise from the top left, cm, shape (4, 2)."""
    width, height = layout.size
    return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])


def project(homography: FloatArray, points: FloatArray) -> FloatArray:
    """Return points (..., 2) after a homography (3, 3)."""
    flat = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1) @ homography.T
    mapped: FloatArray = flat[..., :2] / flat[..., 2:]
    return mapped


def homography_of(source: FloatArray, target: FloatArray) -> FloatArray:
    """Return the homography that takes four points to four points, shape (3, 3)."""
    rows, right = [], []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    solution = np.linalg.solve(np.array(rows, dtype=np.float64), np.array(right))
    return np.append(solution, 1.0).reshape(3, 3)


def free_boxes(tubes: tuple[Tube, ...], size: tuple[int, int]) -> list[tuple[float, float, float, float]]:
    """Return the rectangles of the picture free of glass: above the tubes, left and right of them."""
    width, height = size
    tops = [tube.bottom_px(size) - tube.length * tube.width_px for tube in tubes]
    lefts = [tube.position[0] * width - 0.8 * tube.width_px for tube in tubes]
    rights = [tube.position[0] * width + 0.8 * tube.width_px for tube in tubes]
    edge = 0.02 * width
    return [
        (edge, edge, width - edge, min(tops, default=height) - 0.01 * height),
        (edge, 0.08 * height, min(lefts, default=0.0), 0.88 * height),
        (max(rights, default=0.0), 0.08 * height, width - edge, 0.88 * height),
    ]


def place_card(
    rng: np.random.Generator, layout: CardLayout, tubes: tuple[Tube, ...], size: tuple[int, int]
) -> FloatArray:
    """Return the homography from the card's centimetres to picture pixels, shape (3, 3).

    The card stands in the largest of the places free of glass, slightly turned and tilted.
    """
    card = outline(layout)
    smallest = float((layout.boxes[0, 2:] - layout.boxes[0, :2]).min())
    choices = []
    for left, top, right, bottom in free_boxes(tubes, size):
        room = min((right - left) / (1.06 * layout.size[0]), (bottom - top) / (1.06 * layout.size[1]))
        choices.append((max(room, 1.0), (left, top, right, bottom)))
    good = [choice for choice in choices if choice[0] * smallest > SMALLEST_PATCH_PX] or [max(choices)]
    room, (left, top, right, bottom) = good[int(rng.integers(len(good)))]
    high = min(room, 110.0 * max(size) / 1600.0)
    low = min(max(0.55 * room, SMALLEST_PATCH_PX / smallest), high)
    scale = float(rng.uniform(low, high))
    angle = float(rng.normal(0.0, 0.012))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = (card - np.array(layout.size) / 2.0) @ turn.T * scale
    corners = corners * (1.0 + rng.normal(0.0, 0.008, corners.shape))
    reach = np.abs(corners).max(axis=0)
    spare = np.maximum(np.array([right - left, bottom - top]) - 2.0 * reach, 0.0)
    centre = np.array([left, top]) + reach + rng.uniform(0.1, 0.9, 2) * spare
    return homography_of(card, corners + centre)
