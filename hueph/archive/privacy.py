"""Copies of photographs without position, serial numbers and names; the picture data stay as they are.

Only what is known to be harmless is kept (a list of what to keep, not of what to remove), and what is
kept is enough for the same reading. The copy is a fixed function of the original, so that its hash,
written into a record beside the original's, later shows that a copy is the right one.
"""

from __future__ import annotations

import io
import re
import struct
import zlib
from dataclasses import dataclass
from typing import Any

from hueph._photo.exif import TiffReader
from hueph._photo.guards import file_kind
from hueph.archive._exif_copy import KEPT_MAIN, copy_exif
from hueph.errors import PhotoError

__all__ = ["PrivateFree", "path_free", "private_free"]

_EXIF_PREFIX = b"Exif\0\0"
_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
# PNG third edition: what shapes the picture; not texts, times and EXIF.
_KEPT_PNG = {
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"cHRM", b"gAMA", b"iCCP", b"sBIT", b"sRGB", b"cICP", b"mDCV",
    b"cLLI", b"bKGD", b"hIST", b"tRNS", b"pHYs",
}  # fmt: skip
_KEPT_WEBP = {b"VP8 ", b"VP8L", b"VP8X", b"ALPH", b"ICCP"}
_WEBP_EXIF_BIT, _WEBP_XMP_BIT = 0x08, 0x04
# TIFF 6.0 and its supplements: what shapes the picture.
_KEPT_TIFF = {
    0x00FE, 0x0100, 0x0101, 0x0102, 0x0103, 0x0106, 0x010A, 0x0111, 0x0115, 0x0116, 0x0117, 0x0118, 0x0119,
    0x011C, 0x0124, 0x0125, 0x012D, 0x013D, 0x013E, 0x013F, 0x0140, 0x0142, 0x0143, 0x0144, 0x0145, 0x014C,
    0x0152, 0x0153, 0x015B, 0x0200, 0x0201, 0x0202, 0x0203, 0x0205, 0x0206, 0x0207, 0x0208, 0x0209, 0x0211,
    0x0212, 0x0213, 0x0214, 0x8773, *KEPT_MAIN,
}  # fmt: skip
# A text in quotes that is a path from the root, a drive, a server or the home folder on, and such a path
# elsewhere (in a comment); "g/L" and "1/10" are none.
_ROOT = r"(?:[A-Za-z]:[\\/]|~?/|~?\\\\)"
_QUOTED_PATH = re.compile(rf"([\"'])\s*{_ROOT}[^\"'\n]*[\\/]([^\"'\\/\n]+)\1")
_LOOSE_PATH = re.compile(rf"(?<![\w:/.)\\]){_ROOT}(?:[^\s\"'\\/]+[\\/])+")
# Picture data run up to the next marker that is neither a stuffed zero nor a restart.
_END_OF_SCAN = re.compile(rb"\xff[^\x00\xd0-\xd7]", re.DOTALL)


@dataclass(frozen=True, slots=True)
class PrivateFree:
    """The copy, and what it leaves out; nothing left out means that the original may go as it is."""

    data: bytes
    removed: tuple[str, ...]


def private_free(data: bytes) -> PrivateFree | None:
    """Return a copy of a picture file without private fields.

    Parameters
    ----------
    data : bytes
        A JPEG, PNG, WebP, TIFF or HEIC file.

    Returns
    -------
    PrivateFree or None
        None when it is not certain that everything private was found: then the file is not to be
        handed on.
    """
    try:
        kind = file_kind(data, "")
    except PhotoError:
        return None
    try:
        made = {"jpeg": _jpeg, "png": _png, "webp": _webp, "tiff": _tiff, "heif": _heif}[kind](data)
    except (IndexError, ValueError, struct.error, zlib.error):
        return None
    if made is None:
        return None
    removed = tuple(dict.fromkeys(made.removed))
    return PrivateFree(made.data if removed else data, removed)


def path_free(data: bytes) -> PrivateFree | None:
    """Return a copy of a recipe or experiment file in which full paths are only names: folders name people.

    Parameters
    ----------
    data : bytes
        Text, UTF-8.

    Returns
    -------
    PrivateFree or None
        None when the bytes are no text.
    """
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return None
    clean = _LOOSE_PATH.sub("", _QUOTED_PATH.sub(r"\1\2\1", text))
    return PrivateFree(data, ()) if clean == text else PrivateFree(clean.encode(), ("folders of paths",))


def _jpeg(data: bytes) -> PrivateFree | None:
    """Keep the segments that decode the picture, the profile, and a clean EXIF (ITU-T T.81, annex B)."""
    out, removed, position = bytearray(b"\xff\xd8"), [], 2
    while True:
        start = data.find(b"\xff", position)
        if start < 0:
            return None
        marker = data[start + 1]
        if marker == 0xFF or marker == 0x00:
            position = start + 1
            continue
        if marker == 0xD9:
            end = start + 2
            break
        length = int.from_bytes(data[start + 2 : start + 4], "big")
        body, position = data[start + 4 : start + 2 + length], start + 2 + length
        if length < 2 or position > len(data):
            return None
        kept, gone = _jpeg_segment(marker, body)
        removed += gone
        out += kept
        if marker == 0xDA:
            following = _END_OF_SCAN.search(data, position)
            if following is None:
                return None
            out += data[position : following.start()]
            position = following.start()
    out += b"\xff\xd9"
    if data[end:].strip(b"\0"):
        removed.append("data after the picture")
    return PrivateFree(bytes(out), tuple(removed))


def _jpeg_segment(marker: int, body: bytes) -> tuple[bytes, list[str]]:
    """Return what stays of a segment, and names of what went."""
    if marker == 0xE1:
        if not body.startswith(_EXIF_PREFIX):
            return b"", ["XMP and other notes"]
        clean = copy_exif(body[6:])
        body, gone = _EXIF_PREFIX + clean.block, list(clean.removed)
        if not clean.block:
            return b"", gone
        return _segment(marker, body), gone
    is_known = (
        (marker == 0xE0 and body.startswith(b"JFIF\0"))
        or (marker == 0xE2 and body.startswith(b"ICC_PROFILE\0"))
        or (marker == 0xEE and body.startswith(b"Adobe"))
    )
    if is_known or not (0xE0 <= marker <= 0xEF or marker == 0xFE):
        return _segment(marker, body), []
    names = {0xFE: "comment", 0xED: "captions (IPTC)", 0xE2: "further pictures in the file"}
    return b"", [names.get(marker, "notes of other programs")]


def _segment(marker: int, body: bytes) -> bytes:
    return bytes((0xFF, marker)) + (len(body) + 2).to_bytes(2, "big") + body


def _png(data: bytes) -> PrivateFree:
    """Keep the chunks that shape the picture, and a clean EXIF."""
    removed: list[str] = []
    out, position = bytearray(_PNG_SIGNATURE), len(_PNG_SIGNATURE)
    while position < len(data):
        (length,) = struct.unpack_from(">I", data, position)
        kind = data[position + 4 : position + 8]
        body = data[position + 8 : position + 8 + length]
        if kind == b"eXIf":
            clean = copy_exif(body.removeprefix(_EXIF_PREFIX))
            removed += clean.removed
            out += _chunk(kind, clean.block) if clean.block else b""
        elif kind in _KEPT_PNG:
            out += data[position : position + 12 + length]
        else:
            removed.append("time" if kind == b"tIME" else "texts and notes")
        position += 12 + length
        if kind == b"IEND":
            break
    if data[position:]:
        removed.append("data after the picture")
    return PrivateFree(bytes(out), tuple(removed))


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _webp(data: bytes) -> PrivateFree:
    """Keep the chunks that shape the picture, and a clean EXIF."""
    end = 8 + int.from_bytes(data[4:8], "little")
    chunks: list[tuple[bytes, bytes]] = []
    removed: list[str] = []
    position = 12
    while position + 8 <= min(end, len(data)):
        kind = data[position : position + 4]
        length = int.from_bytes(data[position + 4 : position + 8], "little")
        body = data[position + 8 : position + 8 + length]
        position += 8 + length + length % 2
        if kind == b"EXIF":
            clean = copy_exif(body.removeprefix(_EXIF_PREFIX))
            removed += clean.removed
            if clean.block:
                chunks.append((kind, clean.block))
        elif kind in _KEPT_WEBP:
            chunks.append((kind, body))
        else:
            removed.append("XMP and other notes")
    has_exif = any(kind == b"EXIF" for kind, _ in chunks)
    out = bytearray()
    for kind, body in chunks:
        if kind == b"VP8X" and body:
            bits = body[0] & ~_WEBP_XMP_BIT & ~(0 if has_exif else _WEBP_EXIF_BIT)
            body = bytes((bits,)) + body[1:]
        out += kind + len(body).to_bytes(4, "little") + body + b"\0" * (len(body) % 2)
    if data[end + end % 2 :]:
        removed.append("data after the picture")
    return PrivateFree(b"RIFF" + (len(out) + 4).to_bytes(4, "little") + b"WEBP" + bytes(out), tuple(removed))


def _tiff(data: bytes) -> PrivateFree | None:
    """Blank every field of the main directories that does not shape the picture, in place."""
    out = bytearray(data)
    reader = TiffReader(data)
    directory, removed = reader.first_directory(), []
    seen: set[int] = set()
    while directory:
        if directory in seen:
            return None
        seen.add(directory)
        fields, following = reader.directory(directory)
        if not fields:
            return None
        for tag, field in fields.items():
            if tag in _KEPT_TIFF:
                continue
            removed.append("fields that are not part of the picture")
            if tag in (0x8769, 0x8825, 0x014A):
                for offset in reader.integers(field):
                    inner, _ = reader.directory(offset)
                    if tag == 0x014A or not inner:
                        return None  # further pictures in sub-directories
                    if any(deeper == 0xA005 for deeper in inner):
                        return None
                    for value in inner.values():
                        _blank(out, reader, value)
            _blank(out, reader, field)
        directory = following
    return PrivateFree(bytes(out), tuple(removed))


def _blank(out: bytearray, reader: TiffReader, field: object) -> None:
    """Overwrite the value of a field with zeros."""
    size = len(reader.raw(field))  # type: ignore[arg-type]
    offset = field.offset  # type: ignore[attr-defined]
    out[offset : offset + size] = bytes(size)


def _heif(data: bytes) -> PrivateFree | None:
    """Overwrite EXIF and XMP of every picture in the container in place, where they stand in one piece."""
    import pillow_heif

    top = _top_boxes(data)
    if not top <= {b"ftyp", b"meta", b"mdat", b"free"}:
        return None
    try:
        container = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
        infos: list[dict[str, Any]] = [dict(picture.info) for picture in container]
    except (ValueError, EOFError, SyntaxError, RuntimeError, OSError):
        return None
    out = data
    removed: list[str] = []
    for info in infos:
        blocks = [(info.get("exif") or b"", True), (info.get("xmp") or b"", False)]
        blocks += [(entry.get("data") or b"", False) for entry in info.get("metadata") or []]
        for block, is_exif in blocks:
            if not block:
                continue
            tiff = block.removeprefix(_EXIF_PREFIX) if is_exif else block
            clean = copy_exif(tiff) if is_exif else None
            if clean is not None and not clean.removed:
                continue
            replacement = (clean.block if clean else b"").ljust(len(tiff), b"\0" if is_exif else b" ")
            if out.count(tiff) == 0 or len(replacement) != len(tiff):
                return None
            out = out.replace(tiff, replacement)
            removed += clean.removed if clean else ("XMP and other notes",)
    return PrivateFree(out, tuple(removed))


def _top_boxes(data: bytes) -> set[bytes]:
    """Return the kinds of the outermost boxes (ISO/IEC 14496-12)."""
    found, position = set(), 0
    while position + 8 <= len(data):
        size, kind = int.from_bytes(data[position : position + 4], "big"), data[position + 4 : position + 8]
        if size == 1:
            size = int.from_bytes(data[position + 8 : position + 16], "big")
        elif size == 0:
            size = len(data) - position
        if size < 8:
            raise ValueError("a box without a size")
        found.add(kind)
        position += size
    return found
