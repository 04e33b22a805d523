"""The annotated photograph: outlines and numbers on the picture, a panel of readings below it.

Made to be read on a phone and in grey-scale: white text on dark boxes, every outline a light line on
a dark one, and numbers, words and shapes for whatever colour says.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hueph._overlay_panel import INK, LIGHT, draw_panel, font, plain, quarters_to_upright
from hueph._picture_file import save_drawing
from hueph._types import FloatArray, PathLike, UInt8Array
from hueph.interval import format_ph

if TYPE_CHECKING:
    from PIL.ImageDraw import ImageDraw

    from hueph.photo import Photo
    from hueph.results import PhotoReadings, Reading

__all__ = ["draw_overlay", "write_overlay"]

# Narrower pictures are enlarged, so that lettering a few per cent of the width has enough pixels;
# wider ones are reduced, because an overlay is to be looked at and sent.
LEAST_WIDTH, MOST_WIDTH = 1000, 1600
# Text size as a share of the picture's width. On a phone a picture is about 400 CSS pixels wide and
# 11 of them are the least one reads easily (common practice, no source): 0.028.
LABEL_SIZE = 0.033
PATCH_SIZE = 0.024
JPEG_QUALITY = 88

Box = tuple[float, float, float, float]
Points = tuple[tuple[float, float], ...]


def draw_overlay(photo: Photo, readings: PhotoReadings, *, most_wide: int = MOST_WIDTH) -> UInt8Array:
    """Draw the readings on their photograph.

    Parameters
    ----------
    photo : Photo
        The photograph that was read.
    readings : PhotoReadings
        Points in pixels of the full upright picture.
    most_wide : int
        Wider pictures are reduced to this, pixels.

    Returns
    -------
    array, shape (height, width, 3), uint8
        Encoded sRGB. The picture set upright as it was read, 1000 (or less if asked for) to `most_wide` pixels wide, and
        below it a panel with a row a tube: number, pH, range, flags, and the posterior along the card's
        pH axis.
    """
    from PIL import Image, ImageDraw

    if readings.tubes:
        photo = photo.turned(quarters_to_upright(readings.tubes[0].liquid))
    canvas, zoom = _picture(photo, most_wide)

    def place(points: Points) -> FloatArray:
        # Both pictures count from the centre of their first pixel.
        return (photo.to_working(points) + 0.5) * zoom - 0.5

    patches = [place(patch.corners) for patch in readings.patches]
    liquids = [place(reading.liquid) for reading in readings.tubes]
    swatches = [_patch_colour(canvas, corners) for corners in patches]
    _draw_outlines(canvas, patches, liquids, [place(reading.core) for reading in readings.tubes])
    image = Image.fromarray(canvas)
    pen = ImageDraw.Draw(image)
    _label_patches(pen, readings, patches, image.width)
    _label_tubes(pen, readings.tubes, liquids, patches, image.size)
    panel = draw_panel(readings, swatches, image.width)
    whole = Image.new("RGB", (image.width, image.height + panel.height))
    whole.paste(image, (0, 0))
    whole.paste(panel, (0, image.height))
    return np.asarray(whole, dtype=np.uint8)


def write_overlay(photo: Photo, readings: PhotoReadings, path: PathLike) -> Path:
    """Draw the readings on their photograph and write the picture, whole or not at all.

    Parameters
    ----------
    photo : Photo
    readings : PhotoReadings
    path : path
        Ending in ``.jpg`` or ``.png``; an older file of that name is replaced.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        The file cannot be written, or its ending names no picture format.
    """
    target = Path(path)
    save_drawing(draw_overlay(photo, readings), target, kind="overlay", quality=JPEG_QUALITY)
    return target


def _picture(photo: Photo, most_wide: int) -> tuple[UInt8Array, float]:
    """Return the picture as 8-bit sRGB to draw on, and canvas pixels per working pixel."""
    import cv2

    from hueph._pixels import halved

    codes, reduced = photo.encoded, 1.0
    while codes.shape[1] >= 2 * most_wide and codes.shape[0] > 1:
        codes, reduced = halved(codes), 0.5 * reduced
    width = codes.shape[1]
    zoom = float(np.clip(width, min(LEAST_WIDTH, most_wide), most_wide)) / width
    if zoom != 1.0:
        size = (round(width * zoom), max(1, round(codes.shape[0] * zoom)))
        how = cv2.INTER_CUBIC if zoom > 1.0 else cv2.INTER_LINEAR
        codes = np.asarray(cv2.resize(codes, size, interpolation=how), dtype=codes.dtype)
    zoom *= reduced
    if photo.profile == "sRGB" and codes.dtype == np.uint8:
        return codes.copy(), zoom
    from hueph.colour.srgb import linear_rgb_to_srgb

    linear = photo.decode_table[codes] @ np.asarray(photo.to_linear_srgb).T
    encoded = linear_rgb_to_srgb(np.clip(linear, 0.0, 1.0))
    return np.asarray(np.rint(255.0 * encoded), dtype=np.uint8), zoom


def _patch_colour(picture: UInt8Array, corners: FloatArray) -> tuple[int, int, int]:
    """Return the median colour of the middle of a patch."""
    centre = corners.mean(axis=0)
    half = max(1, int(0.2 * np.linalg.norm(corners[1] - corners[0])))
    col, row = (int(value) for value in np.rint(centre))
    part = picture[max(row - half, 0) : row + half + 1, max(col - half, 0) : col + half + 1].reshape(-1, 3)
    if part.size == 0:
        return (128, 128, 128)
    red, green, blue = np.median(part, axis=0)
    return (int(red), int(green), int(blue))


def _draw_outlines(
    canvas: UInt8Array, patches: list[FloatArray], liquids: list[FloatArray], cores: list[FloatArray]
) -> None:
    """Outline patches, liquids and cores, light on dark."""
    thick = max(2, round(canvas.shape[1] / 400))
    for corners in patches:
        # Thin on small patches, or the lines would hide what they outline.
        slim = max(1, min(thick, round(float(np.linalg.norm(corners[2] - corners[1])) / 30)))
        _double_line(canvas, corners, slim)
    for liquid, core in zip(liquids, cores, strict=True):
        _double_line(canvas, liquid, 2 * thick)
        _double_line(canvas, core, max(1, thick // 2))


def _double_line(canvas: UInt8Array, points: FloatArray, thick: int) -> None:
    """Draw a closed line: dark and wide, then light and narrow."""
    import cv2

    # cv2 takes fixed-point coordinates: 4 fractional bits are plenty.
    path = [np.rint(points * 16).astype(np.int32).reshape(-1, 1, 2)]
    cv2.polylines(canvas, path, True, INK, 2 * thick + 2, cv2.LINE_AA, 4)
    cv2.polylines(canvas, path, True, LIGHT, thick, cv2.LINE_AA, 4)


def _label_patches(pen: ImageDraw, readings: PhotoReadings, patches: list[FloatArray], width: int) -> None:
    """Write the pH in each patch; where they are too small, only in the first and the last."""
    letters = font(PATCH_SIZE * width)
    places = [(patch.ph, corners) for patch, corners in zip(readings.patches, patches, strict=True)]
    if not places:
        return
    widest = max(letters.getlength(f"{ph:g}") for ph, _ in places)
    roomy = all(
        np.ptp(corners[:, 0]) > widest and np.ptp(corners[:, 1]) > 1.6 * PATCH_SIZE * width
        for corners in patches
    )
    for ph, corners in places if roomy else (places[0], places[-1]):
        col, row = corners.mean(axis=0)
        pen.text(
            (col, row),
            f"{ph:g}",
            fill=LIGHT,
            font=letters,
            anchor="mm",
            stroke_width=max(2, width // 400),
            stroke_fill=INK,
        )


def tube_label(reading: Reading) -> str:
    """Return the few words that stand at a tube in the picture."""
    interval = reading.interval
    if interval is None:
        return f"{reading.tube}  no pH"
    if reading.ph is not None:
        return f"{reading.tube}  pH {format_ph(reading.ph, 2 if interval.width < 0.15 else 1)}"
    if interval.low is None and interval.high is not None:
        return f"{reading.tube}  below {format_ph(interval.high)}"
    if interval.high is None and interval.low is not None:
        return f"{reading.tube}  above {format_ph(interval.low)}"
    return f"{reading.tube}  pH {interval}"


def _label_tubes(
    pen: ImageDraw,
    tubes: Sequence[Reading],
    liquids: list[FloatArray],
    patches: list[FloatArray],
    size: tuple[int, int],
) -> None:
    """Put a dark box with number and reading above each liquid."""
    letters = font(LABEL_SIZE * size[0])
    pad = 0.35 * LABEL_SIZE * size[0]
    # A label may stand neither on another label nor on a liquid or patch.
    taken: list[Box] = [(*area.min(axis=0), *area.max(axis=0)) for area in [*liquids, *patches]]
    for reading, liquid in zip(tubes, liquids, strict=True):
        text = plain(tube_label(reading))
        box_size = (letters.getlength(text) + 2 * pad, LABEL_SIZE * size[0] + 2 * pad)
        box = _free_place(liquid, box_size, taken, size)
        taken.append(box)
        _draw_leader(pen, box, liquid, max(1, size[0] // 600))
        pen.rounded_rectangle(box, radius=pad, fill=INK, outline=LIGHT, width=max(1, size[0] // 600))
        middle = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
        pen.text(middle, text, fill=LIGHT, font=letters, anchor="mm")


def _free_place(
    liquid: FloatArray, box_size: tuple[float, float], taken: list[Box], size: tuple[int, int]
) -> Box:
    """Find a place for a label: above the liquid, higher, below it, lower; inside the picture."""
    wide, high = box_size
    left = float(np.clip(liquid[:, 0].mean() - wide / 2, 0, max(0.0, size[0] - wide)))
    top, bottom = float(liquid[:, 1].min()), float(liquid[:, 1].max())
    gap = 0.25 * high
    above = [top - gap - high * (1 + 1.1 * step) for step in range(6)]
    below = [bottom + gap + 1.1 * high * step for step in range(6)]
    choices = [(left, y, left + wide, y + high) for y in above + below if 0 <= y <= size[1] - high]
    for box in choices:
        if not any(_overlap(box, other) for other in taken):
            return box
    y = float(np.clip(top - gap - high, 0, max(0.0, size[1] - high)))
    return choices[0] if choices else (left, y, left + wide, y + high)


def _draw_leader(pen: ImageDraw, box: Box, liquid: FloatArray, thick: int) -> None:
    """Draw a line, light on dark, from a label to its liquid."""
    col = float(np.clip(liquid[:, 0].mean(), box[0], box[2]))
    top, bottom = float(liquid[:, 1].min()), float(liquid[:, 1].max())
    ends = (box[3], top) if box[3] <= top else (bottom, box[1])
    if ends[0] < ends[1]:
        pen.line((col, ends[0], col, ends[1]), fill=INK, width=5 * thick)
        pen.line((col, ends[0], col, ends[1]), fill=LIGHT, width=2 * thick)


def _overlap(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
