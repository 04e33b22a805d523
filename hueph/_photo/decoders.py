"""The decoder of each kind of file, imported when one is met."""

from __future__ import annotations

from hueph._photo.decoded import Decoded

__all__ = ["decode"]


def decode(kind: str, data: bytes, name: str, max_side: int) -> Decoded:
    """Decode a file of a known kind at a working size.

    Raises
    ------
    PhotoError
        The file cannot be decoded as one still photograph.
    """
    if kind == "jpeg":
        from hueph._photo.jpeg import decode_jpeg

        return decode_jpeg(data, name, max_side)
    if kind == "png":
        from hueph._photo.png import decode_png

        return decode_png(data, name, max_side)
    if kind == "tiff":
        from hueph._photo.tiff import decode_tiff

        return decode_tiff(data, name, max_side)
    if kind == "webp":
        from hueph._photo.webp import decode_webp

        return decode_webp(data, name, max_side)
    from hueph._photo.heif import decode_heif

    return decode_heif(data, name, max_side)
