"""Two stretches of work side by side: the picture libraries let go of the interpreter while they work."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

__all__ = ["side_by_side"]

One = TypeVar("One")
Other = TypeVar("Other")


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

    if cv2.getNumThreads() < 2:
        return one(), other()
    done: list[Other] = []
    failed: list[BaseException] = []

    def work() -> None:
        try:
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
