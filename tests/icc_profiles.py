"""ICC profiles made by hand, and look-up tables of profiles read by a second, independent reading."""

from __future__ import annotations

import struct

import numpy as np

D50_ICC = np.array([0.9642, 1.0, 0.8249])  # the profile connection space's own white, ICC.1 section 7.2.16


def fixed(values: object) -> bytes:
    """Return numbers as s15Fixed16."""
    return b"".join(struct.pack(">i", round(float(value) * 65536)) for value in np.ravel(np.asarray(values)))


def power_curve(gamma: float) -> bytes:
    """Return a curveType tag with one exponent (u8Fixed8)."""
    return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256))


def table_curve(values: object) -> bytes:
    """Return a curveType tag with a table of values 0..1."""
    codes = np.rint(np.asarray(values) * 65535).astype(">u2")
    return b"curv" + bytes(4) + struct.pack(">I", len(codes)) + codes.tobytes()


def parametric_curve(function: int, *numbers: float) -> bytes:
    """Return a parametricCurveType tag."""
    return b"para" + bytes(4) + struct.pack(">HH", function, 0) + fixed(numbers)


SRGB_CURVE = parametric_curve(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def matrix_profile(
    columns_d50: np.ndarray, curves: tuple[bytes, bytes, bytes], *, name: str = "by hand"
) -> bytes:
    """Return an RGB display profile: primaries as XYZ columns under D50, and three curve tags."""
    tags = {
        b"desc": b"mluc"
        + bytes(4)
        + struct.pack(">II2s2sII", 1, 12, b"en", b"GB", 2 * len(name), 28)
        + name.encode("utf-16-be"),
        b"cprt": b"mluc" + bytes(4) + struct.pack(">II2s2sII", 1, 12, b"en", b"GB", 2, 28) + b"\0x",
        b"wtpt": b"XYZ " + bytes(4) + fixed(D50_ICC),
    }
    for index, letter in enumerate((b"r", b"g", b"b")):
        tags[letter + b"XYZ"] = b"XYZ " + bytes(4) + fixed(columns_d50[:, index])
        tags[letter + b"TRC"] = curves[index]
    return assembled(b"RGB ", tags)


def grey_profile(curve: bytes) -> bytes:
    """Return a grey display profile with one curve."""
    return assembled(b"GRAY", {b"wtpt": b"XYZ " + bytes(4) + fixed(D50_ICC), b"kTRC": curve})


def assembled(model: bytes, tags: dict[bytes, bytes]) -> bytes:
    """Return a version 4 display profile made of tags."""
    start = 132 + 12 * len(tags)
    index, body = struct.pack(">I", len(tags)), b""
    for signature, tag in tags.items():
        padded = tag + bytes(-len(tag) % 4)
        index += struct.pack(">4sII", signature, start + len(body), len(tag))
        body += padded
    size = 128 + len(index) + len(body)
    head = struct.pack(">I4sI4s4s4s", size, bytes(4), 0x04300000, b"mntr", model, b"XYZ ")
    head += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + bytes(28) + fixed(D50_ICC)
    return head + bytes(128 - len(head)) + index + body


def lab_through_table(profile: bytes, signature: bytes, device: np.ndarray) -> np.ndarray:
    """Return CIELAB (D50) of device values 0..1 through a 16 bit look-up table of a profile.

    Written from ICC.1:2001 section 6.5.7 (lut16Type) with multilinear interpolation, sharing nothing with
    the colour management library that hueph uses.
    """
    (count,) = struct.unpack_from(">I", profile, 128)
    table = {}
    for index in range(count):
        name, offset, size = struct.unpack_from(">4sII", profile, 132 + 12 * index)
        table[name] = profile[offset : offset + size]
    tag = table[signature]
    assert tag[:4] == b"mft2"
    inputs, outputs, grid = tag[8], tag[9], tag[10]
    entries_in, entries_out = struct.unpack_from(">HH", tag, 48)
    numbers = np.frombuffer(tag, ">u2", offset=52).astype(np.float64) / 65535.0
    curves_in, rest = np.split(numbers, [inputs * entries_in])
    cube, curves_out = np.split(rest, [grid**inputs * outputs])
    cube = cube.reshape((grid,) * inputs + (outputs,))
    shaped = [
        np.interp(device[..., channel], np.linspace(0, 1, entries_in), curve)
        for channel, curve in enumerate(curves_in.reshape(inputs, entries_in))
    ]
    position = np.stack(shaped, axis=-1) * (grid - 1)
    lower = np.minimum(position.astype(int), grid - 2)
    part = position - lower
    mixed = np.zeros((*device.shape[:-1], outputs))
    for corner in range(2**inputs):
        up = [corner >> channel & 1 for channel in range(inputs)]
        weight = np.prod(np.where(up, part, 1.0 - part), axis=-1)
        mixed += weight[..., np.newaxis] * cube[tuple(lower[..., c] + up[c] for c in range(inputs))]
    codes = np.stack(
        [
            np.interp(mixed[..., channel], np.linspace(0, 1, entries_out), curve) * 65535.0
            for channel, curve in enumerate(curves_out[: outputs * entries_out].reshape(outputs, entries_out))
        ],
        axis=-1,
    )
    # Version 2 profiles: L* 100 is FF00, a* and b* are 8.8 offset by 128.
    return codes * np.array([100.0 / 65280.0, 1.0 / 256.0, 1.0 / 256.0]) - np.array([0.0, 128.0, 128.0])
