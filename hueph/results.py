"""What reading a photograph gives: one `Reading` a tube, one `PhotoReadings` a photograph."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from hueph._types import FloatArray
from hueph.interval import Interval, format_ph

__all__ = ["ExpectedComparison", "PatchReading", "PhotoReadings", "Reading"]

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class ExpectedComparison:
    """A reading beside the pH its recipe gives (see `hueph.expecting`).

    Attributes
    ----------
    verdict : str
        "agree", "lower" or "higher" (than expected), or "cannot-compare".
    step, source : str
        Step of the recipe, and the recipe's file name.
    ph, ph_std : float
        Expected pH and its standard uncertainty (k = 1).
    interval : Interval
        Range of the expected pH.
    difference : float or None
        Median of reading minus expected; None for a reading without a value.
    difference_interval : Interval or None
        Range of the difference, both uncertainties joined; open on one side beyond the chart.
    joint_std : float or None
        Standard uncertainty of the difference (k = 1); None for a reading without a value.
    causes : tuple of str
        What may lie behind a difference, the likeliest first.
    note : str
        Why it cannot be compared, or what "agree" means here; "" when there is nothing to add.
    """

    verdict: str
    step: str
    source: str
    ph: float
    ph_std: float
    interval: Interval
    difference: float | None = None
    difference_interval: Interval | None = None
    joint_std: float | None = None
    causes: tuple[str, ...] = ()
    note: str = ""

    def __str__(self) -> str:
        digits = 2 if self.interval.width < 0.15 else 1
        known = f"{format_ph(self.ph, digits)} ({self.interval}; {self.step} of {self.source})"
        return f"expected {known}: {self.outcome}"

    @property
    def outcome(self) -> str:
        """The verdict with its amount, in words."""
        if self.verdict == "cannot-compare":
            return f"cannot be compared, {self.note}"
        note = f", {self.note}" if self.note else ""
        if self.verdict == "agree":
            return f"agrees{self._amount()}{note}"
        return f"reads {self.verdict}{self._amount()}{note}"

    def _amount(self) -> str:
        """Return the difference with its range; unsigned where the verdict says the direction."""
        spread = self.difference_interval
        if spread is None:
            return ""
        low, high = spread.low, spread.high
        if low is None or high is None:
            limit = high if low is None else low
            assert limit is not None  # an interval has a limit
            return "" if self.verdict == "agree" else f" by {abs(limit):.1f} or more"
        digits = 2 if spread.width < 0.15 else 1
        if self.verdict == "agree":
            # Adding 0 turns a rounded minus nothing into nothing.
            ends = f"{round(low, digits) + 0.0:+.{digits}f} to {round(high, digits) + 0.0:+.{digits}f}"
            middle = "" if self.difference is None else f" {round(self.difference, digits) + 0.0:+.{digits}f}"
            return f" (difference{middle}, {ends})" if middle else f" (difference {ends})"
        near, far = sorted((abs(low), abs(high)))
        ends = f"{near:.{digits}f} to {far:.{digits}f}"
        return f" by {ends}" if self.difference is None else f" by {abs(self.difference):.{digits}f} ({ends})"

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form."""
        spread = self.difference_interval
        return {
            "verdict": self.verdict,
            "step": self.step,
            "source": self.source,
            "ph": round(self.ph, 3),
            "ph_std": round(self.ph_std, 4),
            "range": _limits(self.interval),
            "coverage": self.interval.coverage,
            "difference": None if self.difference is None else round(self.difference, 3),
            "difference_range": None if spread is None else _limits(spread),
            "joint_std": None if self.joint_std is None else round(self.joint_std, 4),
            "causes": list(self.causes),
            "note": self.note,
        }


def _limits(interval: Interval) -> list[float | None]:
    """Return both limits, rounded for JSON."""
    return [None if limit is None else round(limit, 3) for limit in (interval.low, interval.high)]


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """pH read from one tube, with everything needed to judge it.

    Attributes
    ----------
    tube : int
        1 for the leftmost.
    liquid, core : points
        Corner points (x, y), pixels of the full upright picture.
    ph, ph_std : float or None
        Median and standard deviation (k = 1) of the posterior; None when no value may be stated.
    interval : Interval or None
        Range of the asked coverage; open on one side beyond the chart.
    bound : str or None
        "below" or "above" when the colour lies beyond that end of the chart.
    flags : tuple of str
        Names from `hueph.flags`, sorted.
    lab : tuple of float
        Corrected colour of the liquid, CIELAB D65, relative to the paper as white.
    delta_e : float or None
        CIEDE2000 distance from the chart's range of colours.
    grid, posterior : array, shape (m,)
        pH grid and probability density on it (empty when nothing was estimated).
    budget : dict
        Contribution of each source to `ph_std`, pH units.
    expected : ExpectedComparison or None
        Comparison with the pH of a recipe, when one was asked for.
    """

    tube: int
    liquid: Points
    core: Points
    ph: float | None
    ph_std: float | None
    interval: Interval | None
    bound: str | None
    flags: tuple[str, ...]
    lab: tuple[float, float, float]
    delta_e: float | None
    grid: FloatArray
    posterior: FloatArray
    budget: dict[str, float] = field(default_factory=dict)
    expected: ExpectedComparison | None = None

    def __str__(self) -> str:
        if self.interval is None:
            return f"tube {self.tube}  no reading: {', '.join(self.flags)}"
        if self.ph is None:
            return f"tube {self.tube}  pH {self.interval}"
        digits = 2 if self.interval.width < 0.15 else 1
        return f"tube {self.tube}  pH {format_ph(self.ph, digits)} ({self.interval})"

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form that the contract documents; "budget" and "expected" only when asked for."""
        known: dict[str, Any] = {
            "tube": self.tube,
            "liquid": [[round(x, 1), round(y, 1)] for x, y in self.liquid],
            "ph": None if self.ph is None else round(self.ph, 3),
            "range": None if self.interval is None else _limits(self.interval),
            "coverage": None if self.interval is None else self.interval.coverage,
            "bound": self.bound,
            "flags": list(self.flags),
            "lab": [round(value, 2) for value in self.lab],
            "delta_e": None if self.delta_e is None else round(self.delta_e, 2),
        }
        if self.budget:
            known["budget"] = {source: round(value, 4) for source, value in self.budget.items()}
        if self.expected is not None:
            known["expected"] = self.expected.to_dict()
        return known


@dataclass(frozen=True, slots=True)
class PatchReading:
    """One patch of the strip as found.

    Attributes
    ----------
    ph : float
    corners : points
        Pixels of the full upright picture.
    colour : tuple of float or None
        Over the card's paper, linear light in the picture's own primaries; None for a patch that
        could not be used.
    """

    ph: float
    corners: Points
    colour: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PhotoReadings:
    """Everything read from one photograph.

    Attributes
    ----------
    file, sha256, width, height : the photograph (full upright size, pixels)
    chart_name, chart_sha256 : the chart used
    patches : tuple of PatchReading
        Empty when no strip was found.
    residual_delta_e : float or None
        Leave-one-patch-out residual of the colour correction, CIEDE2000 (median).
    tubes : tuple of Reading
    flags : tuple of str
        Flags of the picture as a whole.
    error : tuple of str or None
        (type, message) when the photograph cannot be used at all.
    options : dict
        What else shaped the result (coverage ...), JSON-ready.
    version : str
        Of hueph.
    strip_message : str
        Why no strip was found, "" when one was.
    expected_unmatched : tuple of (int, ExpectedComparison)
        Tubes for which a pH was expected but which were not found, by number.
    """

    file: str
    sha256: str
    width: int
    height: int
    chart_name: str
    chart_sha256: str
    patches: tuple[PatchReading, ...] = ()
    residual_delta_e: float | None = None
    tubes: tuple[Reading, ...] = ()
    flags: tuple[str, ...] = ()
    error: tuple[str, str] | None = None
    options: dict[str, Any] = field(default_factory=dict)
    version: str = ""
    strip_message: str = ""
    expected_unmatched: tuple[tuple[int, ExpectedComparison], ...] = ()

    def __iter__(self) -> Iterator[Reading]:
        return iter(self.tubes)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form that the contract documents."""
        known: dict[str, Any] = {
            "photo": {"file": self.file, "sha256": self.sha256, "width": self.width, "height": self.height},
            "chart": {"name": self.chart_name, "sha256": self.chart_sha256},
            "strip": {
                "found": bool(self.patches),
                "patches": [
                    {"ph": patch.ph, "corners": [[round(x, 1), round(y, 1)] for x, y in patch.corners]}
                    for patch in self.patches
                ],
                "residual_delta_e": None
                if self.residual_delta_e is None
                else round(self.residual_delta_e, 2),
                "message": self.strip_message,
            },
            "tubes": [reading.to_dict() for reading in self.tubes],
            "flags": list(self.flags),
            "options": dict(self.options),
            "version": self.version,
            "error": None if self.error is None else {"type": self.error[0], "message": self.error[1]},
        }
        if self.expected_unmatched:
            known["expected_unmatched"] = [
                {"tube": number} | compared.to_dict() for number, compared in self.expected_unmatched
            ]
        return known
