"""Write a drawn picture whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from hueph._types import UInt8Array
from hueph.errors import InputError

__all__ = ["save_drawing"]


def save_drawing(pixels: UInt8Array, target: Path, *, kind: str, quality: int) -> None:
    """Write pixels under a scratch name beside the target and give them the target's name when complete.

    Parameters
    ----------
    pixels : array, shape (h, w, 3), uint8
        sRGB.
    target : Path
        Its ending says the format; an older file of that name is replaced.
    kind : str
        What it is, for the sentence of an error and the scratch name.
    quality : int
        Of a JPEG.

    Raises
    ------
    InputError
        The file cannot be written, or its ending names no picture format.
    """
    from PIL import Image

    scratch = ""
    try:
        handle, scratch = tempfile.mkstemp(dir=target.parent, prefix=f".{kind}-", suffix=target.suffix)
        os.close(handle)
        # 4:4:4 keeps thin lines and coloured liquid sharp; Pillow ignores both settings for PNG.
        Image.fromarray(pixels).save(scratch, quality=quality, subsampling=0)
        os.chmod(scratch, 0o644)
        os.replace(scratch, target)
    except (OSError, ValueError) as error:
        if scratch:
            Path(scratch).unlink(missing_ok=True)
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"cannot write the {kind} {target}: {reason}") from error
