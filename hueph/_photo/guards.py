"""Limits that hold before any pixel is decoded, and what kind of file it is."""

from __future__ import annotations

import glob
import os
import stat
from pathlib import Path

from hueph._photo.refusal import READABLE, SEND_ORIGINAL, refused
from hueph._types import PathLike
from hueph.errors import PhotoError

__all__ = ["MAX_BYTES", "MAX_MEGAPIXELS", "MIN_SIDE", "check_size", "file_kind", "read_bytes"]

# The largest phone pictures have 200 megapixels (16320 x 12240); beyond that a small file that claims
# a huge picture is likelier than a photograph.
MAX_MEGAPIXELS = 200
MAX_BYTES = 1_500_000_000
# Nothing can be measured on less.
MIN_SIDE = 16

_HEIF_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"mif1", b"mif2"})
_SEQUENCE_BRANDS = frozenset({b"hevc", b"hevx", b"hevm", b"hevs", b"msf1", b"avis"})


def read_bytes(path: PathLike, name: str) -> bytes:
    """Return the bytes of a file that is worth looking at.

    Raises
    ------
    PhotoError
        Not there, a folder, not a plain file, not permitted, empty, or far too large.
    """
    single = "a photograph must be a single file"
    try:
        status = os.stat(path)
        if stat.S_ISDIR(status.st_mode):
            raise refused(name, single, "this is a folder", "name the pictures in it")
        if not stat.S_ISREG(status.st_mode):
            raise refused(name, single, "this is a device or a pipe", "save the picture to a file first")
        if status.st_size > MAX_BYTES:
            found = f"this one has {status.st_size / 1e9:.1f} GB"
            raise refused(name, f"a photograph may have {MAX_BYTES / 1e9:.1f} GB", found, "save it smaller")
        data = Path(path).read_bytes()
    except PhotoError:
        raise  # it is a ValueError too
    except FileNotFoundError as error:
        pattern = glob.has_magic(os.fsdecode(path))
        found = "no file fits this pattern" if pattern else "there is no file of this name"
        raise refused(name, single, found, "check the name and the folder") from error
    except PermissionError as error:
        found = "permission was denied"
        raise refused(name, "the file must be readable", found, "change its rights") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        found = f"the system reports: {reason}"
        raise refused(name, "the file must be readable", found, "check the name and the disk") from error
    if not data:
        found = "the file is empty (0 bytes)"
        raise refused(name, "a photograph must hold picture data", found, SEND_ORIGINAL)
    return data


def check_size(width: int, height: int, name: str) -> None:
    """Refuse pictures that are too small or too large to handle.

    Raises
    ------
    PhotoError
        A side under `MIN_SIDE`, or more than `MAX_MEGAPIXELS`.
    """
    found = f"this one is {width} x {height} pixels"
    if min(width, height) < MIN_SIDE:
        rule = f"a photograph must be at least {MIN_SIDE} pixels wide and high"
        raise refused(name, rule, found, "use the original picture, not a thumbnail")
    if width * height > MAX_MEGAPIXELS * 1e6:
        rule = f"a photograph may have at most {MAX_MEGAPIXELS} megapixels"
        raise refused(name, rule, found, "save it smaller or take it at a lower resolution")


def file_kind(data: bytes, name: str) -> str:
    """Return "jpeg", "png", "tiff", "webp" or "heif", judged by the content, never by the name.

    Raises
    ------
    PhotoError
        Any other content; the sentence says what it looks like.
    """
    head = data[:32]
    if head[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return "png"
    if head[:4] in (b"II*\0", b"MM\0*"):
        return "tiff"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "webp"
    if head[4:8] == b"ftyp":
        return _iso_kind(data, name)
    raise _unknown(data, name)


def _iso_kind(data: bytes, name: str) -> str:
    """Return "heif" for a still HEIC picture; refuse sequences, AVIF and films."""
    size = min(int.from_bytes(data[:4], "big"), 256)
    brands = {data[8:12], *(data[position : position + 4] for position in range(16, size - 3, 4))}
    if data[8:12] in _SEQUENCE_BRANDS:
        raise animated(name, "this file is a picture sequence")
    if data[8:12] in (b"avif", b"av01"):
        raise refused(name, f"a photograph must be {READABLE}", "this file is AVIF", "save it as PNG or JPEG")
    if brands & _HEIF_BRANDS:
        return "heif"
    rule = f"a photograph must be {READABLE}"
    found = "this file is a film or another media file"
    raise refused(name, rule, found, "save one frame of it as a picture")


def animated(name: str, found: str) -> PhotoError:
    """Return the error for a moving picture."""
    return refused(name, "a photograph must be one still picture", found, "save the frame to be read as PNG")


def _unknown(data: bytes, name: str) -> PhotoError:
    """Return the error for content that is no readable picture, saying what it looks like."""
    head = data[:4096]
    advice = "save it as PNG or JPEG"
    if head[:4] == b"GIF8":
        found = "this file is a GIF, which may be animated and keeps only 256 colours"
    elif head[:2] == b"BM":
        found = "this file is a BMP"
    elif head[:4] in (b"II+\0", b"MM\0+"):
        found = "this file is a BigTIFF"
    elif head[:4] == b"%PDF":
        found = "this file is a PDF"
    elif head[:2] == b"PK":
        found, advice = "this file is an archive", "unpack it first"
    elif not any(head):
        found, advice = "this file holds only zeros", SEND_ORIGINAL
    elif _is_text(head):
        found, advice = "this file holds text", "check that it is the picture you meant"
    else:
        found, advice = "this file is of an unknown kind", f"check that it is a picture, or {advice}"
    return refused(name, f"a photograph must be {READABLE}", found, advice)


def _is_text(head: bytes) -> bool:
    """Return whether the bytes are text: readable as UTF-8 but for a cut last letter, few controls."""
    try:
        text = head[:-3].decode("utf-8") if len(head) > 3 else head.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return sum(not (letter.isprintable() or letter in "\t\r\n") for letter in text) <= len(text) // 50
