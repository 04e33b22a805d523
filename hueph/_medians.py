"""Medians and quantiles of many rows of numbers, several times as fast as numpy's own."""

from __future__ import annotations

import numpy as np

from hueph._types import AnyArray

__all__ = ["medians", "quantiles"]


def medians(values: AnyArray) -> AnyArray:
    """Return the median along the last axis.

    `numpy.partition` has a fast path for one rank at a time, which `numpy.median` leaves for an even
    count. Unlike there, not-a-number is not looked for.

    Parameters
    ----------
    values : array, shape (..., n)
        Floating point, n at least 1; quickest when the last axis is contiguous.

    Returns
    -------
    array, shape (...)

    Examples
    --------
    >>> import numpy as np
    >>> medians(np.array([[3.0, 1.0, 2.0], [5.0, 5.0, 9.0]])).tolist()
    [2.0, 5.0]
    >>> medians(np.array([4.0, 1.0, 2.0, 9.0])).tolist()
    3.0
    """
    count = values.shape[-1]
    middle = count // 2
    parted = np.partition(values, middle, axis=-1)
    upper: AnyArray = parted[..., middle]
    if count % 2:
        return upper
    lower: AnyArray = parted[..., :middle].max(axis=-1)
    return np.asarray((lower + upper) / 2, dtype=values.dtype)


def quantiles(values: AnyArray, share: float) -> AnyArray:
    """Return the quantile along the last axis, linear between neighbours as in `numpy.quantile`.

    Parameters
    ----------
    values : array, shape (..., n)
        Floating point, n at least 1, no not-a-number; quickest when the last axis is contiguous.
    share : float
        0..1.

    Returns
    -------
    array, shape (...)

    Examples
    --------
    >>> import numpy as np
    >>> quantiles(np.array([4.0, 1.0, 2.0, 9.0]), 0.5).tolist()
    3.0
    """
    place = share * (values.shape[-1] - 1)
    below = int(place)
    parted = np.partition(values, below, axis=-1)
    low: AnyArray = parted[..., below]
    if place == below:
        return low
    high: AnyArray = parted[..., below + 1 :].min(axis=-1)
    return np.asarray(low + (high - low) * (place - below), dtype=values.dtype)
