"""What every decoder hands on, and the arithmetic of reduced decoding."""

from __future__ import annotations

from dataclasses import dataclass

from hueph._photo.profile import RgbSpace
from hueph._types import AnyArray

__all__ = ["Decoded", "area_reduced", "reduction"]

# A working picture may be this much longer than asked before it is halved; so it ends between 0.75
# and 1.5 times the asked length.
_SLACK = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """Pixels as stored (not yet upright), and what the file says about them.

    `pixels` has shape (h, w, channels): 1 grey, 2 grey and alpha, 3 RGB, 4 RGB and alpha, or 4 CMYK
    (0 = no ink) when `is_cmyk`. `factor` is stored pixels per pixel here; `width`, `height` are
    the stored size.
    """

    pixels: AnyArray
    width: int
    height: int
    factor: int = 1
    is_cmyk: bool = False
    icc: bytes = b""
    exif: bytes = b""
    is_upright: bool = False  # the decoder has already applied the container's rotation
    space: RgbSpace | None = None  # named by the container itself, without an ICC profile


def reduction(width: int, height: int, max_side: int) -> int:
    """Return the power of two by which to reduce so that the longer side is at most 1.5 max_side."""
    factor = 1
    while max(width, height) > _SLACK * max_side * factor:
        factor *= 2
    return factor


def area_reduced(pixels: AnyArray, factor: int) -> AnyArray:
    """Return means of factor x factor blocks of code values; a last partial block is left out."""
    if factor == 1:
        return pixels
    import cv2

    height, width = pixels.shape[0] // factor, pixels.shape[1] // factor
    whole = pixels[: height * factor, : width * factor]
    small: AnyArray = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    # cv2 drops a channel axis of length one.
    return small.reshape(height, width, -1)
