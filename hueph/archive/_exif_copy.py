"""A copy of an EXIF block that holds only what a reading needs and what tells how a picture was taken."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass

from hueph._photo.exif import TiffReader

__all__ = ["KEPT_MAIN", "ExifCopy", "copy_exif", "private_fields"]

_EXIF_IFD, _GPS_IFD, _INTEROPERABILITY_IFD = 0x8769, 0x8825, 0xA005
# EXIF 2.32, tables 4 to 7. Model and make name a kind of camera, not a camera.
# ImageDescription, Software, Artist, serial numbers, maker notes and everything unknown are left out.
KEPT_MAIN = (0x010F, 0x0110, 0x0112, 0x011A, 0x011B, 0x0128, 0x0132, 0x0213)
_KEPT_EXIF = (
    0x829A, 0x829D, 0x8822, 0x8827, 0x8830, 0x9000, 0x9003, 0x9004, 0x9201, 0x9202, 0x9203, 0x9204, 0x9205,
    0x9207, 0x9208, 0x9209, 0x920A, 0xA001, 0xA002, 0xA003, 0xA402, 0xA403, 0xA404, 0xA405, 0xA406, 0xA408,
    0xA409, 0xA40A,
)  # fmt: skip
_KEPT_INTEROPERABILITY = (0x0001,)
# What a person would want to know was left out; all else is summed up.
_NAMES = {
    _GPS_IFD: "position (GPS)",
    0x013B: "name of the photographer",
    0x8298: "copyright notice",
    0x010E: "description",
    0x0131: "software",
    0x013C: "name of the computer",
    0x927C: "notes of the camera maker",
    0x9286: "comment",
    0x9290: "fractions of a second",
    0x9010: "time zone",
    0x9011: "time zone",
    0xA420: "picture identifier",
    0xA430: "name of the camera's owner",
    0xA431: "serial number of the camera",
    0xA435: "serial number of the lens",
    0xC62F: "serial number of the camera",
}


@dataclass(frozen=True, slots=True)
class ExifCopy:
    """The block that stands in for the original's, and what it leaves out (names for a person)."""

    block: bytes
    removed: tuple[str, ...]


def copy_exif(data: bytes) -> ExifCopy:
    """Return a clean copy of a TIFF-structured EXIF block (without its "Exif" prefix).

    A block that cannot be read is left out whole.
    """
    reader = TiffReader(data)
    if not reader.valid:
        return ExifCopy(b"", ("unreadable fields",))
    main, next_directory = reader.directory(reader.first_directory())
    exif, _ = reader.directory(_offset(reader, main.get(_EXIF_IFD)))
    interoperability, _ = reader.directory(_offset(reader, exif.get(_INTEROPERABILITY_IFD)))
    removed = private_fields(main, exif)
    if next_directory:
        removed.append("small preview picture")
    directories = [
        [(tag, field.kind, reader.raw(field)) for tag, field in sorted(fields.items()) if tag in kept]
        for fields, kept in (
            (main, KEPT_MAIN),
            (exif, _KEPT_EXIF),
            (interoperability, _KEPT_INTEROPERABILITY),
        )
    ]
    return ExifCopy(_write(reader.order, directories), tuple(dict.fromkeys(removed)))


def private_fields(*directories: Mapping[int, object]) -> list[str]:
    """Return names of the fields that a copy leaves out, from the main and the EXIF directory."""
    pointers = {_EXIF_IFD, _INTEROPERABILITY_IFD}
    kept = {*KEPT_MAIN, *_KEPT_EXIF, *pointers}
    return [
        _NAMES.get(tag, "other fields") for fields in directories for tag in sorted(fields) if tag not in kept
    ]


def _offset(reader: TiffReader, field: object) -> int:
    """Return the offset that a pointer field holds, 0 for none."""
    values = reader.integers(field) if field is not None else ()  # type: ignore[arg-type]
    return values[0] if values else 0


def _write(order: str, directories: list[list[tuple[int, int, bytes]]]) -> bytes:
    """Write main, EXIF and interoperability directories, each pointing to the next where there is one."""
    sizes = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
    out = bytearray((b"II" if order == "<" else b"MM") + struct.pack(order + "HI", 42, 8))
    pointers = (_EXIF_IFD, _INTEROPERABILITY_IFD)
    for level, entries in enumerate(directories):
        deeper = any(directories[level + 1 :])
        count = len(entries) + deeper
        start = len(out)
        heap = bytearray()
        rows = list(entries)
        if deeper:
            rows.append((pointers[level], 4, b""))
        after = start + 2 + 12 * count + 4
        table = bytearray(struct.pack(order + "H", count))
        for tag, kind, raw in sorted(rows):
            if deeper and tag == pointers[level]:
                # Filled in below, when the length of the heap is known.
                table += struct.pack(order + "HHII", tag, 4, 1, 0)
                place = len(table) - 4
                continue
            table += struct.pack(order + "HHI", tag, kind, len(raw) // sizes[kind])
            if len(raw) <= 4:
                table += raw.ljust(4, b"\0")
            else:
                table += struct.pack(order + "I", after + len(heap))
                heap += raw + b"\0" * (len(raw) % 2)
        if deeper:
            table[place : place + 4] = struct.pack(order + "I", after + len(heap))
        out += table + b"\0\0\0\0" + heap
        if not deeper:
            break
    return bytes(out)
