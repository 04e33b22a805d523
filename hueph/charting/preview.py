"""A picture that shows where the patches of a chart were found."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np

from hueph._types import PathLike, UInt8Array
from hueph.charting.calibrate import Calibration
from hueph.charting.files import write_bytes
from hueph.charting.find import FoundChart
from hueph.charting.picture import ChartPicture
from hueph.colour.srgb import linear_rgb_to_srgb
from hueph.errors import ChartError

__all__ = ["draw_preview", "save_preview"]

_SIDE = 1400  # pixels of the longer side
_RIM = ((-2, 0), (2, 0), (0, -2), (0, 2), (-1, -1), (1, -1), (-1, 1), (1, 1))  # pixels around a number
_ENDINGS = {".png": "PNG", ".jpg": "JPEG", ".jpeg": "JPEG", ".webp": "WEBP"}


def draw_preview(made: Calibration) -> UInt8Array:
    """Draw outlines and pH over each picture, one below the other.

    Parameters
    ----------
    made : Calibration

    Returns
    -------
    array, shape (h, w, 3), uint8, sRGB
    """
    ph = made.chart.ph[::-1] if made.is_reversed else made.chart.ph
    sheets = [
        _draw(p, f, [f"{value:g}" for value in ph]) for p, f in zip(made.pictures, made.found, strict=True)
    ]
    width = max(sheet.shape[1] for sheet in sheets)
    padded = [
        cv2.copyMakeBorder(sheet, 0, 8, 0, width - sheet.shape[1], cv2.BORDER_CONSTANT, value=(128, 128, 128))
        for sheet in sheets
    ]
    return np.concatenate(padded, axis=0)[:-8]


def _draw(picture: ChartPicture, found: FoundChart, labels: list[str]) -> UInt8Array:
    """One picture, cut to the surroundings of the chart when the chart is small in it."""
    height, width = picture.linear.shape[:2]
    quads = found.picture_quads()
    low, high = quads.min(axis=(0, 1)), quads.max(axis=(0, 1))
    reach = max(float(np.max(high - low)) * 0.35, 40.0)
    x0, y0 = np.maximum(np.floor(low - reach), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(high + reach), [width, height]).astype(int)
    encoded = linear_rgb_to_srgb(np.clip(picture.linear[y0:y1, x0:x1], 0, 1))
    sheet = np.rint(encoded * 255).astype(np.uint8)
    scale = _SIDE / max(sheet.shape[:2])
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    sheet = np.ascontiguousarray(cv2.resize(sheet, None, fx=scale, fy=scale, interpolation=method))
    thick = 2
    for number, (quad, label) in enumerate(zip((quads - [x0, y0]) * scale, labels, strict=True)):
        points = np.rint(quad - 0.5).astype(np.int32)
        for colour, extra in (((255, 255, 255), 2), ((0, 0, 0), 0)):  # legible on any colour
            cv2.polylines(sheet, [points], True, colour, thick + extra, cv2.LINE_AA)
        text = label if found.seen[number] else f"{label}?"
        size = float(np.clip(0.011 * np.ptp(quad[:, 0]), 0.4, 1.0))
        (wide, tall), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 2)
        at = np.rint(quad.mean(axis=0) + np.array([-wide / 2, tall / 2])).astype(int)
        # A rim of copies: how thick strokes are drawn differs between releases of OpenCV.
        for colour, offsets in (((255, 255, 255), _RIM), ((0, 0, 0), ((0, 0),))):
            for dx, dy in offsets:
                place = (int(at[0]) + dx, int(at[1]) + dy)
                cv2.putText(sheet, text, place, cv2.FONT_HERSHEY_SIMPLEX, size, colour, 2, cv2.LINE_AA)
    return sheet


def save_preview(made: Calibration, path: PathLike, *, force: bool = False) -> None:
    """Write the preview as PNG, JPEG or WebP, by the ending of the name.

    Raises
    ------
    ChartError
        Unknown ending, the file exists and `force` is not given, or writing fails.
    """
    from PIL import Image

    kind = _ENDINGS.get(Path(path).suffix.lower())
    if kind is None:
        raise ChartError(
            f"a preview is written as {', '.join(_ENDINGS)}, got {Path(path).name}; change the ending"
        )
    memory = io.BytesIO()
    Image.fromarray(draw_preview(made)).save(memory, kind)
    write_bytes(path, memory.getvalue(), force=force)
