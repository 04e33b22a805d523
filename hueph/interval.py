"""An interval with its coverage, and the one place that decides printed digits."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hueph._checks import check_coverage
from hueph.errors import InputError

__all__ = ["Interval", "format_coverage", "format_ph"]


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
        check_coverage(self.coverage)
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
        percent = format_coverage(self.coverage)
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
    # Adding 0 turns a rounded minus nothing into nothing.
    return f"{round(float(value), digits) + 0.0:.{digits}f}"


def format_coverage(coverage: float) -> str:
    """Return a probability in per cent: three digits, or as many more as keep it from reading 100 %.

    Examples
    --------
    >>> format_coverage(0.95), format_coverage(0.9999)
    ('95 %', '99.99 %')
    """
    texts = (f"{100 * coverage:.{digits}g}" for digits in range(3, 18))
    return next((text for text in texts if float(text) < 100.0), "100") + " %"
