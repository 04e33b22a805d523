"""The pictures of a record: the annotated photograph, the strip, each tube; small JPEGs without metadata."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from hueph._types import UInt8Array
from hueph.archive.records import Content

if TYPE_CHECKING:
    from hueph.photo import Photo
    from hueph.results import PhotoReadings

__all__ = ["cut_to_pages", "embedded", "pictures_of"]

# Of the annotated picture, of a tube and of the strip: enough to judge by eye, small enough to keep.
_OVERLAY_WIDTH, _TUBE_HEIGHT, _STRIP_WIDTH = 800, 220, 700
_QUALITY = 78
# A picture higher than this share of its width does not fit a page (A4 has 1.4, less its margins and a heading).
_PAGE_SHARE = 1.25
# A row of pixels whose channels differ by no more than this is of one colour; darker than this it is a line.
_PLAIN_SPAN, _RULED_BELOW = 12, 245.0
# Around a tube and the strip, as a share of their longer side.
_MARGIN = 0.12


def pictures_of(photo: Photo, readings: PhotoReadings) -> list[tuple[Content, bytes]]:
    """Return the annotated picture, one of the strip and one of each tube, with their bytes."""
    from hueph.overlay import draw_overlay

    made = [_jpeg(draw_overlay(photo, readings, most_wide=_OVERLAY_WIDTH), "overlay")]
    if readings.patches:
        points = [point for patch in readings.patches for point in patch.corners]
        made.append(_jpeg(_at_most(_crop(photo, points), _STRIP_WIDTH, axis=1), "strip"))
    for reading in readings.tubes:
        tube = _at_most(_crop(photo, reading.liquid), _TUBE_HEIGHT, axis=0)
        made.append(_jpeg(tube, "tube", number=reading.tube))
    return made


def _crop(photo: Photo, points: Sequence[tuple[float, float]]) -> UInt8Array:
    """Return the part of the picture around points (full-picture pixels), 8 bit sRGB."""
    where = photo.to_working(points)
    height, width = photo.encoded.shape[:2]
    low, high = where.min(axis=0), where.max(axis=0)
    margin = _MARGIN * float((high - low).max()) + 2.0
    left, top = (int(max(value, 0)) for value in np.floor(low - margin))
    right, bottom = np.ceil(high + margin).astype(int)
    rows = slice(min(top, height - 1), int(np.clip(bottom, top + 1, height)))
    cols = slice(min(left, width - 1), int(np.clip(right, left + 1, width)))
    if photo.profile == "sRGB" and photo.encoded.dtype == np.uint8:
        return np.ascontiguousarray(photo.encoded[rows, cols])
    from hueph.colour.srgb import linear_rgb_to_srgb

    linear = photo.linear(rows, cols).astype(np.float64) @ np.asarray(photo.to_linear_srgb).T
    return np.asarray(np.rint(255.0 * linear_rgb_to_srgb(np.clip(linear, 0.0, 1.0))), dtype=np.uint8)


def _at_most(picture: UInt8Array, length: int, *, axis: int) -> UInt8Array:
    """Reduce a picture so that one side has at most `length` pixels."""
    import cv2

    from hueph._pixels import halved

    if picture.shape[axis] <= length:
        return picture
    while picture.shape[axis] >= 2 * length:
        picture = halved(picture)  # what is left is less than a factor of two
    factor = length / picture.shape[axis]
    size = (max(1, round(picture.shape[1] * factor)), max(1, round(picture.shape[0] * factor)))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_LINEAR), dtype=np.uint8)


def _jpeg(picture: UInt8Array, role: str, *, number: int | None = None) -> tuple[Content, bytes]:
    """Return a picture as JPEG without any metadata."""
    import simplejpeg

    data: bytes = simplejpeg.encode_jpeg(
        np.ascontiguousarray(picture), quality=_QUALITY, colorspace="RGB", colorsubsampling="420"
    )
    name = f"{role}{'' if number is None else f'-{number}'}.jpg"
    return embedded(data, role, name, "image/jpeg", tube=number), data


def embedded(data: bytes, role: str, name: str, media_type: str, *, tube: int | None = None) -> Content:
    """Describe a picture that is stored together with its record."""
    return Content(role, hashlib.sha256(data).hexdigest(), len(data), name, media_type, tube)


def cut_to_pages(data: bytes) -> tuple[bytes, ...]:
    """Cut a picture that is higher than a page, where a whole row is of one colour.

    Parameters
    ----------
    data : bytes
        JPEG or PNG, or nothing.

    Returns
    -------
    tuple of bytes
        The picture as it is when it fits; none when there is none; otherwise PNG.
    """
    import io

    from PIL import Image

    if not data:
        return ()
    with Image.open(io.BytesIO(data)) as opened:
        highest = int(_PAGE_SHARE * opened.width)
        if opened.height <= highest:
            return (data,)
        pixels = np.asarray(opened.convert("RGB"))
    # Ruled lines first, then white space; JPEG blurs both a little.
    spans = (pixels.max(axis=1).astype(int) - pixels.min(axis=1)).max(axis=1)
    is_plain = spans <= _PLAIN_SPAN
    is_ruled = is_plain & (pixels.mean(axis=(1, 2)) < _RULED_BELOW)
    cuts = [0]
    while len(pixels) - cuts[-1] > highest:
        window = slice(cuts[-1] + highest // 4, cuts[-1] + highest + 1)
        found = next(
            (
                rows
                for rows in (np.flatnonzero(is_ruled[window]), np.flatnonzero(is_plain[window]))
                if rows.size
            ),
            None,
        )
        cuts.append(window.stop - 1 if found is None else window.start + int(found[-1]))
    parts = []
    for top, bottom in zip(cuts, [*cuts[1:], len(pixels)], strict=True):
        stream = io.BytesIO()
        Image.fromarray(pixels[top:bottom]).save(stream, "PNG")
        parts.append(stream.getvalue())
    return tuple(parts)
