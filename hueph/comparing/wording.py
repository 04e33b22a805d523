"""Changes of pH in words: signs, digits, ranges."""

from __future__ import annotations

from hueph.interval import Interval, format_coverage

__all__ = ["digits_of", "range_text", "signed", "two_digits"]


def range_text(interval: Interval) -> str:
    """Write a range of changes: "-0.1 to +0.3, 95 %", "+4.8 or more, 95 %" or "-2.4 or lower, 95 %"."""
    digits, percent = digits_of(interval), format_coverage(interval.coverage)
    if interval.low is None and interval.high is not None:
        return f"{signed(interval.high, digits)} or lower, {percent}"
    if interval.high is None and interval.low is not None:
        return f"{signed(interval.low, digits)} or more, {percent}"
    assert interval.low is not None  # an interval has a limit
    assert interval.high is not None
    return f"{signed(interval.low, digits)} to {signed(interval.high, digits)}, {percent}"


def signed(value: float, digits: int = 1) -> str:
    """Write a change with its sign, never as minus nothing."""
    rounded = round(value, digits) + 0.0
    return f"{rounded:+.{digits}f}" if rounded else f"{0:.{digits}f}"


def digits_of(interval: Interval) -> int:
    return 2 if interval.width < 0.15 else 1


def two_digits(value: float) -> str:
    """Write a positive amount with two significant digits and no power of ten: 0.0031, 22, 1900."""
    text = f"{float(f'{value:.2g}'):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
