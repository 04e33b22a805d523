"""Type aliases shared by the whole package."""

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
