"""WebP: check the container, then decode."""

from __future__ import annotations

from hueph._photo.decoded import Decoded, area_reduced, reduction
from hueph._photo.guards import animated, check_size
from hueph._photo.raster import pillow_pixels
from hueph._photo.refusal import damaged

__all__ = ["decode_webp"]


def decode_webp(data: bytes, name: str, max_side: int) -> Decoded:
    """Decode a WebP at a working size.

    Raises
    ------
    PhotoError
        Damaged, cut short, animated or too large.
    """
    end = 8 + int.from_bytes(data[4:8], "little")
    if end > len(data):
        raise damaged(name, f"the WebP says it has {end} bytes and has {len(data)}")
    chunks: dict[bytes, bytes] = {}
    position = 12
    while position + 8 <= end:
        length = int.from_bytes(data[position + 4 : position + 8], "little")
        chunks.setdefault(data[position : position + 4], data[position + 8 : position + 8 + length])
        position += 8 + length + length % 2
    if b"ANIM" in chunks or b"ANMF" in chunks:
        raise animated(name, "this file is an animated WebP")
    width, height = _size(chunks, name)
    check_size(width, height, name)
    pixels = pillow_pixels(data, name, "WebP")
    height, width = pixels.shape[:2]
    factor = reduction(width, height, max_side)
    return Decoded(
        pixels=area_reduced(pixels, factor),
        width=width,
        height=height,
        factor=factor,
        icc=chunks.get(b"ICCP", b""),
        exif=chunks.get(b"EXIF", b""),
    )


def _size(chunks: dict[bytes, bytes], name: str) -> tuple[int, int]:
    """Return width and height from the picture's own header (RFC 6386 section 9.1, RFC 9649 section 3.4)."""
    lossy, lossless = chunks.get(b"VP8 ", b""), chunks.get(b"VP8L", b"")
    if len(lossy) >= 10 and lossy[3:6] == b"\x9d\x01\x2a":
        return int.from_bytes(lossy[6:8], "little") & 0x3FFF, int.from_bytes(lossy[8:10], "little") & 0x3FFF
    if len(lossless) >= 5 and lossless[0] == 0x2F:
        bits = int.from_bytes(lossless[1:5], "little")
        return (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    raise damaged(name, "the WebP holds no picture")
