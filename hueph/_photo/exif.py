"""The few EXIF facts that matter here, read without trusting the file.

EXIF is a TIFF structure. Every read is bounds-checked and nothing is raised: a field that cannot be
read is absent.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

__all__ = ["ExifFacts", "TiffReader", "read_exif"]

_ORIENTATION = 0x0112
_DATE_TIME = 0x0132
_EXIF_IFD = 0x8769
_DATE_TIME_ORIGINAL = 0x9003
_COLOUR_SPACE = 0xA001
_INTEROPERABILITY_IFD = 0xA005
_INTEROPERABILITY_INDEX = 0x0001

# TIFF 6.0 section 2: bytes of each field type, and the struct letter of those that are integers.
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_INTEGER_CODE = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 13: "I"}

# A picture file has a few dozen fields; more is garbage.
_MAX_FIELDS = 1000
_MAX_VALUES = 1_000_000


@dataclass(frozen=True, slots=True)
class ExifFacts:
    """Orientation 1..8, time taken ("" when absent), and what is said about the colour space."""

    orientation: int = 1
    taken: str = ""
    colour_space: int | None = None  # 1 sRGB, 2 Adobe RGB (not in the standard), 65535 uncalibrated
    interoperability: str = ""  # "R98" sRGB, "R03" Adobe RGB


@dataclass(frozen=True, slots=True)
class Field:
    """One TIFF field: type, count, and where its values stand in the file."""

    kind: int
    count: int
    offset: int


class TiffReader:
    """Fields of a TIFF structure held in memory."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.order = {b"II": "<", b"MM": ">"}.get(data[:2], "")
        self.valid = bool(self.order) and self._integer(2, "H") == 42

    def _integer(self, offset: int, code: str) -> int | None:
        size = struct.calcsize(code)
        if offset < 0 or offset + size > len(self.data):
            return None
        return int(struct.unpack_from(self.order + code, self.data, offset)[0])

    def first_directory(self) -> int:
        """Return the offset of the first directory, 0 when there is none."""
        return (self._integer(4, "I") or 0) if self.valid else 0

    def directory(self, offset: int) -> tuple[dict[int, Field], int]:
        """Return the fields of the directory at `offset` and the offset of the next (0: none)."""
        count = self._integer(offset, "H") if offset else None
        if not count or count > _MAX_FIELDS:
            return {}, 0
        fields: dict[int, Field] = {}
        for position in range(offset + 2, offset + 2 + 12 * count, 12):
            tag, kind = self._integer(position, "H"), self._integer(position + 2, "H")
            length = self._integer(position + 4, "I")
            if tag is None or kind is None or length is None or kind not in _TYPE_BYTES:
                continue
            size = _TYPE_BYTES[kind] * length
            where = position + 8 if size <= 4 else self._integer(position + 8, "I")
            if where is not None and where + size <= len(self.data):
                fields.setdefault(tag, Field(kind, length, where))
        return fields, self._integer(offset + 2 + 12 * count, "I") or 0

    def integers(self, field: Field | None) -> tuple[int, ...]:
        """Return the values of an integer field, () when it is absent or of another type."""
        code = _INTEGER_CODE.get(field.kind) if field else None
        if field is None or code is None or not 0 < field.count <= _MAX_VALUES:
            return ()
        return struct.unpack_from(f"{self.order}{field.count}{code}", self.data, field.offset)

    def raw(self, field: Field | None) -> bytes:
        """Return the bytes of a field, b"" when it is absent."""
        if field is None:
            return b""
        return self.data[field.offset : field.offset + field.count * _TYPE_BYTES[field.kind]]

    def text(self, field: Field | None) -> str:
        """Return a text field up to its first zero byte."""
        return self.raw(field).split(b"\0")[0].decode("ascii", "replace").strip()


def read_exif(data: bytes) -> ExifFacts:
    """Return the facts in an EXIF block (with or without its "Exif" prefix) or a whole TIFF file."""
    if data[:6] in (b"Exif\0\0", b"Exif\0\xff"):
        data = data[6:]
    reader = TiffReader(data)
    main, _ = reader.directory(reader.first_directory())
    exif, _ = reader.directory(_first(reader.integers(main.get(_EXIF_IFD)), 0))
    interoperability, _ = reader.directory(_first(reader.integers(exif.get(_INTEROPERABILITY_IFD)), 0))
    orientation = _first(reader.integers(main.get(_ORIENTATION)), 1)
    spaces = reader.integers(exif.get(_COLOUR_SPACE))
    return ExifFacts(
        # The standard reserves everything but 1 to 8; viewers show such files as stored.
        orientation=orientation if 1 <= orientation <= 8 else 1,
        taken=_time(reader.text(exif.get(_DATE_TIME_ORIGINAL))) or _time(reader.text(main.get(_DATE_TIME))),
        colour_space=spaces[0] if spaces else None,
        interoperability=reader.text(interoperability.get(_INTEROPERABILITY_INDEX)),
    )


def _first(values: tuple[int, ...], default: int) -> int:
    """Return the first value or the default."""
    return values[0] if values else default


def _time(text: str) -> str:
    """Return "YYYY:MM:DD HH:MM:SS" as "YYYY-MM-DDTHH:MM:SS", "" when it is not a time."""
    match = re.fullmatch(r"(\d{4}):(\d\d):(\d\d) (\d\d):(\d\d):(\d\d)", text)
    if match is None or match[1] == "0000":
        return ""
    return "{}-{}-{}T{}:{}:{}".format(*match.groups())
