"""Store a drawn picture as a file the way phones do: JPEG or HEIC, EXIF rotation, embedded profile."""

from __future__ import annotations

import io
import struct

import numpy as np
from PIL import Image

from hueph._types import FloatArray, UInt8Array
from hueph.colour.adaptation import bradford_matrix
from hueph.colour.srgb import D50, D65, DISPLAY_P3_TO_XYZ, SRGB_TO_XYZ, srgb_to_linear_rgb
from hueph.errors import InputError

__all__ = ["FORMATS", "encode_photo", "icc_profile"]

FORMATS = ("JPEG", "HEIC", "PNG")

# EXIF tag 0x0112: how a viewer has to turn the stored picture; here what undoes it.
_STORED = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


def encode_photo(
    picture: UInt8Array,
    *,
    display_p3: bool = False,
    orientation: int = 1,
    file_format: str = "JPEG",
    quality: int = 88,
) -> bytes:
    """Return the bytes of a picture file.

    Parameters
    ----------
    picture : array, shape (height, width, 3), uint8
        Upright, encoded sRGB or Display P3.
    display_p3 : bool
        Embed a Display P3 profile (sRGB pictures carry none, as is common).
    orientation : int
        EXIF orientation, 1 to 8: the stored pixels are turned so that this tag makes them upright.
    file_format : str
        ``"JPEG"``, ``"HEIC"`` or ``"PNG"`` (PNG: upright only).
    quality : int
        JPEG or HEIC quality, 1 to 100.

    Raises
    ------
    InputError
        Unknown format or orientation.

    Examples
    --------
    >>> import numpy as np
    >>> encode_photo(np.full((8, 8, 3), 128, np.uint8))[:2].hex()
    'ffd8'
    """
    if file_format not in FORMATS:
        raise InputError(f"file_format must be one of {', '.join(FORMATS)}, got {file_format!r}")
    if orientation not in _STORED or (file_format == "PNG" and orientation != 1):
        raise InputError(f"orientation must be 1 to 8 (PNG: 1), got {orientation!r}")
    image = Image.fromarray(picture)
    stored = _STORED[orientation]
    if stored is not None:
        image = image.transpose(stored)
    profile = icc_profile(DISPLAY_P3_TO_XYZ, "Display P3") if display_p3 else None
    exif = Image.Exif()
    if orientation != 1:
        exif[0x0112] = orientation
    target = io.BytesIO()
    if file_format == "PNG":
        image.save(target, "PNG", icc_profile=profile)
    elif file_format == "JPEG":
        image.save(target, "JPEG", quality=quality, icc_profile=profile, exif=exif.tobytes())
    else:
        import pillow_heif

        pillow_heif.register_heif_opener()
        image.save(target, "HEIF", quality=quality, icc_profile=profile, exif=exif.tobytes())
    return target.getvalue()


def icc_profile(to_xyz: FloatArray = SRGB_TO_XYZ, name: str = "sRGB") -> bytes:
    """Return a display profile of three primaries with the sRGB curve (ICC.1:2001-04, version 2.4).

    Parameters
    ----------
    to_xyz : array, shape (3, 3)
        Linear RGB to XYZ relative to D65.
    name : str
        Description stored in the profile.
    """
    colorants = (bradford_matrix(D65, D50) @ to_xyz).T
    codes = np.rint(65535.0 * srgb_to_linear_rgb(np.linspace(0.0, 1.0, 1024))).astype(">u2")
    curve = b"curv" + struct.pack(">II", 0, len(codes)) + codes.tobytes()
    text = name.encode("ascii")
    description = b"desc" + struct.pack(">II", 0, len(text) + 1) + text + b"\0" * 79
    tags = {
        b"desc": description,
        b"cprt": b"text\0\0\0\0No copyright\0",
        b"wtpt": _xyz_tag(D50),
        b"rXYZ": _xyz_tag(colorants[0]),
        b"gXYZ": _xyz_tag(colorants[1]),
        b"bXYZ": _xyz_tag(colorants[2]),
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    offset = 128 + 4 + 12 * len(tags)
    table, data, places = b"", b"", {}
    for key, body in tags.items():
        if body not in places:
            places[body] = offset + len(data)
            data += body + b"\0" * (-len(body) % 4)
        table += key + struct.pack(">II", places[body], len(body))
    head = struct.pack(">I4sI4s4s4s", offset + len(data), b"\0" * 4, 0x02400000, b"mntr", b"RGB ", b"XYZ ")
    head += struct.pack(">6H4s", 2026, 1, 1, 0, 0, 0, b"acsp") + b"\0" * 28
    head += struct.pack(">iii", *(round(65536 * float(value)) for value in D50))
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + data


def _xyz_tag(xyz: FloatArray) -> bytes:
    """Return an XYZ tag: three s15Fixed16 numbers."""
    return b"XYZ \0\0\0\0" + struct.pack(">iii", *(round(65536 * float(value)) for value in xyz))
