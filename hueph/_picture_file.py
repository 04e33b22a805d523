"""Write a drawn picture whole or not at all."""

from __future__ import annotations

from pathlib import Path

from hueph._system import system_sentence
from hueph._types import UInt8Array
from hueph._whole_file import written_whole
from hueph.errors import InputError

__all__ = ["save_drawing"]


def save_drawing(pixels: UInt8Array, target: Path, *, kind: str, quality: int) -> None:
    """Write pixels as a picture.

    Parameters
    ----------
    pixels : array, shape (h, w, 3), uint8
        sRGB.
    target : Path
        Its ending says the format; an older file of that name is replaced.
    kind : str
        What it is, for the sentence of an error.
    quality : int
        Of a JPEG.

    Raises
    ------
    InputError
        The file cannot be written, or its ending names no picture format.
    """
    from PIL import Image

    try:
        with written_whole(target) as part:
            # 4:4:4 keeps thin lines and coloured liquid sharp; Pillow ignores both settings for PNG.
            Image.fromarray(pixels).save(part, quality=quality, subsampling=0)
    except ValueError as error:  # Pillow's, for an ending that it does not know
        raise InputError(
            f"cannot write the {kind} {target}: its ending must name a picture format, such as .jpg or .png"
        ) from error
    except OSError as error:
        raise InputError(f"cannot write the {kind} {target}: {system_sentence(error)}") from error
