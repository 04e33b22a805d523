"""Strategies that damage good files: bytes of pictures, lines and values of texts."""

from __future__ import annotations

import struct
import zlib

from hypothesis import strategies as st

__all__ = ["damaged_bytes", "damaged_text", "with_right_checksums"]

# Most of what a decoder decides on stands in a file's first bytes.
_HEADER_BYTES = 700
_NUMBERS = (
    b"\0\0",
    b"\xff\xff",
    b"\0\0\0\0",
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\x80\0\0\0",
    b"\0\1",
)

# Values that are legal where none was expected, or nearly legal.
_VALUES = (
    "", "0", "-1", "-0.0", "1e308", "-1e308", "1e-320", "nan", "inf", "-inf", "true", "[]", "{}", '""', "''",
    "9999999999999999999999", "2024-02-30", "2024-01-01T00:00:00Z", '"nan"', '"\\u0000"', '"\\ud83d"', '"7 7"',
    '"-5 mL"', '"1e9 mL"', '"1e-9 mL of acid"', '"0 M HCl"', '"1e6 M NaOH"', '"0.1 M unobtainium"', "[1, 2, 3]",
    "[[0, 0], [0, 0], [0, 0], [0, 0]]", "[nan, nan, nan]", '[["a"]]', "{ a = 1 }", '"\u00b5\u2212\u0660"',
    '"take 1e400 mL of it"', "'''", '"', "=", "[", "]", "[[patch]]", "[steps]", "[samples.x]", "\\",
)  # fmt: skip


@st.composite
def damaged_bytes(draw: st.DrawFn, good: dict[str, bytes]) -> tuple[str, bytes]:
    """Return the name of a good file and a damaged copy of it."""
    name = draw(st.sampled_from(sorted(good)))
    data = bytearray(good[name])
    for _ in range(draw(st.integers(1, 5))):
        if not data:
            break
        reach = _HEADER_BYTES if draw(st.booleans()) else len(data)
        place = draw(st.integers(0, min(reach, len(data)) - 1))
        length = draw(st.integers(1, 40))
        kind = draw(st.integers(0, 6))
        if kind == 0:
            data[place] ^= 1 << draw(st.integers(0, 7))
        elif kind == 1:
            data[place] = draw(st.integers(0, 255))
        elif kind == 2:
            number = draw(st.sampled_from(_NUMBERS))
            data[place : place + len(number)] = number
        elif kind == 3:
            del data[place : place + length]
        elif kind == 4:
            data[place:place] = draw(st.binary(min_size=1, max_size=40))
        elif kind == 5:
            data[place:place] = data[place : place + length]
        else:
            del data[place:]
    if name.endswith(".png") and draw(st.booleans()):
        data = bytearray(with_right_checksums(bytes(data)))
    return name, bytes(data)


def with_right_checksums(data: bytes) -> bytes:
    """Return a PNG whose chunks all have right checksums, so that damage gets past them."""
    whole, place = bytearray(data), 8
    while place + 12 <= len(whole):
        (length,) = struct.unpack_from(">I", whole, place)
        end = place + 8 + length
        if end + 4 > len(whole):
            break
        struct.pack_into(">I", whole, end, zlib.crc32(bytes(whole[place + 4 : end])))
        place = end + 4
    return bytes(whole)


@st.composite
def damaged_text(draw: st.DrawFn, good: dict[str, str]) -> tuple[str, str]:
    """Return the name of a good text and a damaged copy: lines, values and characters changed."""
    name = draw(st.sampled_from(sorted(good)))
    lines = good[name].split("\n")
    for _ in range(draw(st.integers(1, 4))):
        place = draw(st.integers(0, len(lines) - 1))
        line, kind = lines[place], draw(st.integers(0, 7))
        key, equals, _ = line.partition("=")
        if kind <= 2 and equals:
            lines[place] = f"{key}= {draw(st.sampled_from(_VALUES))}"
        elif kind == 3:
            # A number within a value.
            numbers = [index for index, sign in enumerate(line) if sign.isdigit()]
            if numbers:
                at = draw(st.sampled_from(numbers))
                new = draw(st.sampled_from(("0", "-", "9" * 30, ".", "e9", "x", "")))
                lines[place] = line[:at] + new + line[at + 1 :]
        elif kind == 4:
            del lines[place]
        elif kind == 5:
            lines.insert(draw(st.integers(0, len(lines))), line)
        elif kind == 6:
            at = draw(st.integers(0, len(line)))
            lines[place] = line[:at] + draw(st.text(max_size=5)) + line[at + draw(st.integers(0, 3)) :]
        else:
            other = draw(st.integers(0, len(lines) - 1))
            lines[place], lines[other] = lines[other], lines[place]
        if not lines:
            lines = [""]
    return name, "\n".join(lines)
