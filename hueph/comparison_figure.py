"""The figure of a comparison: both crops with the card between, and a pH axis with both ranges.

Made to be read in grey-scale: before is a filled circle on a thick line, after an open square on a
double line, expected a cross; numbers, words and the names of colours stand beside every mark.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hueph._overlay_panel import font, plain, quarters_to_upright
from hueph._picture_file import save_drawing
from hueph._types import FloatArray, PathLike, UInt8Array
from hueph.buffering import change_text
from hueph.colour.naming import colour_name
from hueph.colour.srgb import linear_rgb_to_srgb
from hueph.comparing.change import Observation
from hueph.comparing.photos import Comparison, PairResult
from hueph.comparing.running import ExperimentResult
from hueph.errors import InputError
from hueph.interval import format_ph
from hueph.photo import Photo, load_photo
from hueph.report import NOTICE
from hueph.results import PhotoReadings, Reading

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw

__all__ = ["draw_comparison", "write_comparison_figure"]

WIDTH, ROW, HEAD, FOOT, MARGIN = 1600, 420, 64, 52, 24
CROP_WIDE, CARD_WIDE = 230, 150
# Heights in a row: crops and card, and the words below the axis.
PICTURE_HIGH = 330
INK, PAPER, GREY, PALE = (20, 20, 20), (255, 255, 255), (105, 105, 105), (214, 214, 214)
BIG, TEXT, SMALL = 30.0, 24.0, 21.0
# The axis runs this far beyond the card, pH.
BEYOND_PH = 1.0
# Letters a line of the words beside the axis holds.
HEAD_WRAP, WRAP = 62, 72


def draw_comparison(result: Comparison | ExperimentResult, photos: Mapping[str, Photo]) -> UInt8Array:
    """Draw a comparison or an experiment.

    Parameters
    ----------
    result : Comparison or ExperimentResult
    photos : mapping of str to Photo
        The photographs by file name as it stands in the readings.

    Returns
    -------
    array, shape (height, 1600, 3), uint8
        Encoded sRGB; a row a pair.
    """
    from PIL import Image as PillowImage
    from PIL import ImageDraw

    pairs = result.pairs
    title = result.experiment.title if isinstance(result, ExperimentResult) else "Before and after"
    readings = {read.file: read for read in _all_photos(result)}
    image = PillowImage.new("RGB", (WIDTH, HEAD + ROW * max(len(pairs), 1) + FOOT), PAPER)
    pen = ImageDraw.Draw(image)
    pen.text((MARGIN, 16), plain(title), fill=INK, font=font(BIG))
    for number, pair in enumerate(pairs, start=1):
        top = HEAD + (number - 1) * ROW
        pen.line([(0, top), (WIDTH, top)], fill=PALE, width=2)
        _draw_row(image, pen, top, number, pair, readings, photos)
    if not pairs:
        pen.text((MARGIN, HEAD + 20), "nothing was compared", fill=INK, font=font(TEXT))
    pen.text((MARGIN, image.height - 38), NOTICE, fill=GREY, font=font(SMALL))
    return np.asarray(image, dtype=np.uint8)


def write_comparison_figure(result: Comparison | ExperimentResult, path: PathLike) -> Path:
    """Draw a comparison and write the picture, whole or not at all.

    Parameters
    ----------
    result : Comparison or ExperimentResult
        Its photographs are opened again.
    path : path
        Ending in ``.png`` or ``.jpg``; an older file of that name is replaced.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        The file cannot be written, or its ending names no picture format.
    PhotoError
        A photograph cannot be opened any more.
    """
    target = Path(path)
    if target.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise InputError(f"writing the figure {target}: the name must end in .png or .jpg")
    files = dict.fromkeys(
        seen.file for pair in result.pairs for seen in (pair.change.before, pair.change.after)
    )
    drawing = draw_comparison(result, {file: load_photo(file) for file in files})
    save_drawing(drawing, target, kind="figure", quality=90)
    return target


def _all_photos(result: Comparison | ExperimentResult) -> Iterable[PhotoReadings]:
    return result.photos.values() if isinstance(result, ExperimentResult) else result.photos


def _draw_row(
    image: Image,
    pen: ImageDraw,
    top: int,
    number: int,
    pair: PairResult,
    readings: Mapping[str, PhotoReadings],
    photos: Mapping[str, Photo],
) -> None:
    """Draw one pair: crops and card on the left, axis and words on the right."""
    change = pair.change
    high = top + 66
    heading = f"{number}  {pair.label}" + (f", after {pair.added}" if pair.added else "")
    pen.text((MARGIN, top + 14), plain(heading), fill=INK, font=font(TEXT))
    places = ((MARGIN, change.before, "before"), (MARGIN + CROP_WIDE + CARD_WIDE + 40, change.after, "after"))
    for left, seen, word in places:
        box = (left, high, left + CROP_WIDE, high + PICTURE_HIGH - 40)
        photo = photos.get(seen.file)
        if photo is not None:
            image.paste(_crop(photo, seen.reading, (CROP_WIDE, PICTURE_HIGH - 40)), box[:2])
        pen.rectangle(box, outline=INK, width=2)
        pen.text((left + 4, box[3] + 6), plain(f"{word}: {_said(seen)}"), fill=INK, font=font(SMALL))
        name = colour_name(seen.reading.lab)
        pen.text((left + 4, box[3] + 30), plain(name), fill=GREY, font=font(SMALL))
    card = [
        _card_colours(photos.get(seen.file), readings.get(seen.file))
        for seen in (change.before, change.after)
    ]
    _draw_card(pen, (MARGIN + CROP_WIDE + 20, high), card)
    left = MARGIN + 2 * CROP_WIDE + CARD_WIDE + 90
    _draw_axis(pen, (left, high + 8, WIDTH - MARGIN, high + 130), pair)
    _draw_words(pen, (left, high + (166 if change.has_ph else 8)), pair)


def _said(seen: Observation) -> str:
    """PH in a few words."""
    reading = seen.reading
    if reading.interval is None:
        return "no pH"
    return format_ph(reading.ph) if reading.ph is not None else str(reading.interval).rpartition(",")[0]


def _crop(photo: Photo, reading: Reading, size: tuple[int, int]) -> Image:
    """Cut the liquid, outlined, with its surroundings out of the photograph, fitted into `size`."""
    from PIL import Image as PillowImage
    from PIL import ImageDraw

    photo = photo.turned(quarters_to_upright(reading.liquid))
    quad = photo.to_working(reading.liquid)
    centre, half = quad.mean(axis=0), 0.5 * np.ptp(quad, axis=0) * 1.35
    # The frame has one shape for all crops, so that before and after show at one scale.
    half = np.maximum(half, half[::-1] * np.array(size) / np.array(size[::-1]))
    height, width = photo.encoded.shape[:2]
    left, upper = (int(max(value, 0)) for value in np.floor(centre - half))
    right, lower = int(min(centre[0] + half[0], width)), int(min(centre[1] + half[1], height))
    if right - left < 2 or lower - upper < 2:
        return PillowImage.new("RGB", size, PALE)
    codes = _srgb(photo, slice(upper, lower), slice(left, right))
    cut = PillowImage.fromarray(codes)
    scale = min(size[0] / cut.width, size[1] / cut.height)
    cut = cut.resize((max(1, round(cut.width * scale)), max(1, round(cut.height * scale))))
    outline = [tuple(point) for point in (quad - (left, upper)) * scale]
    for colour, thick in ((INK, 5), (PAPER, 2)):
        ImageDraw.Draw(cut).line([*outline, outline[0]], fill=colour, width=thick)
    framed = PillowImage.new("RGB", size, PALE)
    framed.paste(cut, ((size[0] - cut.width) // 2, (size[1] - cut.height) // 2))
    return framed


def _srgb(photo: Photo, rows: slice, cols: slice) -> UInt8Array:
    """Part of a photograph as 8-bit sRGB."""
    linear = photo.linear(rows, cols) @ np.asarray(photo.to_linear_srgb).T
    return np.asarray(np.rint(255.0 * linear_rgb_to_srgb(np.clip(linear, 0.0, 1.0))), dtype=np.uint8)


def _card_colours(
    photo: Photo | None, readings: PhotoReadings | None
) -> list[tuple[float, tuple[int, int, int]]]:
    """PH and colour as photographed of every patch."""
    if photo is None or readings is None:
        return []
    colours = []
    for patch in readings.patches:
        corners: FloatArray = photo.to_working(patch.corners)
        centre = corners.mean(axis=0)
        half = max(1, int(0.2 * np.linalg.norm(corners[1] - corners[0])))
        col, row = (int(value) for value in np.rint(centre))
        part = _srgb(
            photo, slice(max(row - half, 0), row + half + 1), slice(max(col - half, 0), col + half + 1)
        ).reshape(-1, 3)
        red, green, blue = np.median(part, axis=0) if part.size else (128, 128, 128)
        colours.append((patch.ph, (int(red), int(green), int(blue))))
    return colours


def _draw_card(
    pen: ImageDraw, place: tuple[int, int], card: list[list[tuple[float, tuple[int, int, int]]]]
) -> None:
    """Draw the card between the crops, the highest pH on top: left half before, right half after."""
    left, top = place
    before, after = card
    if not before or not after:
        pen.text((left + 8, top + 8), "no card", fill=INK, font=font(SMALL))
        return
    values = sorted({ph for ph, _ in before} | {ph for ph, _ in after}, reverse=True)
    high = (PICTURE_HIGH - 40) / len(values)
    letters = font(min(SMALL, 0.8 * high))
    for index, value in enumerate(values):
        upper, lower = top + index * high, top + (index + 1) * high
        for side, colours in enumerate(card):
            known = dict(colours)
            if value in known:
                edge = left + side * CARD_WIDE / 2
                pen.rectangle((edge, upper, edge + CARD_WIDE / 2, lower), fill=known[value])
        pen.text(
            (left + CARD_WIDE / 2, (upper + lower) / 2),
            f"{value:g}",
            fill=PAPER,
            font=letters,
            anchor="mm",
            stroke_width=2,
            stroke_fill=INK,
        )
    bottom = top + PICTURE_HIGH - 40
    pen.rectangle((left, top, left + CARD_WIDE, bottom), outline=INK, width=2)
    pen.text((left, bottom + 6), "before", fill=GREY, font=font(SMALL))
    pen.text((left + CARD_WIDE, bottom + 6), "after", fill=GREY, font=font(SMALL), anchor="ra")
    pen.text((left, bottom + 30), "card, its pH", fill=GREY, font=font(SMALL))


def _draw_axis(pen: ImageDraw, box: tuple[float, float, float, float], pair: PairResult) -> None:
    """Draw the pH axis with both ranges and what the recipe expects."""
    change = pair.change
    cards = [seen.card for seen in (change.before, change.after) if seen.card is not None]
    if not cards:
        return
    left, top, right, bottom = box
    low, high = min(card[0] for card in cards), max(card[1] for card in cards)
    expected = pair.judgement.expected
    marks = [] if expected is None else [expected.before_ph, expected.after_ph]
    start, end = min([low - BEYOND_PH, *marks]), max([high + BEYOND_PH, *marks])

    def at(ph: float) -> float:
        return left + (right - left) * (ph - start) / (end - start)

    pen.rectangle((at(low), top, at(high), bottom), fill=(238, 238, 238))
    pen.line([(left, bottom), (right, bottom)], fill=INK, width=3)
    for ph in range(int(np.ceil(start)), int(np.floor(end)) + 1):
        pen.line([(at(ph), bottom), (at(ph), bottom + 8)], fill=INK, width=2)
        pen.text((at(ph), bottom + 10), str(ph), fill=INK, font=font(SMALL), anchor="ma")
    pen.text((right, bottom + 40), "pH", fill=INK, font=font(SMALL), anchor="ra")
    heights = (top + 0.33 * (bottom - top), top + 0.79 * (bottom - top))
    rows = zip((change.before, change.after), heights, (False, True), marks or (None, None), strict=True)
    for seen, height, hollow, mark in rows:
        _draw_range(pen, seen.reading, height, at, (start, end), hollow)
        if mark is not None:
            x, y = at(mark), height - 25
            for way in (-1, 1):
                pen.line([(x - 8, y - 8 * way), (x + 8, y + 8 * way)], fill=INK, width=4)


def _draw_range(
    pen: ImageDraw,
    reading: Reading,
    height: float,
    at: Callable[[float], float],
    ends: tuple[float, float],
    hollow: bool,
) -> None:
    """Draw one range with its median; an arrow where it is open."""
    interval = reading.interval
    if interval is None:
        pen.text((at(ends[0]) + 4, height), "no pH", fill=INK, font=font(SMALL), anchor="lm")
        return
    first = at(ends[0] if interval.low is None else interval.low)
    last = at(ends[1] if interval.high is None else interval.high)
    for shift in (-5, 5) if hollow else (0,):
        pen.line([(first, height + shift), (last, height + shift)], fill=INK, width=2 if hollow else 6)
    for x, limit, way in ((first, interval.low, 1), (last, interval.high, -1)):
        if limit is None:
            pen.polygon([(x, height), (x + way * 18, height - 12), (x + way * 18, height + 12)], fill=INK)
        else:
            pen.line([(x, height - 12), (x, height + 12)], fill=INK, width=3)
    if reading.ph is not None:
        x = at(reading.ph)
        if hollow:
            pen.rectangle((x - 10, height - 10, x + 10, height + 10), fill=PAPER, outline=INK, width=4)
        else:
            pen.ellipse((x - 10, height - 10, x + 10, height + 10), fill=INK)


def _draw_words(pen: ImageDraw, place: tuple[float, float], pair: PairResult) -> None:
    """Write key, change and verdict."""
    left, top = place
    judged = pair.judgement
    key = "before: filled circle   after: open square   grey: the card's reach" + (
        "   X: expected" if judged.expected is not None else ""
    )
    if pair.change.has_ph:
        pen.text((left, top), key, fill=GREY, font=font(SMALL))
        top += 30
    verdict = (judged.colour or judged.verdict).upper()
    head, rest = f"{verdict} by colour alone" if judged.colour else verdict, judged.reason
    if pair.change.has_ph:
        head, rest = f"{verdict}: {change_text(pair.change)}", judged.reason.partition("; ")[2]
    lines = [(line, TEXT) for line in textwrap.wrap(plain(head), HEAD_WRAP)]
    lines += [(line, SMALL) for line in textwrap.wrap(plain(rest), WRAP)]
    for line, size in lines[:5]:
        pen.text((left, top), line, fill=INK, font=font(size))
        top += 32
