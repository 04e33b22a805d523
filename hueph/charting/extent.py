"""How far the card reaches around its patches in a flat picture."""

from __future__ import annotations

import cv2
import numpy as np

from hueph._types import AnyArray, FloatArray
from hueph.charting.picture import reduced

__all__ = ["card_extent"]

_SIDE = 700  # pixels of the reduced picture in which the paper is traced


def card_extent(
    linear: AnyArray, quads: FloatArray, *, limit: float | None = None
) -> tuple[float, float, float, float]:
    """Return x0, y0, x1, y1 of the paper around the patches; the whole picture when it is all card.

    Parameters
    ----------
    linear : array, shape (h, w, 3)
        Flat picture, linear light.
    quads : array, shape (n, 4, 2)
        Corner points of the patches.
    limit : float, optional
        Farthest reach beyond the patches, in patches (white paper behind a white card has no edge).
    """
    height, width = linear.shape[:2]
    small, scale = reduced(linear, _SIDE)
    points = quads.reshape(-1, 2) * scale
    x0, y0 = np.floor(points.min(axis=0)).astype(int)
    x1, y1 = np.ceil(points.max(axis=0)).astype(int)
    block = np.zeros(small.shape[:2], dtype=bool)
    for quad in quads * scale:
        (a, b), (c, d) = quad.min(axis=0), quad.max(axis=0)
        block[max(int(b) - 1, 0) : int(d) + 2, max(int(a) - 1, 0) : int(c) + 2] = True
    size = np.median([quad.max(axis=0) - quad.min(axis=0) for quad in quads], axis=0) * scale
    ring = np.zeros_like(block)
    reach = np.maximum(0.4 * size, 3).astype(int)
    ring[max(y0 - reach[1], 0) : y1 + reach[1], max(x0 - reach[0], 0) : x1 + reach[0]] = True
    ring &= ~block
    log = np.log(np.clip(small, 1e-3, None))
    if not ring.any():
        return 0.0, 0.0, float(width), float(height)
    bright = log[ring].sum(axis=1)
    paper = np.median(log[ring][bright >= np.percentile(bright, 40)], axis=0)
    # Print is dark and the paper a little uneven; what belongs to the card is paper, print or patch.
    like_paper = np.abs(log - paper).max(axis=2) < 0.12
    closed = cv2.morphologyEx(
        (like_paper | block).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8)
    )
    _, labels = cv2.connectedComponents(closed, connectivity=4)
    card = (
        labels == labels[(y0 + y1) // 2, x0 + 1]
        if block[(y0 + y1) // 2, x0 + 1]
        else labels == labels[block][0]
    )
    columns = np.flatnonzero(card[max(y0, 0) : y1].mean(axis=0) > 0.5)
    rows = np.flatnonzero(card[:, max(x0, 0) : x1].mean(axis=1) > 0.5)
    left, right = min(int(columns[0]), x0), max(int(columns[-1]) + 1, x1)
    top, bottom = min(int(rows[0]), y0), max(int(rows[-1]) + 1, y1)
    box = np.array([left, top, right, bottom]) / scale
    if np.abs(box - [0, 0, width, height]).max() <= 2.5 / scale:
        return 0.0, 0.0, float(width), float(height)
    if limit is not None:
        corner = quads.reshape(-1, 2)
        reach_px = limit * float(size.max()) / scale
        box[:2] = np.maximum(box[:2], corner.min(axis=0) - reach_px)
        box[2:] = np.minimum(box[2:], corner.max(axis=0) + reach_px)
    low = np.clip(box[:2], 0, None)
    high = np.minimum(box[2:], [width, height])
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
