"""TIFF: read the directory, see to it that the decoder does not turn the picture, decode."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import NamedTuple

from hueph._photo.decoded import Decoded, area_reduced, reduction
from hueph._photo.exif import Field, TiffReader
from hueph._photo.guards import check_size
from hueph._photo.raster import pillow_pixels, quiet_cv2_decode
from hueph._photo.refusal import damaged, refused

__all__ = ["decode_tiff"]

_WIDTH, _HEIGHT, _BITS, _PHOTOMETRIC, _ORIENTATION, _CHANNELS = 256, 257, 258, 262, 274, 277
_STRIPS, _STRIP_BYTES, _TILES, _TILE_BYTES = 273, 279, 324, 325
_SUBFILE, _SAMPLE_FORMAT, _ICC, _DNG_VERSION = 254, 339, 34675, 50706
_REDUCED_COPY = 1  # bit 0 of NewSubfileType

# TIFF 6.0 PhotometricInterpretation: 0, 1 grey, 2 RGB, 3 palette, 5 CMYK, 6 YCbCr.
_CMYK = 5
_USABLE_MODELS = frozenset({0, 1, 2, 3, _CMYK, 6})
_RAW_MODELS = frozenset({32803, 34892})  # colour filter array, linear raw
_MAX_PAGES = 1000


class _Page(NamedTuple):
    """What the first directory says about the picture."""

    width: int
    height: int
    bits: int
    channels: int
    model: int


def decode_tiff(data: bytes, name: str, max_side: int) -> Decoded:
    """Decode an 8 or 16 bit TIFF at a working size.

    Raises
    ------
    PhotoError
        Damaged, cut short, a raw file, of several pages, too large, or of an unusable colour model.
    """
    reader = TiffReader(data)
    fields, following = reader.directory(reader.first_directory())
    page = _read_page(reader, fields, name)
    _check_whole(reader, fields, name)
    _check_single(reader, following, name)
    upright_data = _without_orientation(reader, fields)
    # Two channels (grey and alpha) and inks are the two things cv2 would silently turn into others.
    if page.model != _CMYK and page.channels != 2:
        pixels = quiet_cv2_decode(upright_data, name, "TIFF")
    else:
        pixels = pillow_pixels(upright_data, name, "TIFF")
    if pixels.shape[:2] != (page.height, page.width):
        raise damaged(name, f"the TIFF says {page.width} x {page.height} pixels and holds another number")
    factor = reduction(page.width, page.height, max_side)
    return Decoded(
        pixels=area_reduced(pixels, factor),
        width=page.width,
        height=page.height,
        factor=factor,
        is_cmyk=page.model == _CMYK,
        icc=reader.raw(fields.get(_ICC)),
        exif=data,
    )


def _read_page(reader: TiffReader, fields: Mapping[int, Field], name: str) -> _Page:
    """Return the picture's description; refuse what cannot be decoded to colours."""

    def number(tag: int, default: int) -> int:
        return (reader.integers(fields.get(tag)) or (default,))[0]

    page = _Page(
        number(_WIDTH, 0), number(_HEIGHT, 0), number(_BITS, 1), number(_CHANNELS, 1), number(_PHOTOMETRIC, 1)
    )
    if not page.width or not page.height:
        raise damaged(name, "the TIFF holds no picture")
    is_raw = _DNG_VERSION in fields or page.model in _RAW_MODELS or number(_SUBFILE, 0) & _REDUCED_COPY
    if is_raw:
        found = "this file is a camera raw file"
        raise refused(name, "a photograph must be developed", found, "export it as TIFF, PNG or JPEG")
    check_size(page.width, page.height, name)
    whole_numbers = set(reader.integers(fields.get(_SAMPLE_FORMAT))) <= {1, 4}
    if page.model not in _USABLE_MODELS or page.bits not in (1, 2, 4, 8, 16) or not whole_numbers:
        kind = "" if whole_numbers else " not whole numbers,"
        found = f"found {page.bits} bit,{kind} colour model {page.model}"
        rule = "a TIFF must be grey, RGB or CMYK with whole numbers of 8 or 16 bit"
        raise refused(name, rule, found, "save it as RGB with 16 bit")
    if page.model == _CMYK and (page.bits != 8 or page.channels != 4):
        found = f"found {page.channels} channels of {page.bits} bit"
        raise refused(name, "a CMYK TIFF must have 4 channels of 8 bit", found, "save it as RGB")
    if page.bits == 16 and page.channels not in (1, 3, 4):
        rule = "a 16 bit TIFF must have 1, 3 or 4 channels"
        raise refused(name, rule, f"found {page.channels}", "save it as RGB without transparency")
    return page


def _check_whole(reader: TiffReader, fields: Mapping[int, Field], name: str) -> None:
    """Refuse a file whose picture data are said to lie beyond its end."""
    for where, size in ((_STRIPS, _STRIP_BYTES), (_TILES, _TILE_BYTES)):
        starts, sizes = reader.integers(fields.get(where)), reader.integers(fields.get(size))
        if any(start + length > len(reader.data) for start, length in zip(starts, sizes, strict=False)):
            raise damaged(name, "the TIFF ends before its picture data do")


def _check_single(reader: TiffReader, following: int, name: str) -> None:
    """Refuse several pages; reduced copies of the first do not count."""
    pages = 0
    while following and pages < _MAX_PAGES:
        fields, following = reader.directory(following)
        if not fields:
            return
        pages += 1
        if not (reader.integers(fields.get(_SUBFILE)) or (0,))[0] & _REDUCED_COPY:
            rule, found = "a photograph must be one still picture", "this TIFF has several pages"
            raise refused(name, rule, found, "save the page to be read alone")


def _without_orientation(reader: TiffReader, fields: Mapping[int, Field]) -> bytes:
    """Return the file with its orientation field set to "as stored".

    Both decoders turn TIFF pictures by themselves, whatever is asked; the picture is turned once, with
    all other kinds, after decoding.
    """
    field = fields.get(_ORIENTATION)
    if field is None or field.kind != 3:
        return reader.data
    patched = bytearray(reader.data)
    struct.pack_into(reader.order + "H", patched, field.offset, 1)
    return bytes(patched)
