"""Give memory back that the C library keeps after it was freed."""

from __future__ import annotations

import functools
from collections.abc import Callable

__all__ = ["hand_back"]


def hand_back() -> bool:
    """Have the C library return what it holds of freed memory to the system.

    Every thread that works on a picture may get a pool of its own, and pools do not shrink by themselves: over
    thousands of photographs on a busy machine a process grew by a third without keeping anything.

    Returns
    -------
    bool
        Whether this C library can be asked (glibc can; others keep no such pools, or shrink them alone).
    """
    trim = _trim()
    if trim is None:
        return False
    trim(0)
    return True


@functools.cache
def _trim() -> Callable[[int], int] | None:
    """Return glibc's malloc_trim, None with another C library."""
    import ctypes

    try:
        return ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):  # no such function; no such library; no None on Windows
        return None
