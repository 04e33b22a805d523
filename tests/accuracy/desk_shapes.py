"""Draw opaque things of a desk, upright, as reflectance and coverage: pens, bottles with labels, bars, rulers, fingers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np

__all__ = ["FINER", "GAMMA", "KINDS"]

# Pixels drawn for one of the picture.
FINER = 2
# Exponent between code values and light, roughly.
GAMMA = 2.2


def _canvas(width: float, height: float) -> tuple[Any, Any]:
    size = (max(int(height), 8), max(int(width), 6))
    return np.zeros((*size, 3), np.float32), np.zeros(size, np.float32)


def _hue(rng: np.random.Generator, *, vivid: float = 0.8) -> Any:
    """A reflectance: vivid, or grey to white or black."""
    if rng.random() < vivid:
        h, s, v = rng.uniform(0, 180), rng.uniform(0.35, 1.0), rng.uniform(0.25, 0.95)
        pixel = np.array([[[h * 2, s, v]]], np.float32)
        return cv2.cvtColor(pixel, cv2.COLOR_HSV2RGB)[0, 0] ** GAMMA
    return np.full(3, rng.choice([0.03, 0.2, 0.6, 0.9]), np.float32)


def _round(width: int, rng: np.random.Generator, *, gloss: float = 0.7) -> tuple[Any, Any]:
    """Light across a cylinder: (diffuse factor, added highlight)."""
    x = np.linspace(-0.98, 0.98, max(width, 2))
    towards = rng.uniform(-0.7, 0.7)
    normal = np.sqrt(1 - x**2)
    diffuse = 0.35 + 0.65 * np.clip(normal * np.cos(towards) + x * np.sin(towards), 0, 1)
    at, spread = rng.uniform(-0.5, 0.5), rng.uniform(0.03, 0.12)
    shine = rng.uniform(0.05, 0.6) * np.exp(-(((x - at) / spread) ** 2)) if rng.random() < gloss else 0 * x
    return diffuse.astype(np.float32), shine.astype(np.float32)


def _cylinder(canvas: Any, cover: Any, rows: tuple[int, int], half: float, colour: Any, light: Any) -> None:
    """Paint a cylinder of half-width `half` (share of the canvas' half) over some rows."""
    width = canvas.shape[1]
    first = round(width / 2 * (1 - half))
    part = slice(first, width - first)
    count = part.stop - part.start
    if count < 2:
        return
    diffuse, shine = (np.interp(np.linspace(0, 1, count), np.linspace(0, 1, len(v)), v) for v in light)
    canvas[rows[0] : rows[1], part] = colour * diffuse[None, :, None] + shine[None, :, None]
    cover[rows[0] : rows[1], part] = 1


def _rounded_foot(cover: Any, depth: float) -> None:
    """Round the lower corners: an ellipse of this depth, share of the half width."""
    height, width = cover.shape
    bulge = int(depth * width / 2)
    if bulge < 1:
        return
    x = np.linspace(-1, 1, width)
    gone = np.round(bulge * (1 - np.sqrt(1 - x**2))).astype(int)
    for column, rows in enumerate(gone):
        if rows:
            cover[height - rows :, column] = 0


def _text(canvas: Any, box: tuple[int, int, int, int], ink: Any, rng: np.random.Generator) -> None:
    """Scribble lines of words into a box (x0, y0, x1, y1)."""
    x0, y0, x1, y1 = box
    if y1 - y0 < 8 or x1 - x0 < 8:
        return
    size = max((y1 - y0) / rng.integers(3, 7), 6)
    y = y0 + size
    while y < y1:
        word = "".join(rng.choice(list("abcdeghiklmnoprstu"), rng.integers(3, 10)))
        _write(canvas[y0:y1, x0:x1], word, (2, int(y - y0)), size / 30, ink)
        y += size * 1.3


def _write(part: Any, word: str, at: tuple[int, int], scale: float, ink: Any) -> None:
    """Write a word on a part of a canvas."""
    mask = np.zeros(part.shape[:2], np.uint8)
    cv2.putText(mask, word, at, 0, scale, 255, max(1, round(2 * scale)), cv2.LINE_AA)
    share = mask[..., None].astype(np.float32) / 255
    part[:] = part * (1 - share) + np.asarray(ink, np.float32) * share


def pen(bore: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """A pen or marker standing on its end or its cap."""
    width = bore * rng.uniform(0.35, 1.0)
    canvas, cover = _canvas(width, width * rng.uniform(5, 11))
    height = len(cover)
    body, cap = _hue(rng, vivid=0.55), _hue(rng)
    light = _round(canvas.shape[1], rng)
    cut = int(height * rng.uniform(0.3, 0.45))
    _cylinder(canvas, cover, (0, height), rng.uniform(0.85, 1.0), body, light)
    _cylinder(canvas, cover, (0, cut), 1.0, cap, light)
    if rng.random() < 0.5:
        ring = int(height * rng.uniform(0.5, 0.9))
        _cylinder(canvas, cover, (ring, ring + max(2, height // 40)), 1.0, _hue(rng), light)
    if rng.random() < 0.5:
        end = int(height * rng.uniform(0.88, 0.97))
        _cylinder(canvas, cover, (end, height), 1.0, cap, light)
    _rounded_foot(cover, rng.choice([0.0, 0.15, 0.4]))
    if rng.random() < 0.5:
        canvas, cover = canvas[::-1].copy(), cover[::-1].copy()
    return canvas, cover


def pencil(bore: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """A six-sided pencil, tip up."""
    width = bore * rng.uniform(0.25, 0.6)
    canvas, cover = _canvas(width, width * rng.uniform(8, 16))
    height, wide = cover.shape
    colour = _hue(rng)
    for facet, share in ((0, 0.6), (1, 1.0), (2, 0.75)):
        canvas[:, int(wide * (facet - 0 if facet else 0) / 3) : int(wide * (facet + 1) / 3)] = colour * share
    cover[:] = 1
    tip = int(width * rng.uniform(1.5, 2.5))
    for row in range(min(tip * FINER // 2, height)):
        reach = row / max(tip * FINER // 2, 1)
        half = max(1, int(wide / 2 * reach))
        cover[row] = 0
        cover[row, wide // 2 - half : wide // 2 + half] = 1
        canvas[row] = [0.06, 0.06, 0.06] if reach < 0.3 else [0.7, 0.5, 0.3]
    if rng.random() < 0.5:
        canvas[height - wide :] = [0.7, 0.25, 0.25]
        canvas[height - 2 * wide : height - wide] = [0.6, 0.6, 0.6]
    return canvas, cover


def bottle(bore: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """An opaque bottle with shoulders, a cap and a label."""
    width = bore * rng.uniform(0.9, 2.6)
    canvas, cover = _canvas(width, width * rng.uniform(1.5, 3.2))
    height, wide = cover.shape
    light = _round(wide, rng)
    body, cap = _hue(rng, vivid=0.6), _hue(rng, vivid=0.6)
    neck_half, top = rng.uniform(0.3, 0.75), int(height * rng.uniform(0.1, 0.22))
    shoulder = int(wide * rng.uniform(0.1, 0.35))
    _cylinder(canvas, cover, (0, top), neck_half, cap, light)
    for row in range(top, min(top + shoulder, height)):
        share = np.sqrt(np.clip(1 - (1 - (row - top) / shoulder) ** 2, 0, 1))
        _cylinder(canvas, cover, (row, row + 1), neck_half + (1 - neck_half) * share, body, light)
    _cylinder(canvas, cover, (top + shoulder, height), 1.0, body, light)
    first, last = int(height * rng.uniform(0.4, 0.55)), int(height * rng.uniform(0.75, 0.95))
    paper = _hue(rng, vivid=0.5)
    _cylinder(canvas, cover, (first, last), 1.0, paper, light)
    if rng.random() < 0.6:
        band = int((last - first) * rng.uniform(0.2, 0.4))
        start = first if rng.random() < 0.5 else last - band
        _cylinder(canvas, cover, (start, start + band), 1.0, _hue(rng), light)
    if rng.random() < 0.7:
        ink = np.zeros(3) if paper.mean() > 0.3 else np.ones(3)
        _text(canvas, (int(0.15 * wide), first + 4, int(0.85 * wide), last - 4), ink, rng)
    _rounded_foot(cover, rng.choice([0.0, 0.1, 0.25]))
    return canvas, cover


def bars(bore: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """A printed diagram of bars on paper."""
    count = int(rng.integers(2, 5))
    wide, gap = bore * rng.uniform(0.4, 1.0), bore * rng.uniform(0.1, 0.5)
    width = count * (wide + gap) + gap + bore
    height = bore * rng.uniform(3, 6)
    canvas, cover = _canvas(width, height)
    cover[:] = 1
    canvas[:] = rng.uniform(0.75, 0.95)
    base, left = int(len(cover) * 0.85), int(bore * 0.6)
    if rng.random() < 0.5:
        for y in np.linspace(0.1, 0.7, int(rng.integers(3, 6))):
            cv2.line(
                canvas, (left, int(y * len(cover))), (canvas.shape[1] - 8, int(y * len(cover))), (0.5,) * 3, 1
            )
    one = _hue(rng)
    many = rng.random() < 0.6
    for number in range(count):
        x = left + int(gap + number * (wide + gap))
        y = int(base - rng.uniform(0.25, 0.95) * base)
        canvas[y:base, x : x + int(wide)] = _hue(rng) if many else one
        if rng.random() < 0.3:
            cv2.rectangle(canvas, (x, y), (x + int(wide), base), (0.05,) * 3, 2)
    cv2.line(canvas, (left, 8), (left, base), (0.05,) * 3, 2)
    cv2.line(canvas, (left, base), (canvas.shape[1] - 8, base), (0.05,) * 3, 2)
    _text(canvas, (left, base + 4, canvas.shape[1], len(cover)), np.zeros(3), rng)
    return canvas, cover


def ruler(bore: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """A ruler standing on its end."""
    width = bore * rng.uniform(0.5, 1.3)
    canvas, cover = _canvas(width, width * rng.uniform(5, 10))
    cover[:] = 1
    colour = [np.array([0.75, 0.55, 0.3]), np.array([0.9, 0.9, 0.88]), np.array([0.5, 0.5, 0.52]), _hue(rng)]
    canvas[:] = colour[int(rng.integers(4))]
    height, wide = cover.shape
    step = max(3, height / rng.integers(60, 150))
    y, number = step, 0
    while y < height - 2:
        long = 0.45 if number % 10 == 0 else 0.3 if number % 5 == 0 else 0.18
        cv2.line(canvas, (0, int(y)), (int(long * wide), int(y)), (0.03,) * 3, max(1, int(step / 4)))
        if number % 10 == 0:
            _write(canvas, str(number // 10), (int(0.5 * wide), int(y + step * 2)), step / 8, (0.03,) * 3)
        y, number = y + step, number + 1
    return canvas, cover


def fingers(bore: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """Two to four fingers reaching up."""
    count = int(rng.integers(1, 5))
    wide = bore * rng.uniform(0.7, 1.5)
    canvas, cover = _canvas(count * wide * 1.02, wide * rng.uniform(2.0, 4.0))
    height = len(cover)
    skin = np.array([0.65, 0.42, 0.32]) * rng.uniform(0.25, 1.15) * rng.uniform(0.9, 1.1, 3)
    for number in range(count):
        x0 = int(number * wide * 1.02)
        one, covered = _canvas(wide, height)
        drop = int(rng.uniform(0, 0.25) * height)
        light = _round(one.shape[1], rng, gloss=0.2)
        _cylinder(one, covered, (0, len(covered)), 1.0, skin, light)
        for y in (0.35, 0.4, 0.7):
            row = int((y + rng.normal(0, 0.02)) * len(covered))
            one[row : row + max(2, len(covered) // 80)] *= 0.8
        if rng.random() < 0.5:
            middle = (one.shape[1] // 2, int(0.45 * one.shape[1]))
            axes = (int(0.28 * one.shape[1]), int(0.34 * one.shape[1]))
            cv2.ellipse(one, middle, axes, 0, 0, 360, [float(v) for v in np.minimum(skin * 1.25, 0.95)], -1)
        flipped = covered[::-1].copy()
        _rounded_foot(flipped, 0.95)
        covered = flipped[::-1]
        room = min(one.shape[1], canvas.shape[1] - x0)
        canvas[drop:, x0 : x0 + room] = one[: height - drop, :room]
        cover[drop:, x0 : x0 + room] = covered[: height - drop, :room]
    if rng.random() < 0.5:
        canvas, cover = canvas[::-1].copy(), cover[::-1].copy()
    return canvas, cover


def box(bore: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """A box or a row of books: flat upright faces with bands."""
    count = int(rng.integers(1, 4))
    wide = [bore * rng.uniform(0.6, 2.0) for _ in range(count)]
    tall = [bore * rng.uniform(2.0, 6.0) for _ in range(count)]
    canvas, cover = _canvas(sum(wide), max(tall))
    x = 0
    for w, h in zip(wide, tall, strict=True):
        rows, columns = slice(max(len(cover) - int(h), 0), len(cover)), slice(int(x), int(x + w))
        canvas[rows, columns] = _hue(rng, vivid=0.7)
        cover[rows, columns] = 1
        for _ in range(int(rng.integers(0, 3))):
            y = rows.start + int(rng.uniform(0.05, 0.9) * h)
            canvas[y : min(y + int(rng.uniform(0.03, 0.3) * h), len(cover)), columns] = _hue(rng)
        x += w
    return canvas, cover


def cup(bore: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """An opaque cup or pot: a cylinder or cone with a rim."""
    width = bore * rng.uniform(1.2, 3.0)
    canvas, cover = _canvas(width, width * rng.uniform(0.8, 1.5))
    height = len(cover)
    colour, light = _hue(rng, vivid=0.6), _round(canvas.shape[1], rng)
    foot = rng.uniform(0.7, 1.0)
    for row in range(height):
        _cylinder(canvas, cover, (row, row + 1), 1 + (foot - 1) * row / height, colour, light)
    rim = int(height * rng.uniform(0.04, 0.15))
    if rng.random() < 0.6:
        _cylinder(canvas, cover, (0, rim), 1.0, _hue(rng), light)
    for _ in range(int(rng.integers(0, 3))):
        y = int(rng.uniform(0.15, 0.85) * height)
        half = 1 + (foot - 1) * y / height
        _cylinder(
            canvas, cover, (y, y + max(2, int(rng.uniform(0.03, 0.2) * height))), half, _hue(rng), light
        )
    _rounded_foot(cover, rng.choice([0.0, 0.1, 0.3]))
    return canvas, cover


def can(bore: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """A round stick, battery, candle or tube of paste: bands of colour about a cylinder."""
    width = bore * rng.uniform(0.6, 1.6)
    canvas, cover = _canvas(width, width * rng.uniform(1.5, 5))
    height = len(cover)
    light = _round(canvas.shape[1], rng)
    _cylinder(canvas, cover, (0, height), 1.0, _hue(rng), light)
    cut = int(height * rng.uniform(0.15, 0.7))
    _cylinder(canvas, cover, (0, cut), rng.uniform(0.75, 1.0), _hue(rng, vivid=0.4), light)
    cover[:cut][canvas[:cut].sum(axis=2) == 0] = 0
    _rounded_foot(cover, rng.choice([0.0, 0.15, 0.5, 1.0]))
    return canvas, cover


def crayon(bore: float, rng: np.random.Generator) -> tuple[Any, Any]:
    """A cylinder with a cone on top."""
    width = bore * rng.uniform(0.4, 1.2)
    canvas, cover = _canvas(width, width * rng.uniform(3, 7))
    height = len(cover)
    colour, light = _hue(rng), _round(canvas.shape[1], rng, gloss=0.3)
    cone = int(height * rng.uniform(0.08, 0.2))
    for row in range(cone):
        _cylinder(canvas, cover, (row, row + 1), 0.25 + 0.75 * row / cone, colour, light)
    _cylinder(canvas, cover, (cone, height), 1.0, colour, light)
    if rng.random() < 0.7:
        start = int(height * rng.uniform(0.2, 0.4))
        _cylinder(canvas, cover, (start, height - height // 12), 1.0, _hue(rng), light)
    return canvas, cover


Drawer = Callable[[float, np.random.Generator], tuple[Any, Any]]
KINDS: dict[str, Drawer] = {
    "pen": pen, "pencil": pencil, "bottle": bottle, "bars": bars, "ruler": ruler, "fingers": fingers,
    "box": box, "cup": cup, "can": can, "crayon": crayon,
}  # fmt: skip
