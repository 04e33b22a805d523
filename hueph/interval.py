"""An interval with its coverage, and the one place that decides printed digits."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hueph.errors import InputError

__all__ = ["Interval", "format_ph"]


@dataclass(frozen=True, slots=True)
class Interval:
    """A range that holds the true value with probability `coverage`.

    Attributes
    ----------
    low, high : float or None
        Limits (None = open on that side). At most one may be None.
    coverage : float
        Probability, above 0 and below 1.
    """

    low: float | None
    high: float | None
    coverage: float

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise InputError("an interval must have at least one limit, got none")
        if self.low is not None and self.high is not None and not self.low <= self.high:
            raise InputError(f"an interval must run from low to high, got {self.low} to {self.high}")

    @property
    def width(self) -> float:
        """Length of the interval (infinite when one side is open)."""
        if self.low is None or self.high is None:
            return math.inf
        return self.high - self.low

    def contains(self, value: float) -> bool:
        """Say whether `value` lies inside (limits included)."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)

    def __str__(self) -> str:
        percent = f"{100 * self.coverage:.3g} %"
        digits = 2 if self.width < 0.15 else 1
        if self.low is None and self.high is not None:
            return f"{format_ph(self.high, digits)} or lower, {percent}"
        if self.high is None and self.low is not None:
            return f"{format_ph(self.low, digits)} or higher, {percent}"
        assert self.low is not None
        assert self.high is not None
        return f"{format_ph(self.low, digits)} to {format_ph(self.high, digits)}, {percent}"


def format_ph(value: float, digits: int = 1) -> str:
    """Return a pH with a fixed number of decimals (two when the range is narrower than 0.15)."""
    return f"{value:.{digits}f}"
