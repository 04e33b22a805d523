"""Embedded colour profiles: from the bytes of an ICC profile to a table and a matrix.

Profiles made of three primaries and one curve (all that phones and cameras embed) are read here, so
the picture keeps its own code values. Profiles made of look-up tables (press, scanner) are not
described by a matrix; pictures that carry them are converted by the colour management library.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

import numpy as np

from hueph._types import FloatArray
from hueph.colour.adaptation import bradford_matrix
from hueph.colour.srgb import (
    ADOBE_RGB_GAMMA,
    ADOBE_RGB_TO_XYZ,
    D65,
    DISPLAY_P3_TO_XYZ,
    SRGB_TO_XYZ,
    XYZ_TO_SRGB,
    primaries_to_xyz_matrix,
    srgb_to_linear_rgb,
)

__all__ = [
    "ADOBE_RGB",
    "DISPLAY_P3",
    "SRGB",
    "Curve",
    "IccFacts",
    "RgbSpace",
    "read_icc",
    "rgb_space",
    "space_of_code_points",
]

# A profile whose primaries are this near to a standard space's (in XYZ, white Y = 1) and whose curve
# is this near to its curve is that space: profiles store both rounded, and vendors round differently.
_PRIMARIES_TOLERANCE = 0.004
_CURVE_TOLERANCE = 0.004

# Points at which two curves are compared.
_PROBE = np.linspace(0.0, 1.0, 256)


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Encoded 0..1 to linear 0..1: the sRGB curve, a power, a table, or an ICC parametric curve."""

    kind: str  # "srgb", "power", "table" or "parametric"
    values: FloatArray = field(default_factory=lambda: np.zeros(0))
    function: int = 0  # ICC parametric function type, 0 to 4

    def __call__(self, encoded: FloatArray) -> FloatArray:
        """Return linear light of encoded values, clipped to 0..1."""
        if self.kind == "srgb":
            linear = srgb_to_linear_rgb(encoded)
        elif self.kind == "power":
            linear = encoded ** self.values[0]
        elif self.kind == "table":
            linear = np.interp(encoded, np.linspace(0.0, 1.0, len(self.values)), self.values)
        else:
            linear = _parametric(encoded, self.function, self.values)
        return np.clip(linear, 0.0, 1.0).astype(np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class RgbSpace:
    """An RGB space: name, curve of each channel, linear RGB to linear sRGB (D65)."""

    name: str
    curves: tuple[Curve, Curve, Curve]
    to_linear_srgb: FloatArray

    def channels_share_curve(self) -> bool:
        """Return whether one table can describe all three channels."""
        first = self.curves[0](_PROBE)
        return all(np.abs(curve(_PROBE) - first).max() < _CURVE_TOLERANCE for curve in self.curves[1:])

    def decode_table(self, codes: int) -> FloatArray:
        """Return linear light of each code value 0..codes - 1 (curve of the green channel)."""
        return self.curves[1](np.linspace(0.0, 1.0, codes))


def rgb_space(name: str, curve: Curve, to_xyz: FloatArray) -> RgbSpace:
    """Return a D65 space with one curve."""
    return RgbSpace(name, (curve, curve, curve), XYZ_TO_SRGB @ to_xyz)


_SRGB_CURVE = Curve("srgb")
# The product of a matrix and its inverse is the identity only up to rounding.
SRGB = RgbSpace("sRGB", (_SRGB_CURVE, _SRGB_CURVE, _SRGB_CURVE), np.eye(3))
DISPLAY_P3 = rgb_space("Display P3", _SRGB_CURVE, DISPLAY_P3_TO_XYZ)
ADOBE_RGB = rgb_space("Adobe RGB", Curve("power", np.array([ADOBE_RGB_GAMMA])), ADOBE_RGB_TO_XYZ)
_STANDARD = ((SRGB, SRGB_TO_XYZ), (DISPLAY_P3, DISPLAY_P3_TO_XYZ), (ADOBE_RGB, ADOBE_RGB_TO_XYZ))


# ITU-T H.273 code points of transfer curves that ordinary pictures use; the video ones are shown with
# the sRGB curve by common practice (no source).
_SRGB_LIKE_TRANSFERS = frozenset({1, 2, 6, 13, 14, 15})
_POWER_TRANSFERS = {4: 2.2, 5: 2.8, 8: 1.0}
_BT2020_PRIMARIES = np.array([[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]])
_TO_XYZ_OF_CODE_POINT = {9: primaries_to_xyz_matrix(_BT2020_PRIMARIES), 12: DISPLAY_P3_TO_XYZ}


def space_of_code_points(primaries: int, transfer: int) -> RgbSpace | None:
    """Return the space of H.273 code points (HEIC nclx, PNG cICP); None for a high-dynamic-range curve."""
    if transfer in _POWER_TRANSFERS:
        curve = Curve("power", np.array([_POWER_TRANSFERS[transfer]]))
    elif transfer in _SRGB_LIKE_TRANSFERS:
        if primaries == 12:
            return DISPLAY_P3
        if primaries not in _TO_XYZ_OF_CODE_POINT:
            return SRGB
        curve = _SRGB_CURVE
    else:
        return None
    return rgb_space("coded RGB", curve, _TO_XYZ_OF_CODE_POINT.get(primaries, SRGB_TO_XYZ))


@dataclass(frozen=True, slots=True, eq=False)
class IccFacts:
    """What an ICC profile is: its colour model and, for matrix profiles, the space."""

    model: str  # "RGB", "GRAY", "CMYK", or another four-letter signature, stripped
    description: str
    space: RgbSpace | None  # None: look-up tables, or not an RGB or grey profile


def read_icc(data: bytes) -> IccFacts | None:
    """Read a profile; None when the bytes are not a usable profile. Nothing is raised."""
    try:
        with np.errstate(all="ignore"):
            return _read_icc(data)
    except (struct.error, ValueError, IndexError, OverflowError, np.linalg.LinAlgError):
        return None


def _read_icc(data: bytes) -> IccFacts | None:
    """Read a profile (ICC.1:2010 section 7); may raise on garbage."""
    if len(data) < 132 or data[36:40] != b"acsp" or int.from_bytes(data[:4], "big") > len(data):
        return None
    model = data[16:20].decode("ascii").strip()
    tags: dict[bytes, bytes] = {}
    for index in range(min(int.from_bytes(data[128:132], "big"), 200)):
        signature, offset, size = struct.unpack_from(">4sII", data, 132 + 12 * index)
        if offset + size > len(data):
            return None
        tags.setdefault(signature, data[offset : offset + size])
    description = _description(tags.get(b"desc", b""))
    if model == "GRAY" and b"kTRC" in tags:
        curve = _curve(tags[b"kTRC"])
        space = RgbSpace(description or "grey", (curve, curve, curve), np.eye(3))
        return IccFacts(model, description, space)
    if model == "RGB" and {b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC"} <= tags.keys():
        return IccFacts(model, description, _matrix_space(tags, description))
    has_table = b"A2B0" in tags or b"A2B1" in tags
    return IccFacts(model, description, None) if has_table else None


def _matrix_space(tags: dict[bytes, bytes], description: str) -> RgbSpace:
    """Return the space of a three-primaries profile, snapped to a standard one when it is that."""
    columns = np.column_stack([_xyz(tags[tag]) for tag in (b"rXYZ", b"gXYZ", b"bXYZ")])
    curves = (_curve(tags[b"rTRC"]), _curve(tags[b"gTRC"]), _curve(tags[b"bTRC"]))
    white = columns.sum(axis=1)
    if abs(np.linalg.det(columns)) < 1e-4 or not (white > 0.1).all():
        raise ValueError("primaries without area")
    # Primaries are stored as seen under D50; their own sum is that white up to rounding, and adapting
    # from it keeps R = G = B exactly neutral. `InputError` of a strange white is a ValueError.
    to_xyz = bradford_matrix(white / white[1], D65) @ (columns / white[1])
    for standard, matrix in _STANDARD:
        near = np.abs(to_xyz - matrix).max() < _PRIMARIES_TOLERANCE
        wanted = standard.curves[0](_PROBE)
        if near and all(np.abs(curve(_PROBE) - wanted).max() < _CURVE_TOLERANCE for curve in curves):
            return standard
    return RgbSpace(description or "unnamed RGB", curves, XYZ_TO_SRGB @ to_xyz)


def _xyz(tag: bytes) -> FloatArray:
    """Return the first XYZ number of an XYZ tag."""
    if tag[:4] != b"XYZ ":
        raise ValueError("not an XYZ tag")
    return np.array(struct.unpack_from(">3i", tag, 8), dtype=np.float64) / 65536.0


def _curve(tag: bytes) -> Curve:
    """Return a curve that can be used to decode: finite and brighter at its upper end."""
    curve = _stored_curve(tag)
    light = curve(_PROBE)
    if not np.isfinite(light).all() or light[-1] <= light[0]:
        raise ValueError("curve does not rise")
    return curve


def _stored_curve(tag: bytes) -> Curve:
    """Return the curve of a curveType or parametricCurveType tag (ICC.1:2010 sections 10.5, 10.15)."""
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return Curve("power", np.array([1.0]))
        if count == 1:
            return Curve("power", np.array([struct.unpack_from(">H", tag, 12)[0] / 256.0]))
        if 12 + 2 * count > len(tag):
            raise ValueError("curve longer than its tag")
        return Curve("table", np.frombuffer(tag, dtype=">u2", count=count, offset=12) / 65535.0)
    if tag[:4] == b"para":
        (function,) = struct.unpack_from(">H", tag, 8)
        count = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}.get(function, 0)
        if count == 0:
            raise ValueError("unknown parametric curve")
        numbers = np.array(struct.unpack_from(f">{count}i", tag, 12), dtype=np.float64) / 65536.0
        return Curve("parametric", numbers, function)
    raise ValueError("unknown curve type")


def _parametric(encoded: FloatArray, function: int, numbers: FloatArray) -> FloatArray:
    """Return an ICC parametric curve: g, a, b, c, d, e, f as far as the function type has them."""
    gamma = numbers[0]
    if function == 0:
        return np.asarray(encoded**gamma, dtype=np.float64)
    a, b = numbers[1], numbers[2]
    power = np.maximum(a * encoded + b, 0.0) ** gamma
    if function in (1, 2):
        floor = numbers[3] if function == 2 else 0.0
        return np.asarray(np.where(encoded >= -b / a, power, 0.0) + floor, dtype=np.float64)
    c, d = numbers[3], numbers[4]
    e, f = (numbers[5], numbers[6]) if function == 4 else (0.0, 0.0)
    return np.asarray(np.where(encoded >= d, power + e, c * encoded + f), dtype=np.float64)


def _description(tag: bytes) -> str:
    """Return the profile's name from a textDescription or multiLocalizedUnicode tag, "" without one."""
    text = ""
    if tag[:4] == b"desc":
        (count,) = struct.unpack_from(">I", tag, 8)
        text = tag[12 : 12 + count].split(b"\0")[0].decode("ascii", "replace")
    elif tag[:4] == b"mluc":
        length, offset = struct.unpack_from(">II", tag, 20)
        text = tag[offset : offset + length].decode("utf-16-be", "replace")
    return " ".join(text.replace("\0", " ").split())[:80]
