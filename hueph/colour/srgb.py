"""sRGB and Display P3: transfer function, primaries, and matrices to CIE XYZ.

Linear RGB is proportional to light, 0..1; "encoded" RGB is what a file stores, 0..1. XYZ has Y = 1
for white. Matrices are made from the chromaticities of primaries and white, not copied rounded.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hueph._checks import check_array
from hueph._types import AnyArray, FloatArray
from hueph.colour._arrays import apply_matrix, as_floats, as_triplets
from hueph.errors import InputError

__all__ = [
    "ADOBE_RGB_GAMMA",
    "ADOBE_RGB_PRIMARIES",
    "ADOBE_RGB_TO_XYZ",
    "D50",
    "D65",
    "DISPLAY_P3_PRIMARIES",
    "DISPLAY_P3_TO_XYZ",
    "SRGB_PRIMARIES",
    "SRGB_TO_XYZ",
    "XYZ_TO_SRGB",
    "linear_rgb_to_srgb",
    "linear_rgb_to_xyz",
    "primaries_to_xyz_matrix",
    "srgb_to_linear_rgb",
    "white_from_xy",
    "xyz_to_linear_rgb",
]

# IEC 61966-2-1: slope and end of the straight part near black, offset and exponent of the power part.
_SLOPE = 12.92
_DECODE_KNEE = 0.04045
_ENCODE_KNEE = 0.0031308
_OFFSET = 0.055
_EXPONENT = 2.4


def white_from_xy(x: float, y: float) -> FloatArray:
    """Return the XYZ of a white of chromaticity (x, y), Y = 1, shape (3,).

    Raises
    ------
    InputError
        `y` is not above zero.

    Examples
    --------
    >>> white_from_xy(0.3127, 0.3290).round(6).tolist()
    [0.950456, 1.0, 1.089058]
    """
    if not y > 0.0:
        raise InputError(f"the chromaticity y of a white must be above 0, got {y!r}")
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


# CIE 15 chromaticities of the two standard whites; XYZ with Y = 1.
D65 = white_from_xy(0.3127, 0.3290)
D50 = white_from_xy(0.3457, 0.3585)

# Chromaticities (x, y) of R, G, B. sRGB: IEC 61966-2-1; Display P3: SMPTE EG 432-1;
# Adobe RGB (1998): its specification, section 4.3.1.1 (from memory).
SRGB_PRIMARIES = np.array([[0.640, 0.330], [0.300, 0.600], [0.150, 0.060]])
DISPLAY_P3_PRIMARIES = np.array([[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]])
ADOBE_RGB_PRIMARIES = np.array([[0.640, 0.330], [0.210, 0.710], [0.150, 0.060]])

# Adobe RGB (1998) states its exponent as 2 + 51/256 (from memory; lcms and others use the same).
ADOBE_RGB_GAMMA = 2.0 + 51.0 / 256.0


def primaries_to_xyz_matrix(primaries: npt.ArrayLike, white: npt.ArrayLike = D65) -> FloatArray:
    """Return the matrix from linear RGB to XYZ for given primaries and white.

    Parameters
    ----------
    primaries : array, shape (3, 2)
        Chromaticities (x, y) of R, G and B.
    white : array, shape (3,)
        XYZ of R = G = B = 1, Y = 1. Default: D65 from xy .3127 .3290.

    Returns
    -------
    array, shape (3, 3)
        Columns are the XYZ of the primaries; rows sum to the white.

    Raises
    ------
    InputError
        Wrong shapes, or primaries that lie on one line.

    Notes
    -----
    The primaries' luminances follow from the demand that they add up to the white (SMPTE RP 177).

    Examples
    --------
    >>> primaries_to_xyz_matrix(SRGB_PRIMARIES).round(6)[1].tolist()
    [0.212639, 0.715169, 0.072192]
    """
    xy = check_array(primaries, "primaries", (3, 2))
    target = check_array(white, "white", (3,))
    columns = np.column_stack([xy, 1.0 - xy.sum(axis=1)]).T
    try:
        amounts = np.linalg.solve(columns, target)
    except np.linalg.LinAlgError as error:
        raise InputError("the three primaries must not lie on one line of the chromaticity chart") from error
    return np.asarray(columns * amounts, dtype=np.float64)


SRGB_TO_XYZ = primaries_to_xyz_matrix(SRGB_PRIMARIES)
XYZ_TO_SRGB: FloatArray = np.asarray(np.linalg.inv(SRGB_TO_XYZ), dtype=np.float64)
DISPLAY_P3_TO_XYZ = primaries_to_xyz_matrix(DISPLAY_P3_PRIMARIES)
ADOBE_RGB_TO_XYZ = primaries_to_xyz_matrix(ADOBE_RGB_PRIMARIES)


def srgb_to_linear_rgb(srgb: npt.ArrayLike) -> AnyArray:
    """Turn encoded sRGB (or Display P3: same curve) into linear light.

    Parameters
    ----------
    srgb : array, any shape
        Encoded values, 0..1. Values below 0 are mirrored, above 1 follow the power curve.

    Returns
    -------
    array, same shape
        Linear light, 0..1; float32 for float32 input, else float64.

    Raises
    ------
    InputError
        `srgb` does not hold numbers.

    Notes
    -----
    IEC 61966-2-1:1999: C / 12.92 up to 0.04045, else ((C + 0.055) / 1.055) ** 2.4.

    Examples
    --------
    >>> round(float(srgb_to_linear_rgb(0.5)), 8)
    0.21404114
    """
    encoded = as_floats(srgb, "srgb")
    size = np.abs(encoded)
    power = ((size + _OFFSET) / (1.0 + _OFFSET)) ** _EXPONENT
    result: AnyArray = np.copysign(np.where(size <= _DECODE_KNEE, size / _SLOPE, power), encoded)
    return result


def linear_rgb_to_srgb(linear: npt.ArrayLike) -> AnyArray:
    """Turn linear light into encoded sRGB (or Display P3: same curve); inverse of `srgb_to_linear_rgb`.

    Parameters
    ----------
    linear : array, any shape
        Linear light, 0..1. Values below 0 are mirrored; nothing is clipped.

    Returns
    -------
    array, same shape
        Encoded values, 0..1; float32 for float32 input, else float64.

    Raises
    ------
    InputError
        `linear` does not hold numbers.

    Examples
    --------
    >>> round(float(linear_rgb_to_srgb(0.21404114)), 6)
    0.5
    """
    light = as_floats(linear, "linear")
    size = np.abs(light)
    power = (1.0 + _OFFSET) * size ** (1.0 / _EXPONENT) - _OFFSET
    result: AnyArray = np.copysign(np.where(size <= _ENCODE_KNEE, size * _SLOPE, power), light)
    return result


def linear_rgb_to_xyz(linear: npt.ArrayLike, matrix: FloatArray = SRGB_TO_XYZ) -> AnyArray:
    """Turn linear RGB into XYZ.

    Parameters
    ----------
    linear : array, shape (..., 3)
        Linear R, G, B, 0..1.
    matrix : array, shape (3, 3)
        Default: sRGB, so XYZ relative to D65.

    Returns
    -------
    array, shape (..., 3)
        XYZ, white at Y = 1.

    Raises
    ------
    InputError
        `linear` does not end in an axis of three.

    Examples
    --------
    >>> linear_rgb_to_xyz([1.0, 1.0, 1.0]).round(6).tolist()
    [0.950456, 1.0, 1.089058]
    """
    return apply_matrix(as_triplets(linear, "linear"), matrix)


def xyz_to_linear_rgb(xyz: npt.ArrayLike, matrix: FloatArray = SRGB_TO_XYZ) -> AnyArray:
    """Turn XYZ into linear RGB; inverse of `linear_rgb_to_xyz`. Colours outside the space are not clipped.

    Parameters
    ----------
    xyz : array, shape (..., 3)
        XYZ, white at Y = 1.
    matrix : array, shape (3, 3)
        The space's linear RGB to XYZ. Default: sRGB.

    Returns
    -------
    array, shape (..., 3)
        Linear R, G, B.

    Raises
    ------
    InputError
        `xyz` does not end in an axis of three.

    Examples
    --------
    >>> xyz_to_linear_rgb(D65).round(6).tolist()
    [1.0, 1.0, 1.0]
    """
    return apply_matrix(as_triplets(xyz, "xyz"), np.asarray(np.linalg.inv(matrix)))
