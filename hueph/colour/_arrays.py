"""What every colour function accepts: arrays whose last axis holds three channels."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hueph._types import AnyArray, FloatArray
from hueph.errors import InputError


def as_triplets(value: npt.ArrayLike, name: str) -> AnyArray:
    """Return `value` as float with a last axis of length 3; float32 stays float32, all else is float64.

    Raises
    ------
    InputError
        Not numbers, or the last axis is not of length 3.
    """
    array = as_floats(value, name)
    if array.ndim == 0 or array.shape[-1] != 3:
        raise InputError(f"{name} must have shape (..., 3), got {array.shape}")
    return array


def as_floats(value: npt.ArrayLike, name: str) -> AnyArray:
    """Return `value` as a float array; float32 stays float32, all else becomes float64.

    Raises
    ------
    InputError
        Not numbers.
    """
    try:
        array = np.asarray(value)
    except ValueError as error:
        raise InputError(f"{name} must be an array of numbers, got rows of different lengths") from error
    if array.dtype.kind not in "fiub":
        raise InputError(f"{name} must be an array of numbers, got {array.dtype}")
    return array if array.dtype == np.float32 else array.astype(np.float64)


def apply_matrix(values: AnyArray, matrix: FloatArray) -> AnyArray:
    """Multiply each triplet (last axis) by a 3 x 3 matrix, keeping the float width of the values."""
    # As one table: a stack of short ones would be multiplied one by one.
    result: AnyArray = values.reshape(-1, values.shape[-1]) @ matrix.T.astype(values.dtype)
    return result.reshape(*values.shape[:-1], len(matrix))
