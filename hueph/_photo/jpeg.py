"""JPEG: read the headers, then let libjpeg-turbo decode at 1/1, 1/2, 1/4 or 1/8."""

from __future__ import annotations

import re
from dataclasses import dataclass

import simplejpeg

from hueph._photo.decoded import Decoded, area_reduced, reduction
from hueph._photo.guards import check_size
from hueph._photo.refusal import SEND_ORIGINAL, damaged, refused
from hueph._types import AnyArray

__all__ = ["decode_jpeg"]

# Start-of-frame markers: all but DHT (C4), JPG (C8) and DAC (CC). Lossless kinds cannot be decoded.
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_LOSSLESS = frozenset({0xC3, 0xC5, 0xC6, 0xC7, 0xCB, 0xCD, 0xCE, 0xCF})
_START_OF_SCAN, _END_OF_IMAGE = 0xDA, 0xD9
_ICC_PREFIX = b"ICC_PROFILE\0"
_MAX_DCT_FACTOR = 8
# Warnings of libjpeg about headers; all its others mean wrong or missing pixels.
_HARMLESS = (
    "Unknown Adobe color transform code",
    "Warning: unknown JFIF revision number",
    "Invalid SOS parameters for sequential JPEG",
    "Corrupt JPEG data: bad ICC marker",
)


@dataclass(slots=True)
class _Headers:
    """What stands before the first scan."""

    frame: int = 0
    precision: int = 0
    width: int = 0
    height: int = 0
    channels: int = 0
    exif: bytes = b""
    icc: bytes = b""
    has_adobe_marker: bool = False


def decode_jpeg(data: bytes, name: str, max_side: int) -> Decoded:
    """Decode a JPEG at a working size; CMYK stays CMYK.

    Raises
    ------
    PhotoError
        Damaged, cut short, too large, or of a kind that cannot be decoded.
    """
    headers = _read_headers(data, name)
    check_size(headers.width, headers.height, name)
    wanted = reduction(headers.width, headers.height, max_side)
    dct_factor = min(wanted, _MAX_DCT_FACTOR)
    pixels = _decode(data, name, headers, dct_factor)
    # The last row and column of a reduced decode may stand for fewer stored pixels; leave them out.
    pixels = pixels[: headers.height // dct_factor, : headers.width // dct_factor]
    if headers.channels == 4 and headers.has_adobe_marker:
        pixels = 255 - pixels  # Adobe files store 255 for no ink
    return Decoded(
        pixels=area_reduced(pixels, wanted // dct_factor),
        width=headers.width,
        height=headers.height,
        factor=wanted,
        is_cmyk=headers.channels == 4,
        icc=headers.icc,
        exif=headers.exif,
    )


def _read_headers(data: bytes, name: str) -> _Headers:
    """Walk the marker segments up to the first scan (ITU-T T.81, annex B)."""
    headers = _Headers()
    icc_parts: dict[int, bytes] = {}
    position = 2
    while True:
        start = data.find(b"\xff", position)
        if start < 0 or start + 4 > len(data):
            raise damaged(name, "the file ends before the picture begins")
        marker = data[start + 1]
        if marker in (0x00, 0x01, 0xFF) or 0xD0 <= marker <= 0xD8:
            position = start + (1 if marker == 0xFF else 2)
            continue
        if marker == _END_OF_IMAGE:
            raise damaged(name, "the file ends before the picture begins")
        length = int.from_bytes(data[start + 2 : start + 4], "big")
        body = data[start + 4 : start + 2 + length]
        if marker == _START_OF_SCAN:
            break
        if marker in _FRAMES and not headers.frame and len(body) >= 6:
            headers.frame, headers.precision, headers.channels = marker, body[0], body[5]
            headers.height, headers.width = int.from_bytes(body[1:3], "big"), int.from_bytes(body[3:5], "big")
        elif marker == 0xE1 and body[:6] == b"Exif\0\0" and not headers.exif:
            headers.exif = body
        elif marker == 0xE2 and body.startswith(_ICC_PREFIX) and len(body) > 14:
            icc_parts.setdefault(body[12], body[14:])
        elif marker == 0xEE and body[:5] == b"Adobe":
            headers.has_adobe_marker = True
        position = start + 2 + max(length, 2)
    headers.icc = b"".join(icc_parts[number] for number in sorted(icc_parts))
    _check_kind(headers, name)
    return headers


def _check_kind(headers: _Headers, name: str) -> None:
    """Refuse kinds of JPEG that the decoder does not know."""
    if not headers.frame:
        raise damaged(name, "no picture header was found before the picture data")
    if headers.frame in _LOSSLESS or headers.precision != 8:
        kind = "a lossless or hierarchical one" if headers.frame in _LOSSLESS else f"{headers.precision} bit"
        rule = "a JPEG must be an ordinary one of 8 bit"
        raise refused(name, rule, f"found {kind}", "save it as PNG or TIFF")
    if headers.channels not in (1, 3, 4):
        rule = "a JPEG must hold 1, 3 or 4 colour channels"
        raise refused(name, rule, f"found {headers.channels}", SEND_ORIGINAL)


def _decode(data: bytes, name: str, headers: _Headers, factor: int) -> AnyArray:
    """Return the pixels at 1/factor; every complaint of the decoder about the data is an error."""
    space = {1: "GRAY", 3: "RGB", 4: "CMYK"}[headers.channels]
    height, width = -(-headers.height // factor), -(-headers.width // factor)
    strict = True
    while True:
        try:
            pixels: AnyArray = simplejpeg.decode_jpeg(
                data, colorspace=space, min_height=height, min_width=width, min_factor=1, strict=strict
            )
        except (ValueError, MemoryError) as error:
            repaired = _without_padding(data, str(error))
            if repaired is not None:
                data = repaired
            elif strict and str(error).startswith(_HARMLESS):
                strict = False
            else:
                raise damaged(name, f"the JPEG decoder reports: {_plain(str(error))}") from error
        else:
            break
    if pixels.shape[:2] != (height, width):
        raise damaged(name, f"the decoded picture has {pixels.shape[1]} x {pixels.shape[0]} pixels")
    return pixels


def _without_padding(data: bytes, message: str) -> bytes | None:
    """Return the data without harmless fill bytes before the end marker, None when that is not the case.

    Some cameras pad the picture data with one repeated byte; the decoder reports them as extraneous.
    """
    match = re.search(r"(\d+) extraneous bytes before marker 0xd9", message)
    end = data.rfind(b"\xff\xd9")
    if match is None or end < 0:
        return None
    count = int(match[1])
    padding = data[end - count : end]
    if count == 0 or len(padding) != count or len(set(padding)) != 1:
        return None
    return data[: end - count] + data[end:]


def _plain(message: str) -> str:
    """Return a decoder message as part of a sentence."""
    return message.strip().rstrip(".") or "no reason given"
