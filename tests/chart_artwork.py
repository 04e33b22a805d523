"""Draw flat artwork of printed charts with known patch places: material for tests and measurements.

Colours are invented paths through CIELAB, geometry is random: nothing here comes from hueph.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

# Corner colours (CIELAB D65) of paths as indicators go through them, invented: acid end to basic end.
PATHS: dict[str, list[tuple[float, float, float]]] = {
    "universal": [(62, 45, 40), (80, 15, 60), (85, -10, 60), (65, -35, 25), (50, -20, -25), (38, 35, -45)],
    "four-dye": [(70, 38, 48), (86, 2, 70), (70, -35, 35), (55, -28, -12), (38, 20, -55)],
    "yellow-blue": [(88, -8, 60), (75, -30, 25), (58, -22, -20), (45, -2, -42)],
    "pale-yellow-blue": [(92, -3, 12), (88, -8, 16), (78, -22, 2), (66, -22, -20)],
    "colourless-pink": [(94, 0, 2), (93.5, 1, 1), (88, 12, -4), (72, 40, -14), (60, 62, -20)],
    "red-yellow": [(55, 58, 35), (65, 45, 52), (78, 20, 68), (87, -2, 75)],
    "red-yellow-blue": [(55, 55, 20), (75, 25, 55), (88, -6, 65), (70, -30, 15), (50, -5, -38)],
    "yellow-red": [(90, -8, 55), (82, 10, 45), (68, 35, 15), (55, 60, -5)],
    "red-blue": [(60, 40, 20), (58, 15, -5), (55, -5, -25), (45, 5, -48)],
    "cabbage": [(50, 50, 5), (55, 30, -15), (50, 10, -30), (60, -25, -10), (70, -30, 30), (85, -8, 55)],
}


@dataclass(frozen=True)
class Artwork:
    """A drawn chart.

    Attributes
    ----------
    picture : array, shape (h, w, 3), uint8, sRGB
    ph : tuple of float
    boxes : array, shape (n, 4)
        x0, y0, x1, y1 of each patch, pixels of the picture (before any skew), in pH order.
    labs : array, shape (n, 3)
        Colours asked for, CIELAB D65.
    features : dict
        How it was drawn.
    """

    picture: Any
    ph: tuple[float, ...]
    boxes: Any
    labs: Any
    features: dict[str, Any] = field(default_factory=dict)


def lab_to_srgb8(lab: Any) -> Any:
    """CIELAB D65 to 8-bit sRGB, clipped (OpenCV's float conversion: D65, the same formulas)."""
    values = np.asarray(lab, dtype=np.float32).reshape(1, -1, 3)
    return np.clip(np.rint(cv2.cvtColor(values, cv2.COLOR_Lab2RGB)[0] * 255), 0, 255).astype(np.uint8)


def colour_path(name: str, count: int, rng: np.random.Generator, print_error: float) -> Any:
    """`count` colours along a path, bunched at random as real transitions are, with print errors."""
    corners = np.array(PATHS[name])
    where = np.linspace(0, 1, count)
    bend = rng.uniform(0.6, 1.6)
    where = where**bend
    at = where * (len(corners) - 1)
    colours = np.stack([np.interp(at, np.arange(len(corners)), corners[:, k]) for k in range(3)], axis=1)
    return colours + rng.normal(0, print_error, colours.shape) * [0.6, 1, 1]


def ph_list(count: int, rng: np.random.Generator) -> tuple[float, ...]:
    """Equally spaced pH values."""
    step = float(rng.choice([0.2, 0.3, 0.4, 0.5, 1.0]))
    start = float(rng.choice([1, 2, 3, 4, 4.5, 5, 6, 6.5, 8]))
    if start + step * (count - 1) > 14:
        step, start = 0.5, 4.0
    return tuple(round(start + step * k, 3) for k in range(count))


def font(size: float, rng: np.random.Generator | None = None, files: tuple[str, ...] = ()) -> Any:
    """Pillow's own scalable font, or one of `files`."""
    if files and rng is not None and rng.random() < 0.8:
        return ImageFont.truetype(files[int(rng.integers(len(files)))], max(6, round(size)))
    return ImageFont.load_default(max(6, round(size)))


def draw_plain(rng: np.random.Generator, **fixed: Any) -> Artwork:
    """Draw clean artwork: one size of patch, figures beside them, nothing else on the card."""
    return _draw(_plain_features(rng) | fixed, rng)


def draw_wild(rng: np.random.Generator, **fixed: Any) -> Artwork:
    """Draw anything a printer might do, then scan it badly."""
    return _draw(_wild_features(rng) | fixed, rng)


def _plain_features(rng: np.random.Generator) -> dict[str, Any]:
    layout = str(rng.choice(["row", "strip", "column", "grid", "grid3", "column-touching"]))
    dots_per_cm = float(rng.choice([28.3, 40, 60, 60, 60, 118, 236]))
    count = int(rng.integers(6, 16))
    unit = dots_per_cm
    return {
        "layout": layout,
        "count": count,
        "path": str(rng.choice(list(PATHS))),
        "print_error": float(rng.uniform(0.3, 1.5)),
        "unit": unit,
        "width": rng.uniform(0.6, 1.8) * unit,
        "height": rng.uniform(0.6, 1.8) * unit,
        "gap_x": rng.uniform(0.05, 0.35) * unit,
        "gap_y": rng.uniform(0.05, 0.35) * unit,
        "margin": rng.uniform(0.3, 1.0) * unit,
        "label": str(rng.choice(["below", "below", "right", "none", "above"])),
        "label_size": rng.uniform(0.2, 0.4) * unit,
        "paper": (238, 237, 233) if rng.random() < 0.5 else tuple(int(v) for v in rng.integers(228, 256, 3)),
        "outline": 0,
        "rounded": 0.0,
        "title": "",
        "foot": "",
        "frame": 0,
        "surround": None,
        "noise": 0.0,
        "jpeg": 0,
        "blur": 0.0,
        "skew": 0.0,
        "shade": 0.0,
        "soft": bool(rng.random() < 0.3),
        "fonts": (),
    }


def _wild_features(rng: np.random.Generator) -> dict[str, Any]:
    features = _plain_features(rng)
    unit = features["unit"]
    features |= {
        "label": str(rng.choice(["below", "below", "right", "none", "above", "left", "inside"])),
        "outline": int(rng.choice([0, 0, 0, 1, 2])) * max(1, round(unit / 60)),
        "rounded": float(rng.choice([0, 0, 0, 0.1, 0.2])),
        "title": str(rng.choice(["", "", "pH", "Indicator chart", "Compare in daylight"])),
        "foot": str(rng.choice(["", "", "Batch 12-A", "Keep dry and dark"])),
        "frame": int(rng.choice([0, 0, 0, 1])) * max(1, round(unit / 50)),
        "surround": None if rng.random() < 0.7 else tuple(int(v) for v in rng.integers(0, 200, 3)),
        "noise": float(rng.choice([0, 0, 1.0, 2.5])),
        "jpeg": int(rng.choice([0, 0, 95, 85, 70])),
        "blur": float(rng.choice([0, 0, 0.7, 1.2])),
        "skew": float(rng.choice([0, 0, 0, 1])) * rng.uniform(-2.5, 2.5),
        "shade": float(rng.choice([0, 0, 0.04])),
    }
    return features


def _arrangement(layout: str, count: int) -> tuple[int, int]:
    """Rows and columns of a layout."""
    if layout in ("row", "strip"):
        return 1, count
    if layout in ("column", "column-touching"):
        return count, 1
    rows = 3 if layout == "grid3" else 2
    return rows, -(-count // rows)


def _text(ph: float) -> str:
    return f"{ph:g}"


def _draw(features: dict[str, Any], rng: np.random.Generator) -> Artwork:
    layout, count = features["layout"], features["count"]
    rows, columns = _arrangement(layout, count)
    if layout in ("grid", "grid3") and -(-count // columns) < rows:
        rows = -(-count // columns)
    width, height = features["width"], features["height"]
    touching = layout in ("strip", "column-touching")
    gap_x, gap_y = (0.0, 0.0) if touching else (features["gap_x"], features["gap_y"])
    label, size, margin = features["label"], features["label_size"], features["margin"]
    if touching and layout == "strip" and label in ("left", "right"):
        label = "below"
    if touching and layout == "column-touching" and label in ("below", "above"):
        label = "right"
    if layout == "column" and label in ("above", "below"):
        gap_y = max(gap_y, 1.5 * size)
    if layout in ("grid", "grid3") and label in ("above", "below"):
        gap_y = max(gap_y, 1.5 * size)
    if layout in ("row", "grid", "grid3") and label in ("left", "right"):
        gap_x = max(gap_x, 2.6 * size)
    pad_top = margin + (2.0 * size if features["title"] else 0) + (1.5 * size if label == "above" else 0)
    pad_left = margin + (2.6 * size if label == "left" else 0)
    pad_bottom = margin + (2.0 * size if features["foot"] else 0) + (1.5 * size if label == "below" else 0)
    pad_right = margin + (2.6 * size if label == "right" else 0)
    total_w = pad_left + columns * width + (columns - 1) * gap_x + pad_right
    total_h = pad_top + rows * height + (rows - 1) * gap_y + pad_bottom
    labs = colour_path(features["path"], count, rng, features["print_error"])
    colours = lab_to_srgb8(labs)
    boxes = []
    for index in range(count):
        row, column = divmod(index, columns)
        x0 = pad_left + column * (width + gap_x)
        y0 = pad_top + row * (height + gap_y)
        boxes.append((x0, y0, x0 + width, y0 + height))
    boxes_array = np.array(boxes)
    scale = 3 if features["soft"] else 1
    if not features["soft"]:
        boxes_array = np.rint(boxes_array)
    picture = _paint(features, label, boxes_array, colours, (round(total_w), round(total_h)), scale, rng)
    picture, boxes_array = _spoil(picture, boxes_array, features, rng)
    return Artwork(
        picture, ph_list(count, rng) if "ph" not in features else features["ph"], boxes_array, labs, features
    )


def _paint(
    features: dict[str, Any], label: str, boxes: Any, colours: Any, size: tuple[int, int], scale: int,
    rng: np.random.Generator,
) -> Any:  # fmt: skip
    ph = features.setdefault("ph", ph_list(len(boxes), rng))
    image = Image.new("RGB", (size[0] * scale, size[1] * scale), features["paper"])
    draw = ImageDraw.Draw(image)
    face = font(features["label_size"] * scale, rng, features["fonts"])
    ink = (30, 30, 30)
    for box, colour, value in zip(boxes * scale, colours, ph, strict=True):
        x0, y0, x1, y1 = np.rint(box)
        shape = [x0, y0, x1 - 1, y1 - 1]
        outline = features["outline"] * scale
        radius = features["rounded"] * min(x1 - x0, y1 - y0)
        draw.rounded_rectangle(
            shape, radius, fill=tuple(int(v) for v in colour), outline=ink if outline else None, width=outline
        )
        text, offset = _text(value), features["label_size"] * 0.35 * scale
        middle_x, middle_y = (x0 + x1) / 2, (y0 + y1) / 2
        if label == "below":
            draw.text((middle_x, y1 + offset), text, ink, face, anchor="mt")
        elif label == "above":
            draw.text((middle_x, y0 - offset), text, ink, face, anchor="mb")
        elif label == "right":
            draw.text((x1 + offset, middle_y), text, ink, face, anchor="lm")
        elif label == "left":
            draw.text((x0 - offset, middle_y), text, ink, face, anchor="rm")
        elif label == "inside":
            dark = float(colour @ [0.3, 0.59, 0.11]) < 110
            draw.text((middle_x, middle_y), text, (255, 255, 255) if dark else ink, face, anchor="mm")
    width, height = image.size
    third = features["label_size"] * scale
    if features["title"]:
        draw.text(
            (width / 2, third), features["title"], ink, font(1.3 * third, rng, features["fonts"]), anchor="mt"
        )
    if features["foot"]:
        draw.text(
            (third, height - third),
            features["foot"],
            ink,
            font(0.8 * third, rng, features["fonts"]),
            anchor="lb",
        )
    if features["frame"]:
        inset = 0.25 * features["margin"] * scale
        draw.rectangle(
            [inset, inset, width - inset, height - inset], outline=ink, width=features["frame"] * scale
        )
    array = np.asarray(image)
    return cv2.resize(array, size, interpolation=cv2.INTER_AREA) if scale > 1 else array


def _spoil(picture: Any, boxes: Any, features: dict[str, Any], rng: np.random.Generator) -> tuple[Any, Any]:
    if features["surround"] is not None:
        edge = [int(v) for v in rng.uniform(0.05, 0.3, 4) * features["margin"] * 2]
        picture = cv2.copyMakeBorder(picture, *edge, cv2.BORDER_CONSTANT, value=features["surround"])
        boxes = boxes + np.array([edge[2], edge[0], edge[2], edge[0]])
    height, width = picture.shape[:2]
    if features["skew"]:
        turn = cv2.getRotationMatrix2D((width / 2, height / 2), features["skew"], 1.0)
        fill = features["surround"] or features["paper"]
        picture = cv2.warpAffine(picture, turn, (width, height), flags=cv2.INTER_AREA, borderValue=fill)
    values = picture.astype(np.float64)
    if features["shade"]:
        slope = features["shade"] * rng.normal(size=2)
        y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
        values *= (1 + slope[0] * x + slope[1] * y)[..., None]
    if features["blur"]:
        values = cv2.GaussianBlur(values, (0, 0), features["blur"])
    if features["noise"]:
        values = values + rng.normal(0, features["noise"], values.shape)
    picture = np.clip(np.rint(values), 0, 255).astype(np.uint8)
    if features["jpeg"]:
        memory = io.BytesIO()
        Image.fromarray(picture).save(memory, "JPEG", quality=features["jpeg"])
        picture = np.asarray(Image.open(memory).convert("RGB"))
    return picture, boxes
