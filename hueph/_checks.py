"""Argument checks shared by public functions: name, rule, what was found."""

from __future__ import annotations

import math
import os

import numpy as np
import numpy.typing as npt

from hueph._types import FloatArray
from hueph.errors import InputError


def check_array(value: npt.ArrayLike, name: str, shape: tuple[int | None, ...]) -> FloatArray:
    """Return `value` as float64 with the asked shape (None = any length).

    Raises
    ------
    InputError
        Wrong number of axes, wrong length along one, or not numbers.
    """
    try:
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InputError(f"{name} must be an array of numbers, got {type(value).__name__}") from error
    fits = array.ndim == len(shape) and all(
        want is None or want == got for want, got in zip(shape, array.shape, strict=True)
    )
    if not fits:
        rule = "(" + ", ".join("n" if want is None else str(want) for want in shape) + ")"
        raise InputError(f"{name} must have shape {rule}, got {array.shape}")
    return array


def check_listed(value: object, name: str) -> None:
    """Refuse one name where a sequence of names is meant: its letters would be taken for them.

    Raises
    ------
    InputError
        A text or a path.
    """
    if isinstance(value, str | bytes | os.PathLike):
        raise InputError(
            f"{name} must be a sequence, got the one name {os.fspath(value)!r}; put it into a list"
        )


def check_coverage(coverage: float) -> float:
    """Return `coverage` when it is a usable probability.

    Raises
    ------
    InputError
        Not between 0 and 1, both excluded.
    """
    if not (math.isfinite(coverage) and 0.0 < coverage < 1.0):
        raise InputError(f"coverage must be above 0 and below 1, for example 0.95, got {coverage!r}")
    return float(coverage)
