"""What the C library does with memory that was freed: keep it within a reading, give it back now and then."""

from __future__ import annotations

import functools
from collections.abc import Callable

__all__ = ["hand_back", "keep_for_next_step"]

# Bytes of the block that tells it; glibc learns from blocks of up to 32 MB.
_BLOCK = 30 * 2**20


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
def keep_for_next_step() -> None:
    """Have the C library keep the memory that one step of a reading frees for the next one.

    glibc returns freed memory at once beyond twice the largest block given back to it so far (mallopt(3), "dynamic
    mmap threshold"). Until it has seen a large one, every step of a reading asks the system for its pages
    again, a tenth of the time of a reading. So one is taken and given back, untouched. Elsewhere nothing happens.
    """
    import numpy as np

    np.empty(_BLOCK, dtype=np.uint8)


@functools.cache
def _trim() -> Callable[[int], int] | None:
    """Return glibc's malloc_trim, None with another C library."""
    import ctypes

    try:
        return ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):  # no such function; no such library; no None on Windows
        return None
