"""Two stretches of work side by side: the picture libraries let go of the interpreter while they work."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

__all__ = ["side_by_side"]

One = TypeVar("One")
Other = TypeVar("Other")

# Where Linux says on which core a thread runs: field 39 of its status, counted behind the name, which is field 2.
_STATUS, _CORE = Path("/proc/thread-self/stat"), 39 - 3


def side_by_side(one: Callable[[], One], other: Callable[[], Other]) -> tuple[One, Other]:
    """Return what both give, worked out at the same time where there is a core for each.

    With OpenCV held to one thread, as in worker processes, they run one after the other. A thread is
    made for each call: a kept one would be missing in a forked process.

    Raises
    ------
    Exception
        What either raises; of two, the first one's.
    """
    import cv2

    cores, others = _cores()
    if cv2.getNumThreads() < 2 or (cores and not others):
        return one(), other()
    done: list[Other] = []
    failed: list[BaseException] = []

    def work() -> None:
        try:
            _move(cores, others)
            done.append(other())
        except BaseException as error:  # handed on below
            failed.append(error)

    thread = threading.Thread(target=work, name="hueph-side", daemon=True)
    thread.start()
    try:
        first = one()
    finally:
        thread.join()
    if failed:
        raise failed[0]
    return first, done[0]


def _cores() -> tuple[set[int], set[int]]:
    """Return the cores this process may use, and those of them the calling thread is not on; empty when not known."""
    if sys.platform != "linux":
        return set(), set()
    try:
        cores = os.sched_getaffinity(0)
        here = int(_STATUS.read_text().rpartition(")")[2].split()[_CORE])
    except (OSError, ValueError, IndexError):
        return set(), set()
    return cores, cores - {here}


def _move(cores: set[int], others: set[int]) -> None:
    """Send the calling thread to another core, without binding it there.

    Left alone, a new thread is often kept waiting behind the one that made it, for longer than it has to
    live, while another core is idle.
    """
    if sys.platform == "linux" and others:
        # Where that is not allowed, or the cores have just been taken away, it stays where it is.
        with contextlib.suppress(OSError):
            os.sched_setaffinity(0, others)
            os.sched_setaffinity(0, cores)
