"""Did the buffer hold? A verdict on a change of pH, with its reason in one sentence."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from hueph.colour.naming import colour_name
from hueph.comparing.change import TubeChange
from hueph.comparing.colours import COLOUR_CHANGE_DELTA_E, colour_verdict
from hueph.comparing.expected import ExpectedChange
from hueph.comparing.wording import digits_of, range_text, signed
from hueph.errors import InputError
from hueph.interval import Interval, format_ph
from hueph.results import Reading

__all__ = ["HOLD_PH", "SPENT_PH", "VERDICTS", "Judgement", "change_text", "colours_text", "judge_change"]

VERDICTS = ("held", "shifted", "exhausted", "undecided")
HOLD_PH = 0.5
"""Largest change of pH that still counts as held: what a universal strip shows the eye."""
SPENT_PH = 2.0
"""Change from which a buffer counts as exhausted when its recipe is not known.

A buffer works within about 1 of its pKa (a third of its greatest capacity is left there: 40/121,
Van Slyke's equation), a band 2 wide: whatever has moved further has left it.
"""

# Below this capacity, mol/L per unit of pH, a liquid counts as unbuffered: a drop of 0.1 mol/L in 5 mL
# (0.001 mol/L) moves it by 10 units or to the end of its reach.
_NO_BUFFER_MOLAR = 1e-4


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict on one change.

    Attributes
    ----------
    verdict : str
        One of `VERDICTS`.
    reason : str
        One sentence to copy into a notebook.
    colour : str
        "changed" or "no visible change" by colour alone, when no pH can be stated; else "".
    hold_ph : float
        Largest change that counts as held.
    as_expected : bool or None
        Whether the change agrees with the recipe's; None without a recipe or without a range.
    expected : ExpectedChange or None
    """

    verdict: str
    reason: str
    colour: str
    hold_ph: float
    as_expected: bool | None = None
    expected: ExpectedChange | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form."""
        known: dict[str, Any] = {"verdict": self.verdict, "reason": self.reason, "hold_ph": self.hold_ph}
        if self.colour:
            known["colour_verdict"] = self.colour
        if self.expected is not None:
            known["expected"] = self.expected.to_dict() | {"agrees": self.as_expected}
        return known


def judge_change(
    change: TubeChange, *, hold_ph: float = HOLD_PH, expected: ExpectedChange | None = None
) -> Judgement:
    """Judge whether a buffer held.

    Parameters
    ----------
    change : TubeChange
    hold_ph : float
        Largest change that counts as held, pH; above 0.
    expected : ExpectedChange, optional
        From the recipe. What it expects, up to `hold_ph`, widens what counts as held on that side,
        and exhaustion is judged by the pH at which a partner is used up.

    Returns
    -------
    Judgement

    Raises
    ------
    InputError
        `hold_ph` is not above 0.

    Notes
    -----
    A verdict is given when its probability is at least the coverage of the change; otherwise the
    answer is "undecided". What lies beyond the card counts as anywhere from the card's end on.
    """
    if not (math.isfinite(hold_ph) and hold_ph > 0.0):
        raise InputError(f"the change that still counts as held must be above 0, got {hold_ph!r}")
    if not change.has_ph:
        return _by_colour(change, hold_ph, expected)
    aim = 0.0
    if expected is not None and not expected.is_spent and abs(expected.change) <= hold_ph:
        aim = expected.change
    low, high = min(aim, 0.0) - hold_ph, max(aim, 0.0) + hold_ph
    held = change.surely((change.lowest >= low) & (change.highest <= high))
    up, down = change.surely(change.lowest > high), change.surely(change.highest < low)
    agrees = _agrees(change, expected)
    if max(up, down) >= change.coverage:
        spent = _spent(change, expected, rising=up >= down)
        verdict = "exhausted" if spent >= change.coverage else "shifted"
    elif held >= change.coverage:
        verdict = "held"
    else:
        verdict = "undecided"
    open_end = (
        verdict == "shifted" and _perhaps_spent(change, expected, rising=up >= down) > 1.0 - change.coverage
    )
    reason = _reason(change, verdict, (low, high), hold_ph, expected, agrees, open_end=open_end)
    return Judgement(verdict, reason, "", hold_ph, agrees, expected)


def _spent(change: TubeChange, expected: ExpectedChange | None, *, rising: bool) -> float:
    """Probability that the buffer is used up."""
    limit = None if expected is None else expected.spent_above if rising else expected.spent_below
    if limit is None:
        return change.surely(change.lowest > SPENT_PH if rising else change.highest < -SPENT_PH)
    return change.surely(change.after_lowest > limit if rising else change.after_highest < limit)


def _perhaps_spent(change: TubeChange, expected: ExpectedChange | None, *, rising: bool) -> float:
    """Probability that the buffer may be used up: what lies beyond the card may lie anywhere there."""
    limit = None if expected is None else expected.spent_above if rising else expected.spent_below
    if limit is None:
        return change.surely(change.highest > SPENT_PH if rising else change.lowest < -SPENT_PH)
    return change.surely(change.after_highest > limit if rising else change.after_lowest < limit)


def _agrees(change: TubeChange, expected: ExpectedChange | None) -> bool | None:
    """Say whether observed and expected range of the change overlap."""
    if expected is None or change.interval is None:
        return None
    known = expected.interval(change.coverage)
    assert known.low is not None  # closed by construction
    assert known.high is not None
    low, high = change.interval.low, change.interval.high
    return (low is None or known.high >= low) and (high is None or known.low <= high)


def _by_colour(change: TubeChange, hold_ph: float, expected: ExpectedChange | None) -> Judgement:
    """Compare colours when there is no pH."""
    if not change.same_white:
        seen = change.after if "no-strip" in change.before.reading.flags else change.before
        reason = (
            f"Undecided: the chart {seen.chart_name} was found in {seen.file} only, so neither pH nor colour can be "
            "compared; check that both photographs show it, or compare colours alone, without a chart."
        )
        return Judgement("undecided", reason, "", hold_ph, None, expected)
    verdict = colour_verdict(change.delta_e)
    why = ", ".join(flag.replace("-", " ") for flag in change.flags if flag in _NO_PH) or "no reading"
    more = (
        f"more than the {COLOUR_CHANGE_DELTA_E:g} by which pictures of one liquid may differ"
        if verdict == "changed"
        else f"within the {COLOUR_CHANGE_DELTA_E:g} by which pictures of one liquid may differ"
    )
    reason = (
        f"By colour alone: {verdict}, {colours_text(change)} ({change.delta_e:.0f} CIEDE2000, {more}); "
        f"no change of pH can be stated ({why})."
    )
    return Judgement("undecided", reason, verdict, hold_ph, None, expected)


_NO_PH = ("no-chart", "no-strip", "no-colour", "turbid", "off-chart-colour", "small-core", "conflict")


def _reason(
    change: TubeChange,
    verdict: str,
    limits: tuple[float, float],
    hold_ph: float,
    expected: ExpectedChange | None,
    agrees: bool | None,
    *,
    open_end: bool,
) -> str:
    """Put a verdict into one sentence; `open_end` for a shift that may be more than that."""
    words = {
        "held": "The buffer held",
        "shifted": "The pH shifted",
        "exhausted": "The buffer is exhausted",
        "undecided": "Undecided",
    }[verdict]
    if verdict == "exhausted" and expected is not None and expected.start_capacity < _NO_BUFFER_MOLAR:
        words = "There was no buffer to hold"
    first = f"{words}: {change_text(change)}"
    limit = max(abs(limits[0]), abs(limits[1]))
    if verdict == "held":
        first += f", no more than {format_ph(limit)}"
        if limit > hold_ph:
            first += f" ({format_ph(hold_ph)} beside the {format_ph(limit - hold_ph)} expected)"
    elif verdict == "undecided":
        first += f", {_why_undecided(change, limit)}"
    parts = [first]
    if open_end:
        parts.append("whether the buffer is used up stays open")
    if change.could_hide is not None and verdict != "exhausted" and not change.visible:
        parts.append(
            f"no change is visible, but one of up to {_size_text(change.could_hide)} could hide "
            "with this card and indicator"
        )
    if verdict == "exhausted" and expected is not None:
        rising = change.surely(change.lowest > 0.0) >= change.coverage
        end = expected.spent_above if rising else expected.spent_below
        if end is not None:
            parts.append(f"past pH {format_ph(end)}, where a partner of the buffer is used up")
    if expected is not None:
        parts.append(_beside_recipe(expected, agrees, change.interval))
    return "; ".join(parts) + "."


def _why_undecided(change: TubeChange, limit: float) -> str:
    """Say what stands in the way of a verdict."""
    if change.interval is None:
        return "both colours lie beyond the same end of the card, which shows nothing there"
    if change.interval.low is None or change.interval.high is None:
        return "a colour lies at or beyond the end of the card, so the change has no limit on that side"
    if "ambiguous" in change.flags:
        return "a colour fits two pH ranges"
    return f"which leaves open whether it is more than {format_ph(limit)}"


def _beside_recipe(expected: ExpectedChange, agrees: bool | None, seen: Interval | None) -> str:
    """Set the recipe beside the change; rounding must not hide that they do not agree."""
    if agrees is False and seen is not None:
        below = 0.0 if seen.low is None else seen.low - expected.change
        above = 0.0 if seen.high is None else expected.change - seen.high
        gap = max(below, above)
        text = (
            f"the recipe expects {signed(expected.change, 2)}, which does not agree: "
            f"{_size_text(gap)} outside the range seen"
        )
    else:
        text = f"the recipe expects {signed(expected.change)}{', in agreement' if agrees else ''}"
    if expected.water_ph is not None:
        text += f" (plain water would end at {format_ph(expected.water_ph)})"
    return text


def _size_text(value: float) -> str:
    """Write the size of a change, never as nothing."""
    return format_ph(value) if value >= 0.095 else f"{max(value, 0.01):.2f}"


def colours_text(change: TubeChange) -> str:
    """Name both colours: "from yellow to red"."""
    one, two = (colour_name(seen.reading.lab) for seen in (change.before, change.after))
    return f"{one} both times" if one == two else f"from {one} to {two}"


def change_text(change: TubeChange) -> str:
    """Say how far the pH moved, with its range."""
    seen = change.interval
    if seen is None:
        return "nothing can be said about the change of pH"
    start, end = change.before.reading, change.after.reading
    if seen.low is None or seen.high is None:
        return f"the pH went from {_value_text(start)} to {_value_text(end)}, a change of {range_text(seen)}"
    middle = "" if change.delta_ph is None else f"{signed(change.delta_ph, digits_of(seen))} "
    return f"the pH changed by {middle}({range_text(seen)})"


def _value_text(reading: Reading) -> str:
    """PH of a reading in a few words."""
    if reading.ph is not None:
        return format_ph(reading.ph)
    return str(reading.interval).rpartition(",")[0]
