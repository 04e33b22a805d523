"""CAM16 colour appearance (forward) and the uniform space CAM16-UCS."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hueph._checks import check_array
from hueph._types import AnyArray, FloatArray
from hueph.colour._arrays import apply_matrix, as_triplets
from hueph.colour.srgb import D65
from hueph.errors import InputError

__all__ = ["Cam16", "xyz_to_cam16", "xyz_to_cam16_ucs"]

_TO_CONES = np.array(
    [
        [0.401288, 0.650173, -0.051461],
        [-0.250268, 1.204414, 0.045854],
        [-0.002079, 0.048952, 0.953127],
    ]
)

# Average surround: F, c and Nc.
_ADAPTATION, _SURROUND, _CHROMATIC_INDUCTION = 1.0, 0.69, 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Cam16:
    """Appearance of colours; every attribute has the shape of the colours without their last axis.

    Attributes
    ----------
    lightness, chroma : array
        J 0..100 and C.
    hue : array
        h, degrees, 0 <= h < 360.
    colourfulness, brightness : array
        M and Q.
    """

    lightness: AnyArray
    chroma: AnyArray
    hue: AnyArray
    colourfulness: AnyArray
    brightness: AnyArray


def xyz_to_cam16(
    xyz: npt.ArrayLike,
    white: npt.ArrayLike = D65,
    *,
    adapting_luminance: float = 63.66,
    background: float = 20.0,
) -> Cam16:
    """Return the appearance of colours in an average surround.

    Parameters
    ----------
    xyz : array, shape (..., 3)
        XYZ, white at Y = 1.
    white : array, shape (3,)
        XYZ of the white, Y = 1. Default: D65 from xy .3127 .3290.
    adapting_luminance : float
        Luminance of the surroundings, cd/m2. Default: a fifth of a white sheet at 1000 lux.
    background : float
        Luminance of the background, per cent of white.

    Returns
    -------
    Cam16
        J, C, h, M, Q.

    Raises
    ------
    InputError
        `xyz` does not end in an axis of three, or a condition is not above zero.

    References
    ----------
    .. [1] C. Li et al., "Comprehensive color solutions: CAM16, CAT16, and CAM16-UCS", Color Res. Appl. 42,
       703-718, 2017, doi:10.1002/col.22131.

    Examples
    --------
    >>> white = [0.9505, 1.0, 1.0888]
    >>> seen = xyz_to_cam16([0.1901, 0.2000, 0.2178], white, adapting_luminance=318.31)
    >>> round(float(seen.lightness), 4), round(float(seen.hue), 3)
    (41.7312, 217.068)
    """
    if not (adapting_luminance > 0.0 and background > 0.0):
        found = f"{adapting_luminance!r} and {background!r}"
        raise InputError(f"adapting_luminance and background must be above 0, got {found}")
    values = as_triplets(xyz, "xyz") * 100.0
    white_xyz = check_array(white, "white", (3,)) * 100.0
    white_cones = _TO_CONES @ white_xyz
    adapted = _ADAPTATION * (1.0 - math.exp((-adapting_luminance - 42.0) / 92.0) / 3.6)
    gains = adapted * white_xyz[1] / white_cones + 1.0 - adapted
    k = 1.0 / (5.0 * adapting_luminance + 1.0)
    luminance_level = k**4 * adapting_luminance
    luminance_level += 0.1 * (1.0 - k**4) ** 2 * math.cbrt(5.0 * adapting_luminance)
    n = background / float(white_xyz[1])
    induction = 0.725 * n**-0.2

    white_achromatic = float(_achromatic(_compressed(white_cones * gains, luminance_level), induction))
    gain_matrix: FloatArray = gains[:, np.newaxis] * _TO_CONES
    cones = _compressed(apply_matrix(values, gain_matrix), luminance_level)
    red, green, blue = cones[..., 0], cones[..., 1], cones[..., 2]
    a = red - 12.0 * green / 11.0 + blue / 11.0
    b = (red + green - 2.0 * blue) / 9.0
    hue = np.degrees(np.arctan2(b, a)) % 360.0
    eccentricity = 0.25 * (np.cos(np.radians(hue) + 2.0) + 3.8)
    relative = np.maximum(_achromatic(cones, induction) / white_achromatic, 0.0)
    lightness = 100.0 * relative ** (_SURROUND * (1.48 + math.sqrt(n)))
    root = np.sqrt(lightness / 100.0)
    brightness = 4.0 / _SURROUND * root * (white_achromatic + 4.0) * luminance_level**0.25
    strength = 50000.0 / 13.0 * _CHROMATIC_INDUCTION * induction * eccentricity * np.hypot(a, b)
    # The 0.305 is the noise term 0.1 of each cone, which the compressed cones here leave out.
    strength = strength / (red + green + 1.05 * blue + 0.305)
    chroma = strength**0.9 * root * (1.64 - 0.29**n) ** 0.73
    return Cam16(lightness, chroma, hue, chroma * luminance_level**0.25, brightness)


def xyz_to_cam16_ucs(
    xyz: npt.ArrayLike,
    white: npt.ArrayLike = D65,
    *,
    adapting_luminance: float = 63.66,
    background: float = 20.0,
) -> AnyArray:
    """Return CAM16-UCS coordinates, in which equal distances look about equally different.

    Parameters
    ----------
    xyz, white, adapting_luminance, background
        As `xyz_to_cam16`.

    Returns
    -------
    array, shape (..., 3)
        J' 0..100, a', b'.

    Raises
    ------
    InputError
        As `xyz_to_cam16`.

    Examples
    --------
    >>> xyz_to_cam16_ucs(D65).round(4)[0].item()
    100.0
    """
    seen = xyz_to_cam16(xyz, white, adapting_luminance=adapting_luminance, background=background)
    lightness = 1.7 * seen.lightness / (1.0 + 0.007 * seen.lightness)
    size = np.log1p(0.0228 * seen.colourfulness) / 0.0228
    hue = np.radians(seen.hue)
    result: AnyArray = np.stack([lightness, size * np.cos(hue), size * np.sin(hue)], axis=-1)
    return result


def _compressed(cones: AnyArray, luminance_level: float) -> AnyArray:
    """Return cone responses after the compression, without the constant 0.1; odd in its argument."""
    power = (luminance_level * np.abs(cones) / 100.0) ** 0.42
    result: AnyArray = np.sign(cones) * 400.0 * power / (power + 27.13)
    return result


def _achromatic(cones: AnyArray, induction: float) -> AnyArray:
    """Return the achromatic response; the noise terms of the published formula cancel."""
    result: AnyArray = (2.0 * cones[..., 0] + cones[..., 1] + cones[..., 2] / 20.0) * induction
    return result
