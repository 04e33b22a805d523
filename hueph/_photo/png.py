"""PNG: check every chunk, take the colour facts, decode 8 and 16 bit."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

import numpy as np

from hueph._photo.decoded import Decoded, area_reduced, reduction
from hueph._photo.guards import animated, check_size
from hueph._photo.profile import SRGB, Curve, RgbSpace, rgb_space, space_of_code_points
from hueph._photo.raster import pillow_pixels, quiet_cv2_decode
from hueph._photo.refusal import damaged, high_dynamic_range
from hueph._types import AnyArray, FloatArray
from hueph.colour.adaptation import bradford_matrix
from hueph.colour.srgb import D65, SRGB_TO_XYZ, primaries_to_xyz_matrix, white_from_xy
from hueph.errors import InputError

__all__ = ["decode_png"]

# A press profile has half a megabyte; more is an attempt to fill the memory.
_MAX_PROFILE_BYTES = 8_000_000
_CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
# PNG third edition, section 11.3.2.2: gAMA is 100000 / exponent; sRGB is written as 45455.
_SRGB_GAMA = 45455
_SRGB_GAMA_TOLERANCE = 500
# In XYZ, white Y = 1: chromaticities rounded to three digits agree to this.
_SAME_PRIMARIES = 0.004


def decode_png(data: bytes, name: str, max_side: int) -> Decoded:
    """Decode a PNG at a working size.

    Raises
    ------
    PhotoError
        Damaged, cut short, animated, too large, or HDR.
    """
    chunks: dict[bytes, bytes] = {}
    picture_parts: list[bytes] = []
    for kind, body in _chunks(data, name):
        if kind == b"IDAT":
            picture_parts.append(body)
        else:
            chunks.setdefault(kind, body)
    if len(chunks.get(b"IHDR", b"")) != 13 or not picture_parts:
        raise damaged(name, "the PNG holds no picture")
    width, height, depth, colour_type = struct.unpack_from(">IIBB", chunks[b"IHDR"])
    check_size(width, height, name)
    if len(chunks.get(b"acTL", b"")) >= 8 and int.from_bytes(chunks[b"acTL"][:4], "big") > 1:
        raise animated(name, "this file is an animated PNG")
    if depth == 16:
        expected = height * (1 + 2 * width * _CHANNELS.get(colour_type, 1))
        pixels = _decode_16_bit(data, name, b"".join(picture_parts), expected, chunks)
    else:
        pixels = pillow_pixels(data, name, "PNG")
    factor = reduction(width, height, max_side)
    return Decoded(
        pixels=area_reduced(pixels, factor),
        width=width,
        height=height,
        factor=factor,
        icc=_profile(chunks.get(b"iCCP", b"")),
        exif=chunks.get(b"eXIf", b""),
        space=_named_space(chunks, name),
    )


def _chunks(data: bytes, name: str) -> Iterator[tuple[bytes, bytes]]:
    """Yield type and body of each chunk after checking its length and checksum."""
    position = 8
    while position + 12 <= len(data):
        length = int.from_bytes(data[position : position + 4], "big")
        kind = data[position + 4 : position + 8]
        end = position + 12 + length
        if end > len(data):
            break
        checksum = int.from_bytes(data[end - 4 : end], "big")
        if zlib.crc32(memoryview(data)[position + 4 : end - 4]) != checksum:
            raise damaged(name, "a checksum of the PNG does not match its data")
        yield kind, data[position + 8 : end - 4]
        if kind == b"IEND":
            return
        position = end
    raise damaged(name, "the PNG ends before its end mark")


def _decode_16_bit(
    data: bytes, name: str, packed: bytes, expected: int, chunks: dict[bytes, bytes]
) -> AnyArray:
    """Return the pixels of a 16 bit PNG; its length is checked first, as the decoder complains aloud."""
    interlaced = chunks[b"IHDR"][12] != 0
    unpacker = zlib.decompressobj()
    try:
        size = len(unpacker.decompress(packed, expected + 1))
    except zlib.error as error:
        raise damaged(name, "the picture data of the PNG cannot be unpacked") from error
    if size < expected or (size > expected and not interlaced):
        raise damaged(name, "the picture data of the PNG have the wrong length")
    return quiet_cv2_decode(data, name, "PNG")


def _profile(body: bytes) -> bytes:
    """Return the ICC profile of an iCCP chunk; a non-profile when it cannot be unpacked."""
    if not body:
        return b""
    _, _, packed = body.partition(b"\0")
    try:
        return zlib.decompressobj().decompress(packed[1:], _MAX_PROFILE_BYTES) or b"unreadable"
    except zlib.error:
        return b"unreadable"


def _named_space(chunks: dict[bytes, bytes], name: str) -> RgbSpace | None:
    """Return the space that cICP, sRGB or gAMA and cHRM chunks state, None when none does."""
    code_points = chunks.get(b"cICP", b"")
    if len(code_points) == 4:
        space = space_of_code_points(code_points[0], code_points[1])
        if space is None:
            raise high_dynamic_range(name)
        return space
    if b"sRGB" in chunks:
        return SRGB
    gama = int.from_bytes(chunks.get(b"gAMA", b""), "big")
    if not 1000 <= gama <= 1_000_000:
        return None
    is_srgb_curve = abs(gama - _SRGB_GAMA) <= _SRGB_GAMA_TOLERANCE
    to_xyz = _chromaticities(chunks.get(b"cHRM", b""))
    if is_srgb_curve and np.abs(to_xyz - SRGB_TO_XYZ).max() < _SAME_PRIMARIES:
        return SRGB
    curve = Curve("srgb") if is_srgb_curve else Curve("power", np.array([100000.0 / gama]))
    return rgb_space("PNG gamma", curve, to_xyz)


def _chromaticities(body: bytes) -> FloatArray:
    """Return linear RGB to XYZ (D65) of a cHRM chunk; sRGB's when it is absent or makes no sense."""
    if len(body) != 32:
        return SRGB_TO_XYZ
    white, *primaries = np.array(struct.unpack(">8I", body), dtype=np.float64).reshape(4, 2) / 100000.0
    try:
        source = white_from_xy(float(white[0]), float(white[1]))
        return bradford_matrix(source, D65) @ primaries_to_xyz_matrix(np.array(primaries), source)
    except InputError:
        return SRGB_TO_XYZ
