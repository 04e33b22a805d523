"""Find the photograph within a picture of one: a screenshot, a page of a document, a frame.

Round the photograph lies one flat colour, black or white bars mostly, that reaches the border of the
picture. No part of a photograph is that flat: sensors have noise. What is left when the flat colour is
taken away from the border inwards, and fills a rectangle, is the photograph; lines of text and symbols
in the bars are left as well, but are small. An over-exposed backing is as flat as paper, but what stands
before it (tubes, a card, a shelf) leaves no full rectangle.
"""

from __future__ import annotations

import cv2
import numpy as np

from hueph._types import AnyArray, UInt8Array
from hueph.locate._quads import eight_bit
from hueph.photo import Photo

__all__ = ["without_frame"]

# Longer side of the picture in which bars are looked for, pixels.
COARSE_SIDE = 480
# Code values by which a flat colour may differ from where it touches the border; and from one another at once.
FLAT_CODES = 4
# Share of a side that has its middle colour, where a frame reaches it.
FLAT_SIDE = 0.8
# Shares of a picture: the least that a frame takes, the least that the photograph has of it, the most that any other
# thing in the frame has of the photograph; and the share of its rectangle that a photograph fills.
LEAST_FRAME, LEAST_PHOTOGRAPH, LARGEST_OTHER, FULL = 0.01, 0.05, 0.1, 0.97
# Frames in frames (a print with a white margin on a dark page), and the shorter side, pixels, of what may be left.
FRAMES, SMALLEST = 4, 64
# Pixels of the photograph's own border left out: where it was scaled, they are mixed with the frame.
MIXED = 2


def without_frame(photo: Photo) -> Photo:
    """Return the photograph that a picture shows within a flat frame; the picture itself where there is none.

    Points of the full picture stay what they are.

    Parameters
    ----------
    photo : Photo
        Upright, not turned.

    Returns
    -------
    Photo
    """
    for _ in range(FRAMES):
        inner = _inner(photo.encoded)
        if inner is None:
            break
        rows, cols = inner
        if min(rows.stop - rows.start, cols.stop - cols.start) < SMALLEST:
            break
        photo = photo.part(rows, cols)
    return photo


def _inner(encoded: AnyArray) -> tuple[slice, slice] | None:
    """Return rows and columns of what a flat frame surrounds, or None."""
    step = max(1, -(-max(encoded.shape[:2]) // COARSE_SIDE))
    if not _has_flat_side(encoded, step):
        return None
    # a copy: decoded pixels may be read-only, which OpenCV refuses to flood
    coarse = np.array(eight_bit(encoded[::step, ::step]))
    height, width = coarse.shape[:2]
    if min(height, width) < 8:
        return None
    corners = [(x, y) for y in (0, height - 1) for x in (0, width - 1)]
    # A bar of symbols may take the corners and the photograph the middle of a side: its flat parts mislead.
    middles = [(width // 2, 0), (width // 2, height - 1), (0, height // 2), (width - 1, height // 2)]
    for starts in (corners, corners + middles):
        box = _surrounded(_flat_from(coarse, starts))
        if box is not None:
            left, top, width, height = box
            return _ends(top, height, step, encoded.shape[0]), _ends(left, width, step, encoded.shape[1])
    return None


def _has_flat_side(encoded: AnyArray, step: int) -> bool:
    """Tell whether one side of a picture shows one colour nearly all along, as every frame does."""
    for side in (encoded[0, ::step], encoded[-1, ::step], encoded[::step, 0], encoded[::step, -1]):
        line = eight_bit(side).astype(np.int16)
        middle = line[len(line) // 4 :: max(1, len(line) // 8)]
        away = np.abs(line - np.median(middle, axis=0)).max(axis=1)
        if (away <= FLAT_CODES).mean() >= FLAT_SIDE:
            return True
    return False


def _surrounded(flat: UInt8Array) -> tuple[int, int, int, int] | None:
    """Return left, top, width and height of the one full rectangle that a flat colour (1) surrounds, or None."""
    if flat.mean() < LEAST_FRAME:
        return None
    count, _, boxes, _ = cv2.connectedComponentsWithStats(1 - flat, connectivity=4)
    if count < 2:
        return None
    areas = boxes[1:, cv2.CC_STAT_AREA]
    largest = int(np.argmax(areas))
    left, top, width, height, area = (int(value) for value in boxes[1 + largest])
    others = np.delete(areas, largest).max(initial=0)
    if area < max(FULL * width * height, LEAST_PHOTOGRAPH * flat.size) or others > LARGEST_OTHER * area:
        return None
    return None if width * height > (1.0 - LEAST_FRAME) * flat.size else (left, top, width, height)


def _ends(start: int, count: int, step: int, size: int) -> slice:
    """Return the pixels of a run of coarse ones, without the first and last where a frame is beyond."""
    first = 0 if start == 0 else start * step + MIXED
    last = size if (start + count) * step >= size else (start + count - 1) * step + 1 - MIXED
    return slice(first, max(last, first))


def _flat_from(picture: UInt8Array, starts: list[tuple[int, int]]) -> UInt8Array:
    """Return where (1) a picture (h, w, 3) has the flat colour of one of some places (x, y), connected to it."""
    height, width = picture.shape[:2]
    mask = np.zeros((height + 2, width + 2), dtype=np.uint8)
    how = 4 | cv2.FLOODFILL_FIXED_RANGE | cv2.FLOODFILL_MASK_ONLY | (1 << 8)
    for x, y in starts:
        if not mask[y + 1, x + 1] and _is_flat(picture, x, y):
            cv2.floodFill(picture, mask, (x, y), (0, 0, 0), (FLAT_CODES,) * 3, (FLAT_CODES,) * 3, how)
    return mask[1:-1, 1:-1]


def _is_flat(picture: UInt8Array, x: int, y: int) -> bool:
    """Tell whether the colour at a place of the border goes on unchanged around it."""
    near = picture[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2].reshape(-1, 3)
    return bool((np.ptp(near, axis=0) <= FLAT_CODES).all())
