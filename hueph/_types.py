"""Type aliases shared by the whole package, and the step from arrays to plain numbers."""

from __future__ import annotations

import os
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

FloatArray: TypeAlias = npt.NDArray[np.float64]
Float32Array: TypeAlias = npt.NDArray[np.float32]
BoolArray: TypeAlias = npt.NDArray[np.bool_]
UInt8Array: TypeAlias = npt.NDArray[np.uint8]
IntArray: TypeAlias = npt.NDArray[np.intp]
AnyArray: TypeAlias = npt.NDArray[Any]
PathLike: TypeAlias = str | os.PathLike[str]


def triple(values: FloatArray) -> tuple[float, float, float]:
    """Return a colour as three plain numbers."""
    first, second, third = values.tolist()
    return float(first), float(second), float(third)
