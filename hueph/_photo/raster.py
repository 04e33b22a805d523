"""The general decoders, kept quiet: their own complaints would stand beside our one sentence."""

from __future__ import annotations

import io
import struct
import threading
import warnings
from typing import Any

import numpy as np

from hueph._photo.refusal import damaged, refused
from hueph._types import AnyArray

__all__ = ["pillow_pixels", "quiet_cv2_decode"]

# The log level of cv2 belongs to the whole process.
_LOG_LEVEL = threading.Lock()


def quiet_cv2_decode(data: bytes, name: str, kind: str) -> AnyArray:
    """Return code values (h, w, channels) in R, G, B order as stored, 8 or 16 bit.

    Raises
    ------
    PhotoError
        The decoder refuses the data.
    """
    import cv2

    with _LOG_LEVEL:
        level = cv2.utils.logging.getLogLevel()
        cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
        try:
            pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
        except cv2.error as error:
            raise damaged(name, f"the {kind} decoder cannot read them") from error
        finally:
            cv2.utils.logging.setLogLevel(level)
    if pixels is None:
        raise damaged(name, f"the {kind} decoder cannot read them")
    if pixels.dtype not in (np.uint8, np.uint16):
        found = f"found numbers of the kind {pixels.dtype}"
        raise refused(name, f"a {kind} must hold 8 or 16 bit whole numbers", found, "save it with 16 bit")
    if pixels.ndim == 2:
        return pixels[..., np.newaxis]
    order = {3: [2, 1, 0], 4: [2, 1, 0, 3]}.get(pixels.shape[2])
    if order is None:
        found = f"found {pixels.shape[2]} channels"
        raise refused(name, f"a {kind} must hold 1, 3 or 4 colour channels", found, "save it as RGB")
    swapped: AnyArray = cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB if len(order) == 3 else cv2.COLOR_BGRA2RGBA)
    return swapped


def pillow_pixels(data: bytes, name: str, kind: str) -> AnyArray:
    """Return 8 bit code values (h, w, channels) as stored: grey, grey and alpha, RGB, RGBA or CMYK.

    Raises
    ------
    PhotoError
        The decoder refuses the data, or the colour model is another one.
    """
    from PIL import Image, PngImagePlugin, TiffImagePlugin, WebPImagePlugin

    openers: dict[str, Any] = {
        "PNG": PngImagePlugin.PngImageFile,
        "TIFF": TiffImagePlugin.TiffImageFile,
        "WebP": WebPImagePlugin.WebPImageFile,
    }
    try:
        with warnings.catch_warnings():
            # Oddities in side information; the pixels are checked by decoding them.
            warnings.simplefilter("ignore")
            picture: Image.Image = openers[kind](io.BytesIO(data))
            picture.load()
            mode = _array_mode(picture)
            if mode is not None and mode != picture.mode:
                picture = picture.convert(mode)
    except _PILLOW_COMPLAINTS as error:
        raise damaged(name, f"the {kind} decoder reports: {str(error).strip() or 'no reason'}") from error
    if mode is None:
        rule = f"a {kind} must be grey, RGB or CMYK with 8 or 16 bit"
        raise refused(name, rule, f"found the colour model {picture.mode}", "save it as RGB")
    pixels: AnyArray = np.asarray(picture)
    return pixels if pixels.ndim == 3 else pixels[..., np.newaxis]


# What Pillow is known to raise on damaged files, beside OSError.
_PILLOW_COMPLAINTS = (
    OSError,
    SyntaxError,
    ValueError,
    TypeError,
    KeyError,
    IndexError,
    AttributeError,
    OverflowError,
    ZeroDivisionError,
    MemoryError,
    RuntimeError,
    EOFError,
    struct.error,
)


def _array_mode(picture: object) -> str | None:
    """Return the Pillow mode whose array is wanted for a picture, None when there is none."""
    mode = str(getattr(picture, "mode", ""))
    has_key = "transparency" in getattr(picture, "info", {})
    if mode == "P":
        return "RGBA" if has_key else "RGB"
    if mode in ("1", "L"):
        return "LA" if has_key else "L"
    return {"RGB": "RGBA" if has_key else "RGB", "RGBX": "RGB", "YCbCr": "RGB", "PA": "RGBA"}.get(
        mode, mode if mode in ("LA", "RGBA", "CMYK") else None
    )
