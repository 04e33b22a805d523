"""CIELAB, LCh and Oklab.

CIELAB is relative to a white that is always an argument; Oklab is defined for D65 only.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hueph._checks import check_array
from hueph._types import AnyArray, FloatArray
from hueph.colour._arrays import apply_matrix, as_triplets
from hueph.colour.srgb import D65

__all__ = [
    "lab_to_lch",
    "lab_to_xyz",
    "lch_to_lab",
    "linear_rgb_to_oklab",
    "oklab_to_linear_rgb",
    "oklab_to_xyz",
    "xyz_to_lab",
    "xyz_to_oklab",
]

# CIE 15: below (6/29)^3 the cube root is replaced by its tangent.
_DELTA = 6.0 / 29.0

# Ottosson, "A perceptual color space for image processing" (2020): XYZ (D65) to cone-like responses,
# and their cube roots to L, a, b.
_OKLAB_M1 = np.array(
    [
        [0.8189330101, 0.3618667424, -0.1288597137],
        [0.0329845436, 0.9293118715, 0.0361456387],
        [0.0482003018, 0.2643662691, 0.6338517070],
    ]
)
_OKLAB_M2 = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
# The same author's direct matrix from linear sRGB (not quite the product of M1 and the sRGB matrix).
_OKLAB_FROM_SRGB = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_OKLAB_M1_INVERSE: FloatArray = np.linalg.inv(_OKLAB_M1)
_OKLAB_M2_INVERSE: FloatArray = np.linalg.inv(_OKLAB_M2)
_OKLAB_TO_SRGB: FloatArray = np.linalg.inv(_OKLAB_FROM_SRGB)


def xyz_to_lab(xyz: npt.ArrayLike, white: npt.ArrayLike = D65) -> AnyArray:
    """Turn XYZ into CIELAB.

    Parameters
    ----------
    xyz : array, shape (..., 3)
        XYZ on the same scale as `white`.
    white : array, shape (3,)
        XYZ of the white. Default: D65 from xy .3127 .3290, Y = 1, 2 degree observer.

    Returns
    -------
    array, shape (..., 3)
        L* 0..100, a*, b*.

    Raises
    ------
    InputError
        `xyz` does not end in an axis of three, or `white` is not a triplet.

    Notes
    -----
    CIE 15:2004, section 8.2.1. Values below black follow the straight part.

    Examples
    --------
    >>> xyz_to_lab([0.20654008, 0.12197225, 0.05136952]).round(4).tolist()
    [41.5279, 52.6386, 26.9232]
    """
    values = as_triplets(xyz, "xyz")
    ratio = values / check_array(white, "white", (3,)).astype(values.dtype)
    f = np.where(ratio > _DELTA**3, np.cbrt(ratio), ratio / (3.0 * _DELTA**2) + 4.0 / 29.0)
    lightness = 116.0 * f[..., 1] - 16.0
    result: AnyArray = np.stack(
        [lightness, 500.0 * (f[..., 0] - f[..., 1]), 200.0 * (f[..., 1] - f[..., 2])], axis=-1
    )
    return result


def lab_to_xyz(lab: npt.ArrayLike, white: npt.ArrayLike = D65) -> AnyArray:
    """Turn CIELAB into XYZ; inverse of `xyz_to_lab`.

    Parameters
    ----------
    lab : array, shape (..., 3)
        L* 0..100, a*, b*.
    white : array, shape (3,)
        XYZ of the white. Default: D65 from xy .3127 .3290, Y = 1.

    Returns
    -------
    array, shape (..., 3)
        XYZ on the scale of `white`.

    Raises
    ------
    InputError
        `lab` does not end in an axis of three, or `white` is not a triplet.

    Examples
    --------
    >>> lab_to_xyz([100.0, 0.0, 0.0]).round(6).tolist()
    [0.950456, 1.0, 1.089058]
    """
    values = as_triplets(lab, "lab")
    fy = (values[..., 0] + 16.0) / 116.0
    f = np.stack([fy + values[..., 1] / 500.0, fy, fy - values[..., 2] / 200.0], axis=-1)
    ratio = np.where(f > _DELTA, f**3, 3.0 * _DELTA**2 * (f - 4.0 / 29.0))
    result: AnyArray = ratio * check_array(white, "white", (3,)).astype(values.dtype)
    return result


def lab_to_lch(lab: npt.ArrayLike) -> AnyArray:
    """Turn L, a, b (CIELAB or Oklab) into lightness, chroma and hue angle.

    Parameters
    ----------
    lab : array, shape (..., 3)
        L, a, b.

    Returns
    -------
    array, shape (..., 3)
        L, C, h with h in degrees, 0 <= h < 360.

    Raises
    ------
    InputError
        `lab` does not end in an axis of three.

    Examples
    --------
    >>> lab_to_lch([50.0, 0.0, -3.0]).tolist()
    [50.0, 3.0, 270.0]
    """
    values = as_triplets(lab, "lab")
    chroma = np.hypot(values[..., 1], values[..., 2])
    hue = np.degrees(np.arctan2(values[..., 2], values[..., 1])) % 360.0
    # A tiny negative angle rounds up to 360 itself.
    hue = np.where(hue >= 360.0, np.zeros_like(hue), hue)
    result: AnyArray = np.stack([values[..., 0], chroma, hue], axis=-1)
    return result


def lch_to_lab(lch: npt.ArrayLike) -> AnyArray:
    """Turn lightness, chroma and hue angle into L, a, b; inverse of `lab_to_lch`.

    Parameters
    ----------
    lch : array, shape (..., 3)
        L, C, h with h in degrees.

    Returns
    -------
    array, shape (..., 3)
        L, a, b.

    Raises
    ------
    InputError
        `lch` does not end in an axis of three.

    Examples
    --------
    >>> lch_to_lab([50.0, 3.0, 270.0]).round(12).tolist()
    [50.0, -0.0, -3.0]
    """
    values = as_triplets(lch, "lch")
    hue = np.radians(values[..., 2])
    chroma = values[..., 1]
    result: AnyArray = np.stack([values[..., 0], chroma * np.cos(hue), chroma * np.sin(hue)], axis=-1)
    return result


def xyz_to_oklab(xyz: npt.ArrayLike) -> AnyArray:
    """Turn XYZ relative to D65 into Oklab.

    Parameters
    ----------
    xyz : array, shape (..., 3)
        XYZ, white D65 at Y = 1.

    Returns
    -------
    array, shape (..., 3)
        L 0..1, a, b.

    Raises
    ------
    InputError
        `xyz` does not end in an axis of three.

    References
    ----------
    .. [1] B. Ottosson, "A perceptual color space for image processing", 2020.

    Examples
    --------
    >>> xyz_to_oklab([0.20654008, 0.12197225, 0.05136952]).round(6).tolist()
    [0.51634, 0.154695, 0.062896]
    """
    return apply_matrix(np.cbrt(apply_matrix(as_triplets(xyz, "xyz"), _OKLAB_M1)), _OKLAB_M2)


def oklab_to_xyz(oklab: npt.ArrayLike) -> AnyArray:
    """Turn Oklab into XYZ relative to D65; inverse of `xyz_to_oklab`.

    Parameters
    ----------
    oklab : array, shape (..., 3)
        L 0..1, a, b.

    Returns
    -------
    array, shape (..., 3)
        XYZ, white D65 at Y = 1.

    Raises
    ------
    InputError
        `oklab` does not end in an axis of three.

    Examples
    --------
    >>> oklab_to_xyz([0.51634019, 0.154695, 0.06289579]).round(6).tolist()
    [0.20654, 0.121972, 0.05137]
    """
    return apply_matrix(apply_matrix(as_triplets(oklab, "oklab"), _OKLAB_M2_INVERSE) ** 3, _OKLAB_M1_INVERSE)


def linear_rgb_to_oklab(linear: npt.ArrayLike) -> AnyArray:
    """Turn linear sRGB into Oklab with the author's direct matrix.

    Parameters
    ----------
    linear : array, shape (..., 3)
        Linear sRGB, 0..1; values out of range are allowed.

    Returns
    -------
    array, shape (..., 3)
        L 0..1, a, b; exactly neutral for R = G = B.

    Raises
    ------
    InputError
        `linear` does not end in an axis of three.

    Examples
    --------
    >>> linear_rgb_to_oklab([1.0, 0.0, 0.0]).round(6).tolist()
    [0.627955, 0.224863, 0.125846]
    """
    return apply_matrix(np.cbrt(apply_matrix(as_triplets(linear, "linear"), _OKLAB_FROM_SRGB)), _OKLAB_M2)


def oklab_to_linear_rgb(oklab: npt.ArrayLike) -> AnyArray:
    """Turn Oklab into linear sRGB; inverse of `linear_rgb_to_oklab`.

    Parameters
    ----------
    oklab : array, shape (..., 3)
        L 0..1, a, b.

    Returns
    -------
    array, shape (..., 3)
        Linear sRGB; not clipped.

    Raises
    ------
    InputError
        `oklab` does not end in an axis of three.

    Examples
    --------
    >>> oklab_to_linear_rgb([1.0, 0.0, 0.0]).round(6).tolist()
    [1.0, 1.0, 1.0]
    """
    return apply_matrix(apply_matrix(as_triplets(oklab, "oklab"), _OKLAB_M2_INVERSE) ** 3, _OKLAB_TO_SRGB)
