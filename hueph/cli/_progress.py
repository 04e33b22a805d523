"""A line of progress on standard error that leaves room for results on the same terminal."""

from __future__ import annotations

import shutil
import sys
import time

__all__ = ["Progress"]

BAR_WIDTH = 24


class Progress:
    """Progress over a known number of steps; silent when standard error is no terminal.

    Parameters
    ----------
    total : int
        Steps.
    what : str
        What is counted, for example "photographs".
    """

    def __init__(self, total: int, what: str) -> None:
        self._total = total
        self._what = what
        self._done = 0
        self._start = time.monotonic()
        self._shown = total > 1 and sys.stderr.isatty()

    def clear(self) -> None:
        """Take the line away, before something else is printed."""
        if self._shown:
            # Carriage return, then erase to the end of the line (ECMA-48).
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()

    def show(self) -> None:
        """Draw the line."""
        if self._shown:
            words = f"{self._done} of {self._total} {self._what}{self._left()}"
            columns = shutil.get_terminal_size().columns - 1  # a full line may move the cursor to the next
            sys.stderr.write(f"\r{self._bar(columns - len(words))}{words}"[: columns + 1] + "\x1b[K")
            sys.stderr.flush()

    def step(self) -> None:
        """Count one step as done."""
        self._done += 1

    def _bar(self, room: int) -> str:
        """Return a bar with a space behind it, or nothing where it does not fit: what is wrapped stays."""
        width = min(BAR_WIDTH, room - 3)
        if width < 4:
            return ""
        filled = width * self._done // self._total
        return f"[{'#' * filled}{'-' * (width - filled)}] "

    def _left(self) -> str:
        """Return the time still needed at the speed so far."""
        if not self._done:
            return ""
        seconds = (time.monotonic() - self._start) / self._done * (self._total - self._done)
        return f", {int(seconds) // 60}:{int(seconds) % 60:02d} left"
