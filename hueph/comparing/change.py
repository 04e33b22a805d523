"""The change of pH and colour from one tube to another, with the uncertainty of the two together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from hueph._checks import check_coverage
from hueph._types import BoolArray, FloatArray
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.naming import colour_name
from hueph.comparing.correlation import error_tie
from hueph.comparing.joint import INDEPENDENT, JointPh, Tie, joint_ph
from hueph.comparing.likeness import chart_distance
from hueph.errors import InputError
from hueph.estimating.features import BEYOND_PH
from hueph.interval import Interval
from hueph.results import PhotoReadings, Reading

__all__ = ["Observation", "TubeChange", "compare_tubes", "observe", "tie_of"]

# A side of the range stays open when more than this share of what may be left out on that side would
# have to come from beyond the card.
_OPEN_SHARE = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class Observation:
    """One tube in one photograph.

    Attributes
    ----------
    reading : Reading
    file, sha256 : str
        The photograph; two observations with the same hash share strip, light and camera.
    chart_name, chart_sha256 : str
        The chart it was read against, "" for colours only.
    card : tuple of float or None
        Lowest and highest pH of that chart; None when no pH could be read.
    label : str
        What the user calls the tube, "" when it has only its number.
    look : tuple of (float, tuple of float)
        pH and colour of the chart's patches as photographed; empty when not known.
    with_standards : bool
        Standards have taken out of the reading most of what it has in common with others.
    """

    reading: Reading
    file: str
    sha256: str
    chart_name: str
    chart_sha256: str
    card: tuple[float, float] | None
    label: str = ""
    look: tuple[tuple[float, tuple[float, float, float]], ...] = ()
    with_standards: bool = False

    @property
    def has_ph(self) -> bool:
        """Whether there is a posterior of pH that may be stated."""
        return self.reading.interval is not None and len(self.reading.grid) > 1 and self.card is not None

    @property
    def name(self) -> str:
        """Label, or number."""
        return self.label or f"tube {self.reading.tube}"


def observe(readings: PhotoReadings, tube: int, *, label: str = "") -> Observation:
    """Take one tube out of the readings of a photograph.

    Parameters
    ----------
    readings : PhotoReadings
    tube : int
        1 for the leftmost.
    label : str

    Returns
    -------
    Observation

    Raises
    ------
    InputError
        There is no such tube; the text says how many there are.
    """
    found = [reading for reading in readings.tubes if reading.tube == tube]
    if not found:
        count = len(readings.tubes)
        there = "no tube was found" if count == 0 else f"{count} {'was' if count == 1 else 'were'} found"
        raise InputError(f"taking tube {tube} of {readings.file}: {there}; look at the overlay of hueph read")
    reading = found[0]
    card: tuple[float, float] | None = None
    if readings.patches:
        values = [patch.ph for patch in readings.patches]
        card = (min(values), max(values))
    elif len(reading.grid) > 1:
        card = (float(reading.grid[0]) + BEYOND_PH, float(reading.grid[-1]) - BEYOND_PH)
    look = tuple((patch.ph, patch.colour) for patch in readings.patches if patch.colour is not None)
    return Observation(
        reading=reading,
        file=readings.file,
        sha256=readings.sha256,
        chart_name=readings.chart_name,
        chart_sha256=readings.chart_sha256,
        card=card,
        label=label,
        look=look,
        with_standards=bool(readings.options.get("standards")),
    )


def tie_of(before: Observation, after: Observation) -> Tie:
    """Return how the errors of two observations go together.

    Parameters
    ----------
    before, after : Observation
        Both with a pH.

    Returns
    -------
    Tie
        Readings that lean on standards count as independent: what they shared has been taken out.
    """
    if before.with_standards or after.with_standards:
        return INDEPENDENT
    distance = None
    if before.look and after.look:
        (first_ph, first), (second_ph, second) = (
            (np.array([ph for ph, _ in seen.look]), np.array([colour for _, colour in seen.look]))
            for seen in (before, after)
        )
        distance = chart_distance(first_ph, first, second_ph, second)
    return error_tie(
        before.reading,
        after.reading,
        same_picture=before.sha256 == after.sha256,
        same_card=before.chart_sha256 == after.chart_sha256,
        distance=distance,
    )


@dataclass(frozen=True, slots=True, eq=False)
class TubeChange:
    """What changed from one tube to another.

    Attributes
    ----------
    before, after : Observation
    delta_ph : float or None
        Median of pH after minus before; None when either reading states no pH.
    interval : Interval or None
        Its range; open where a colour lies beyond the card; None when nothing limits the change.
    independent : Interval or None
        The range if the errors of the two readings had nothing in common.
    could_hide : float or None
        Largest change, up or down, that the range's coverage cannot exclude; None when unlimited.
    delta_e : float
        CIEDE2000 between the corrected colours. More dye or a wider tube changes it too.
    same_picture, same_card : bool
    coverage : float
    flags : tuple of str
        Flags of either reading.
    lowest, highest, weight : array, shape (m,)
        For equally treated pairs of pH: the least and the greatest change they allow (infinite
        beyond the card), and their probability. Empty without pH.
    after_lowest, after_highest : array, shape (m,)
        The same for the pH after.
    """

    before: Observation
    after: Observation
    delta_ph: float | None
    interval: Interval | None
    independent: Interval | None
    could_hide: float | None
    delta_e: float
    same_picture: bool
    same_card: bool
    coverage: float
    flags: tuple[str, ...]
    lowest: FloatArray
    highest: FloatArray
    weight: FloatArray
    after_lowest: FloatArray
    after_highest: FloatArray

    @property
    def has_ph(self) -> bool:
        """Whether anything can be said about the change of pH."""
        return len(self.weight) > 0

    @property
    def same_white(self) -> bool:
        """Whether both colours stand against the same white: the card's paper, or the backing in both."""
        return len({"no-strip" in seen.reading.flags for seen in (self.before, self.after)}) == 1

    @property
    def visible(self) -> bool:
        """Whether the range of the change leaves out no change at all."""
        return self.interval is not None and not self.interval.contains(0.0)

    def surely(self, holds: BoolArray) -> float:
        """Return the probability of the pairs for which `holds` is true, shape (m,); 0 without pH."""
        return float(self.weight @ holds) if self.has_ph else 0.0

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form: the contract's keys but the verdict, and what was added since."""
        return {
            "before": tube_dict(self.before),
            "after": tube_dict(self.after),
            "delta_ph": _rounded(self.delta_ph),
            "range": _range(self.interval),
            "coverage": self.coverage,
            "range_if_independent": _range(self.independent),
            "could_hide": _rounded(self.could_hide),
            "delta_e": round(self.delta_e, 2),
            "same_picture": self.same_picture,
            "flags": list(self.flags),
        }


def tube_dict(seen: Observation) -> dict[str, Any]:
    """Return a tube as the contract documents it, with photograph and label."""
    return seen.reading.to_dict() | {
        "photo": seen.file,
        "label": seen.label,
        "chart": seen.chart_name,
        "colour": colour_name(seen.reading.lab),
    }


def compare_tubes(before: Observation, after: Observation, *, coverage: float = 0.95) -> TubeChange:
    """State the change of pH from one tube to another.

    Parameters
    ----------
    before, after : Observation
    coverage : float
        Probability that the range of the change holds.

    Returns
    -------
    TubeChange
        Without a pH in either tube only the colours are compared.

    Raises
    ------
    InputError
        A coverage that is no probability.

    Notes
    -----
    The posteriors are joined with the tie of `hueph.comparing.correlation`. Whatever lies
    beyond the card is only known to lie there: it counts as anywhere from the card's end on, so a
    range closes on a side only when the card limits the change on that side.
    """
    share = check_coverage(coverage)
    same_picture = before.sha256 == after.sha256
    same_card = before.chart_sha256 == after.chart_sha256
    flags = tuple(sorted({*before.reading.flags, *after.reading.flags}))
    delta_e = float(delta_e_cie2000(np.array(before.reading.lab), np.array(after.reading.lab)))
    nothing = np.zeros(0)
    if not (before.has_ph and after.has_ph) or before.card is None or after.card is None:
        return TubeChange(
            before, after, None, None, None, None, delta_e, same_picture, same_card, share, flags,
            nothing, nothing, nothing, nothing, nothing,
        )  # fmt: skip
    densities = tuple((seen.reading.grid, seen.reading.posterior) for seen in (before, after))
    joint = joint_ph(densities[0], densities[1], tie_of(before, after))
    alone = joint_ph(densities[0], densities[1], INDEPENDENT)
    limits = _limits(joint, before.card, after.card)
    lowest, highest, after_lowest, after_highest = limits
    stated = before.reading.ph is not None and after.reading.ph is not None
    return TubeChange(
        before=before,
        after=after,
        delta_ph=joint.quantile(joint.change, 0.5) if stated else None,
        interval=_interval(joint, lowest, highest, share),
        independent=_interval(alone, *_limits(alone, before.card, after.card)[:2], share),
        could_hide=_could_hide(joint, lowest, highest, share),
        delta_e=delta_e,
        same_picture=same_picture,
        same_card=same_card,
        coverage=share,
        flags=flags,
        lowest=lowest,
        highest=highest,
        weight=joint.weight,
        after_lowest=after_lowest,
        after_highest=after_highest,
    )


def _limits(
    joint: JointPh, card_before: tuple[float, float], card_after: tuple[float, float]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Least and greatest change, least and greatest pH after, of every pair."""
    before_low, before_high = _spread(joint.before, card_before)
    after_low, after_high = _spread(joint.after, card_after)
    return after_low - before_high, after_high - before_low, after_low, after_high


def _spread(ph: FloatArray, card: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest pH that a value stands for: itself, or all from the card's end on."""
    low, high = card
    lowest = np.where(ph > high, high, np.where(ph < low, -np.inf, ph))
    highest = np.where(ph > high, np.inf, np.where(ph < low, low, ph))
    return lowest, highest


def _interval(joint: JointPh, lowest: FloatArray, highest: FloatArray, share: float) -> Interval | None:
    """Range of the change: equal tails where the card allows it, open where it limits nothing."""
    out = 1.0 - share
    open_low, open_high = joint.probability(np.isneginf(lowest)), joint.probability(np.isposinf(highest))
    has_low, has_high = open_low < _OPEN_SHARE * out, open_high < _OPEN_SHARE * out
    # What lies beyond the card needs its part of a tail first.
    if has_low and has_high and open_low + open_high < _OPEN_SHARE * out:
        spare = 0.5 * (1.0 - _OPEN_SHARE) * out
        tail_low = float(np.clip(0.5 * out, open_low + spare, out - open_high - spare))
        low = joint.quantile(lowest, tail_low)
        high = joint.quantile(highest, 1.0 - (out - tail_low))
        return Interval(low, max(high, low), share)
    if has_low and (not has_high or open_low <= open_high):
        return Interval(joint.quantile(lowest, out), None, share)
    if has_high:
        return Interval(None, joint.quantile(highest, share), share)
    return None


def _could_hide(joint: JointPh, lowest: FloatArray, highest: FloatArray, share: float) -> float | None:
    """Return the size of change that the coverage cannot exclude; None when the card sets no limit."""
    largest = np.maximum(np.abs(lowest), np.abs(highest))
    if joint.probability(np.isinf(largest)) >= 1.0 - share:
        return None
    value = joint.quantile(largest, share)
    return value if value < 100.0 else None


def _rounded(value: float | None) -> float | None:
    """Three decimals, as everywhere in JSON; never minus nothing."""
    return None if value is None or math.isinf(value) else round(value, 3) + 0.0


def _range(interval: Interval | None) -> list[float | None] | None:
    return None if interval is None else [_rounded(interval.low), _rounded(interval.high)]
