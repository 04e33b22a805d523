"""The panel under an annotated photograph: one row a tube, with its posterior along the pH axis."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from hueph.interval import format_ph
from hueph.report import NOTICE

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw
    from PIL.ImageFont import FreeTypeFont, ImageFont

    from hueph.interval import Interval
    from hueph.results import PhotoReadings, Points, Reading

__all__ = ["CURVE", "DIM", "INK", "LIGHT", "MARK", "draw_panel", "font", "plain", "quarters_to_upright"]

INK = (18, 18, 18)
LIGHT = (255, 255, 255)
DIM = (176, 176, 176)
MARK = (255, 214, 74)
CURVE = (104, 104, 104)

# Text sizes as shares of the width; see overlay.py for why not smaller.
BIG, MIDDLE, SMALL = 0.046, 0.034, 0.028
# Row height, margin and the left edge of the posterior, shares of the width.
ROW, MARGIN, CURVE_LEFT = 0.15, 0.02, 0.56
# The axis runs this far beyond the card's first and last patch, pH.
BEYOND = 0.75


@cache
def font(size: float) -> FreeTypeFont | ImageFont:
    """Return Pillow's own scalable font at a size in pixels."""
    from PIL import ImageFont

    return ImageFont.load_default(max(8.0, size))


def plain(text: str) -> str:
    """Replace what the font has no sign for (it covers printable ASCII)."""
    return "".join(sign if " " <= sign <= "~" else "?" for sign in text)


def draw_panel(readings: PhotoReadings, swatches: list[tuple[int, int, int]], width: int) -> Image:
    """Draw the panel.

    Parameters
    ----------
    readings : PhotoReadings
    swatches : list of (r, g, b)
        Colour of each patch as photographed, encoded sRGB, 0..255.
    width : int
        Pixels; the height follows from the number of tubes and flags.

    Returns
    -------
    Image
    """
    from PIL import Image as PillowImage
    from PIL import ImageDraw

    head = _head_lines(readings, width)
    rows = [_row_lines(reading, width) for reading in readings.tubes]
    line = 1.35 * SMALL * width
    heights = [max(ROW * width, 0.085 * width + line * len(lines) + 0.02 * width) for lines in rows]
    head_height = 2 * MARGIN * width + line * len(head)
    total = head_height + sum(heights) + line + 2 * MARGIN * width
    image = PillowImage.new("RGB", (width, round(total)), INK)
    pen = ImageDraw.Draw(image)
    top = MARGIN * width
    for text in head:
        pen.text((MARGIN * width, top), text, fill=LIGHT, font=font(SMALL * width))
        top += line
    top += MARGIN * width
    for reading, lines, height in zip(readings.tubes, rows, heights, strict=True):
        pen.line((0, top, width, top), fill=DIM, width=max(1, width // 800))
        _draw_row(pen, reading, lines, top, width)
        _draw_posterior(pen, readings, reading, swatches, (CURVE_LEFT * width, top, width, ROW * width))
        top += height
    pen.line((0, top, width, top), fill=DIM, width=max(1, width // 800))
    pen.text((MARGIN * width, top + MARGIN * width), NOTICE, fill=LIGHT, font=font(0.9 * SMALL * width))
    return image


def _head_lines(readings: PhotoReadings, width: int) -> list[str]:
    """Say which photograph and chart, how well the strip was found, and what holds for all tubes."""
    strip = readings.strip_message or "no strip found: no pH can be stated"
    if readings.patches:
        strip = f"strip: {len(readings.patches)} patches"
        if readings.residual_delta_e is not None:
            strip += f", residual {readings.residual_delta_e:.1f} CIEDE2000"
    name = readings.file.replace("\\", "/").rsplit("/", 1)[-1]
    words = f"{name} - chart {readings.chart_name} - {strip}".split(" ")
    lines = _wrap(words, (1 - 2 * MARGIN) * width, SMALL * width)
    if readings.error is not None:
        lines += _wrap(readings.error[1].split(" "), (1 - 2 * MARGIN) * width, SMALL * width)
    if readings.flags:
        lines += _wrap(["flags:", *readings.flags], (1 - 2 * MARGIN) * width, SMALL * width)
    if readings.expected_unmatched:
        numbers = ", ".join(str(number) for number, _ in readings.expected_unmatched)
        lines.append(f"expected, but not found: tube {numbers}")
    if not readings.tubes:
        lines.append("no tube found")
    return lines


def _row_lines(reading: Reading, width: int) -> list[str]:
    """Return the flags of a tube and what was expected of it, wrapped to its column."""
    room = (CURVE_LEFT - 0.125) * width
    lines: list[str] = []
    if reading.flags:
        lines = _wrap([f"{flag}," for flag in reading.flags[:-1]] + [reading.flags[-1]], room, SMALL * width)
    if reading.expected is not None:
        words = f"expected {format_ph(reading.expected.ph)}: {reading.expected.outcome}"
        lines += _wrap(words.split(" "), room, SMALL * width)
    return lines


def _wrap(words: list[str], room: float, size: float) -> list[str]:
    """Break words into lines that fit; a word that does not fit alone is cut."""
    letters = font(size)
    lines: list[str] = []
    for word in (plain(word) for word in words):
        while len(word) > 1 and letters.getlength(word) > room:
            word = word[:-2] + "~"
        if lines and letters.getlength(f"{lines[-1]} {word}") <= room:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _draw_row(pen: ImageDraw, reading: Reading, lines: list[str], top: float, width: int) -> None:
    """Write number, reading, range and flags."""
    radius = 0.035 * width
    centre = (0.055 * width, top + 0.02 * width + radius)
    pen.ellipse((centre[0] - radius, centre[1] - radius, centre[0] + radius, centre[1] + radius), fill=LIGHT)
    pen.text(centre, str(reading.tube), fill=INK, font=font(BIG * width), anchor="mm")
    left = 0.11 * width
    first, second = _reading_words(reading)
    pen.text((left, top + 0.012 * width), plain(first), fill=LIGHT, font=font(BIG * width))
    if second:
        start = left + font(BIG * width).getlength(plain(first)) + 0.02 * width
        pen.text((start, top + 0.021 * width), plain(second), fill=LIGHT, font=font(MIDDLE * width))
    for number, text in enumerate(lines):
        place = (left, top + 0.08 * width + 1.35 * SMALL * width * number)
        pen.text(place, text, fill=LIGHT, font=font(SMALL * width))


def _reading_words(reading: Reading) -> tuple[str, str]:
    """Return the reading in large and its range in smaller letters."""
    if reading.interval is None:
        return "no reading", ""
    if reading.ph is None:
        limit, _, coverage = str(reading.interval).rpartition(", ")
        return f"pH {limit}", coverage
    digits = 2 if reading.interval.width < 0.15 else 1
    return f"pH {format_ph(reading.ph, digits)}", str(reading.interval)


def _draw_posterior(
    pen: ImageDraw,
    readings: PhotoReadings,
    reading: Reading,
    swatches: list[tuple[int, int, int]],
    area: tuple[float, float, float, float],
) -> None:
    """Draw the posterior over the card's patches on a pH axis; the interval as a bar with ends."""
    if not readings.patches:
        return
    left, top, right, height = area
    left, right = left + 0.02 * right, 0.98 * right
    ph = np.array([patch.ph for patch in readings.patches])
    start, end = float(ph.min()) - BEYOND, float(ph.max()) + BEYOND
    axis = top + 0.66 * height

    def across(value: float) -> float:
        return left + (right - left) * min(max((value - start) / (end - start), 0.0), 1.0)

    _draw_axis(pen, ph, swatches, across, axis, height)
    if reading.expected is not None:
        _draw_expected(
            pen, reading.expected.interval, reading.expected.ph, across, axis, height, (start, end)
        )
    inside = (reading.grid >= start) & (reading.grid <= end)
    if reading.interval is None or not inside.any():
        pen.text(
            ((left + right) / 2, top + 0.32 * height),
            "no pH stated",
            fill=DIM,
            font=font(0.19 * height),
            anchor="mm",
        )
        return
    density = reading.posterior[inside]
    peak = float(density.max()) or 1.0
    tops = axis - 0.46 * height * density / peak
    places = left + (right - left) * (reading.grid[inside] - start) / (end - start)
    outline = list(zip(places.tolist(), tops.tolist(), strict=True))
    pen.polygon([(outline[0][0], axis), *outline, (outline[-1][0], axis)], fill=CURVE)
    pen.line(outline, fill=LIGHT, width=max(2, round(0.016 * height)))
    _draw_interval(pen, reading, across, axis, height, (start, end))


def _draw_axis(
    pen: ImageDraw,
    ph: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    swatches: list[tuple[int, int, int]],
    across: Callable[[float], float],
    axis: float,
    height: float,
) -> None:
    """Draw the card's patches along the axis, with as many pH numbers as fit."""
    half = 0.42 * (across(float(ph[-1])) - across(float(ph[0]))) / max(1, len(ph) - 1)
    letters = font(0.17 * height)
    last = -1e9
    for value, colour in zip(ph, swatches, strict=True):
        middle = across(float(value))
        box = (middle - half, axis, middle + half, axis + 0.12 * height)
        pen.rectangle(box, fill=colour, outline=DIM)
        text = f"{value:g}"
        if middle - letters.getlength(text) / 2 > last + 0.06 * height:
            pen.text((middle, axis + 0.14 * height), text, fill=LIGHT, font=letters, anchor="mt")
            last = middle + letters.getlength(text) / 2


def _draw_expected(
    pen: ImageDraw,
    interval: Interval,
    ph: float,
    across: Callable[[float], float],
    axis: float,
    height: float,
    ends: tuple[float, float],
) -> None:
    """Mark the expected pH: a flag above the curve on a dashed staff, pointing outwards when beyond the axis."""
    middle, top, size = across(ph), axis - 0.53 * height, 0.06 * height
    thick = max(2, round(0.016 * height))
    low, high = (across(limit) for limit in (interval.low, interval.high) if limit is not None)
    pen.line((low, top + size, high, top + size), fill=LIGHT, width=thick)
    if ph < ends[0]:
        tip = [(middle, top), (middle + 1.4 * size, top - size), (middle + 1.4 * size, top + size)]
    elif ph > ends[1]:
        tip = [(middle, top), (middle - 1.4 * size, top - size), (middle - 1.4 * size, top + size)]
    else:
        tip = [(middle, top + size), (middle - size, top - size), (middle + size, top - size)]
        dash = 0.035 * height
        for number in range(int((axis - top - size) / (2.0 * dash)) + 1):
            start = top + size + 2.0 * dash * number
            pen.line((middle, start, middle, min(start + dash, axis)), fill=LIGHT, width=thick)
    pen.polygon(tip, fill=INK, outline=LIGHT, width=thick)


def _draw_interval(
    pen: ImageDraw,
    reading: Reading,
    across: Callable[[float], float],
    axis: float,
    height: float,
    ends: tuple[float, float],
) -> None:
    """Mark the interval: a bar with a foot at each limit and an arrow where it is open."""
    assert reading.interval is not None
    thick = max(3, round(0.03 * height))
    low, high = reading.interval.low, reading.interval.high
    first = across(ends[0] if low is None else low)
    last = across(ends[1] if high is None else high)
    foot = 0.07 * height
    lines = [(first, axis, last, axis)]
    tips = []
    for limit, place, inward in ((low, first, 1), (high, last, -1)):
        if limit is None:
            tips.append([(place - inward * foot, axis), (place, axis - foot), (place, axis + foot)])
        else:
            lines.append((place, axis - foot, place, axis + foot))
    if reading.ph is not None:
        middle = across(reading.ph)
        lines.append((middle, axis - 0.5 * height, middle, axis + foot))
    # Dark edges first: without colour the marks would run into pale patches and the curve's outline.
    for line in lines:
        pen.line(line, fill=INK, width=thick + 2 * max(1, thick // 3))
    for line in lines:
        pen.line(line, fill=MARK, width=thick)
    for tip in tips:
        pen.polygon(tip, fill=MARK)


def quarters_to_upright(liquid: Points) -> int:
    """Return by how many quarter turns clockwise a liquid comes to stand upright, from its surface to its bottom."""
    (left, _, _, below) = np.asarray(liquid, dtype=np.float64)
    across, down = below - left
    return round(float(np.degrees(np.arctan2(across, down))) / 90.0) % 4
