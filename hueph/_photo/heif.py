"""HEIC and HEIF: decoded through libheif, which applies the container's rotation itself."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from hueph._photo.decoded import Decoded, area_reduced, reduction
from hueph._photo.guards import check_size
from hueph._photo.profile import space_of_code_points
from hueph._photo.refusal import damaged, high_dynamic_range
from hueph._types import AnyArray
from hueph.errors import PhotoError

__all__ = ["decode_heif"]

_COMPLAINTS = (
    ValueError,
    EOFError,
    SyntaxError,
    RuntimeError,
    OSError,
    KeyError,
    IndexError,
    MemoryError,
    AttributeError,
    TypeError,
)


def decode_heif(data: bytes, name: str, max_side: int) -> Decoded:
    """Decode the main picture of a HEIC file at a working size.

    The EXIF orientation of a HEIC file repeats the container's rotation and must not be applied again
    (ISO/IEC 23008-12, section A.3: the transformative properties alone count).

    Raises
    ------
    PhotoError
        Damaged, cut short, too large, or HDR.
    """
    import pillow_heif

    try:
        # 10 and 12 bit pictures are kept at 16 bit.
        container = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
        picture = container[container.primary_index]
        width, height = picture.size
    except _COMPLAINTS as error:
        raise _damaged(name, error) from error
    check_size(width, height, name)
    try:
        # Asking for the array decodes it.
        pixels: AnyArray = np.asarray(picture)
    except _COMPLAINTS as error:
        raise _damaged(name, error) from error
    if pixels.ndim == 2:
        pixels = pixels[..., np.newaxis]
    height, width = pixels.shape[:2]
    factor = reduction(width, height, max_side)
    pixels = area_reduced(pixels, factor)
    facts: dict[str, Any] = dict(picture.info)
    code_points = facts.get("nclx_profile") or {}
    icc = facts.get("icc_profile") or b""
    space = space_of_code_points(
        int(code_points.get("color_primaries", 2)), int(code_points.get("transfer_characteristics", 2))
    )
    if space is None and not icc:
        raise high_dynamic_range(name)
    return Decoded(
        pixels=_full_range(pixels, int(facts.get("bit_depth", 8))),
        width=width,
        height=height,
        factor=factor,
        icc=icc,
        exif=facts.get("exif") or b"",
        is_upright=True,
        space=space if code_points else None,
    )


def _full_range(pixels: AnyArray, bits: int) -> AnyArray:
    """Return 16 bit codes whose largest is 65535; the decoder shifts 10 or 12 bits up and leaves zeros."""
    if pixels.dtype != np.uint16 or not 8 < bits < 16:
        return pixels
    largest = ((1 << bits) - 1) << (16 - bits)
    table = np.rint(np.minimum(np.arange(65536.0) / largest, 1.0) * 65535.0).astype(np.uint16)
    stretched: AnyArray = table[pixels]
    return stretched


def _damaged(name: str, error: Exception) -> PhotoError:
    """Return the refusal for a complaint of the decoder."""
    reason = " ".join(str(error).split()).rstrip(".") or "no reason given"
    return damaged(name, f"the HEIC decoder reports: {reason}")
