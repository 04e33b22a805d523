"""Colour differences."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hueph._types import AnyArray
from hueph.colour._arrays import as_triplets
from hueph.errors import InputError

__all__ = ["delta_e_cie2000"]

_POW_25_7 = 25.0**7


def delta_e_cie2000(lab_1: npt.ArrayLike, lab_2: npt.ArrayLike) -> AnyArray:
    """Return the CIEDE2000 colour difference with kL = kC = kH = 1.

    Parameters
    ----------
    lab_1, lab_2 : array, shape (..., 3)
        CIELAB under the same white; L* 0..100; shapes broadcast.

    Returns
    -------
    array, shape (...)
        Difference, 0 or more; about 1 is just noticeable. Symmetric in its arguments.

    Raises
    ------
    InputError
        An array does not end in an axis of three, or the shapes do not broadcast.

    Notes
    -----
    Equations (2) to (22) of [1]_, including its rules for hue angles on either side of 0 degrees and
    for greys. The difference is not continuous where the hues are 180 degrees apart.

    References
    ----------
    .. [1] G. Sharma, W. Wu, E.N. Dalal, "The CIEDE2000 color-difference formula: implementation notes,
       supplementary test data, and mathematical observations", Color Res. Appl. 30(1), 21-30, 2005,
       doi:10.1002/col.20070.

    Examples
    --------
    >>> round(float(delta_e_cie2000([50.0, 2.6772, -79.7751], [50.0, 0.0, -82.7485])), 4)
    2.0425
    """
    first = as_triplets(lab_1, "lab_1")
    second = as_triplets(lab_2, "lab_2")
    try:
        np.broadcast_shapes(first.shape, second.shape)
    except ValueError as error:
        raise InputError(f"lab_1 and lab_2 must broadcast, got {first.shape} and {second.shape}") from error
    chroma_mean = 0.5 * (np.hypot(first[..., 1], first[..., 2]) + np.hypot(second[..., 1], second[..., 2]))
    # Blue-grey a* axes are stretched so that greys come out even, equations (4) and (5).
    stretch = 1.0 + 0.5 * (1.0 - _saturation(chroma_mean))
    a_1, a_2 = stretch * first[..., 1], stretch * second[..., 1]
    c_1, c_2 = np.hypot(a_1, first[..., 2]), np.hypot(a_2, second[..., 2])
    h_1 = np.degrees(np.arctan2(first[..., 2], a_1)) % 360.0
    h_2 = np.degrees(np.arctan2(second[..., 2], a_2)) % 360.0
    is_grey = c_1 * c_2 == 0.0

    step = h_2 - h_1
    step = np.where(step > 180.0, step - 360.0, np.where(step < -180.0, step + 360.0, step))
    step = np.where(is_grey, np.zeros_like(step), step)
    d_lightness = second[..., 0] - first[..., 0]
    d_chroma = c_2 - c_1
    d_hue = 2.0 * np.sqrt(c_1 * c_2) * np.sin(np.radians(step / 2.0))

    hue_sum = h_1 + h_2
    turned = np.where(hue_sum < 360.0, (hue_sum + 360.0) / 2.0, (hue_sum - 360.0) / 2.0)
    hue_mean = np.where(is_grey, hue_sum, np.where(np.abs(h_1 - h_2) <= 180.0, hue_sum / 2.0, turned))
    lightness_mean = 0.5 * (first[..., 0] + second[..., 0])
    c_mean = 0.5 * (c_1 + c_2)

    away_from_50 = (lightness_mean - 50.0) ** 2
    s_lightness = 1.0 + 0.015 * away_from_50 / np.sqrt(20.0 + away_from_50)
    s_chroma = 1.0 + 0.045 * c_mean
    s_hue = 1.0 + 0.015 * c_mean * _hue_weight(hue_mean)
    spread = 30.0 * np.exp(-(((hue_mean - 275.0) / 25.0) ** 2))
    rotation = -np.sin(np.radians(2.0 * spread)) * 2.0 * _saturation(c_mean)

    l_term, c_term, h_term = d_lightness / s_lightness, d_chroma / s_chroma, d_hue / s_hue
    square = l_term**2 + c_term**2 + h_term**2 + rotation * c_term * h_term
    # The rotation term can take the sum a rounding error below zero.
    result: AnyArray = np.sqrt(np.maximum(square, 0.0))
    return result


def _saturation(chroma: AnyArray) -> AnyArray:
    """Return sqrt(C^7 / (C^7 + 25^7)), equations (4) and (16)."""
    power = chroma**7
    result: AnyArray = np.sqrt(power / (power + _POW_25_7))
    return result


def _hue_weight(hue: AnyArray) -> AnyArray:
    """Return T of equation (15); hue in degrees."""
    result: AnyArray = (
        1.0
        - 0.17 * np.cos(np.radians(hue - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * hue))
        + 0.32 * np.cos(np.radians(3.0 * hue + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * hue - 63.0))
    )
    return result
