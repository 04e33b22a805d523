"""Compare readings with the pH their recipe gives: agree, lower or higher, by how much, and why perhaps.

A recipe step is attached to a tube by a few words, ``recipe.toml:step=tube``. The posterior of the reading
and the distribution of the expectation are joined, so that the answer weighs what both know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from hueph._checks import check_coverage
from hueph._expecting_causes import Explains, likely_causes, tubes_together
from hueph._expecting_tubes import (
    ExpectedTube,
    ExpectRequest,
    TubeExpectation,
    expect_tubes,
    is_photo,
    parse_expect,
)
from hueph._types import FloatArray
from hueph.chemistry.slips import Slip
from hueph.interval import Interval
from hueph.results import ExpectedComparison, PhotoReadings, Reading

__all__ = [
    "ExpectRequest",
    "ExpectedTube",
    "TubeExpectation",
    "attach_expected",
    "compare_with_expected",
    "expect_tubes",
    "parse_expect",
]

# Differences are looked for up to this far, pH; no two liquids are further apart.
_FURTHEST = 20.0
_HALVINGS = 45


def attach_expected(readings: PhotoReadings, expected: Sequence[ExpectedTube]) -> PhotoReadings:
    """Compare the readings of one photograph with what is expected in its tubes.

    Parameters
    ----------
    readings : PhotoReadings
    expected : sequence of ExpectedTube
        For all photographs of a run; those for this very photograph go before those for every one.

    Returns
    -------
    PhotoReadings
        Each reading with `expected` where one was asked for, and what was expected in tubes that were not
        found in `expected_unmatched`. A photograph that cannot be used comes back as it is.
    """
    by_tube = {one.tube: one.expectation for one in expected if not one.photo}
    by_tube |= {
        one.tube: one.expectation for one in expected if one.photo and is_photo(readings.file, one.photo)
    }
    if not by_tube or (readings.error is not None and not readings.tubes):
        return readings
    ends = tuple(patch.ph for patch in readings.patches)
    card = (min(ends), max(ends)) if ends else None
    coverage = float(readings.options.get("coverage", 0.95))
    pairs = [(one, by_tube[one.tube]) for one in readings.tubes if one.tube in by_tube]
    compared = {
        one.tube: compare_with_expected(
            one, expectation, coverage=coverage, card=card, photo_flags=readings.flags
        )
        for one, expectation in pairs
    }
    # What several tubes say together goes before what one may say alone.
    for number, texts in tubes_together(pairs, compared, _agrees).items():
        compared[number] = replace(compared[number], causes=(*texts, *compared[number].causes))
    missing = tuple(
        (number, _not_compared(expectation, coverage, "this tube was not found in the photograph"))
        for number, expectation in sorted(by_tube.items())
        if number not in compared
    )
    tubes = tuple(replace(one, expected=compared.get(one.tube)) for one in readings.tubes)
    return replace(readings, tubes=tubes, expected_unmatched=missing)


def compare_with_expected(
    reading: Reading,
    expectation: TubeExpectation,
    *,
    coverage: float = 0.95,
    card: tuple[float, float] | None = None,
    photo_flags: Sequence[str] = (),
) -> ExpectedComparison:
    """Say whether a reading agrees with the pH its recipe gives.

    Parameters
    ----------
    reading : Reading
    expectation : TubeExpectation
    coverage : float
        Of the ranges; a verdict other than "agree" is wrong in at most the rest of the cases. A reading that
        states a range keeps its own coverage.
    card : (float, float), optional
        pH of the card's first and last patch.
    photo_flags : sequence of str
        Flags of the photograph as a whole.

    Returns
    -------
    ExpectedComparison

    Raises
    ------
    InputError
        `coverage` is not between 0 and 1.

    Notes
    -----
    With R drawn from the posterior and E from the expectation, "lower" holds when P(R < E) is at least
    (1 + coverage) / 2, "higher" when it is at most (1 - coverage) / 2. A reading beyond an end of the card
    ("4.3 or lower") is one-sided: it can only be lower than expected, when P(R < E) is at least `coverage`,
    and an expectation beyond the same end agrees. So a pH known exactly agrees when the stated range
    holds it.
    """
    share = check_coverage(coverage) if reading.interval is None else reading.interval.coverage
    if reading.interval is None:
        return _not_compared(expectation, share, f"no reading: {', '.join(reading.flags)}")
    if reading.grid.size < 2 or not np.any(reading.posterior > 0.0):
        return _not_compared(expectation, share, "the reading does not carry its distribution")
    joint = _Joint(reading, expectation)
    verdict = joint.verdict(share)
    spread, middle = joint.spread(share), None if reading.ph is None else joint.quantiles([0.5])[0]
    note = ""
    if reading.bound is not None and verdict == "agree":
        limit, _, _ = str(reading.interval).rpartition(", ")
        note = f"as far as this card goes ({limit})"
    elif reading.ph is None and reading.bound is None:
        note = "the colour fits two separate ranges"
    result = ExpectedComparison(
        verdict=verdict,
        step=expectation.step,
        source=expectation.source,
        ph=expectation.ph,
        ph_std=expectation.ph_std,
        interval=expectation.interval(share),
        difference=middle,
        difference_interval=spread,
        joint_std=None
        if reading.ph is None or reading.ph_std is None
        else float(np.hypot(reading.ph_std, expectation.ph_std)),
        note=note,
    )
    if verdict == "agree":
        return result

    def explains(slip: Slip) -> Explains:
        return joint.explained(slip.ph - expectation.ph, slip.gradual, verdict, share)

    causes = likely_causes(reading, expectation, result, explains, card=card, photo_flags=photo_flags)
    return replace(result, causes=causes)


def _agrees(reading: Reading, expectation: TubeExpectation) -> bool:
    """Say whether a reading could be that of another tube's liquid."""
    if reading.interval is None or reading.grid.size < 2:
        return False
    return _Joint(reading, expectation).verdict(reading.interval.coverage) == "agree"


def _not_compared(expectation: TubeExpectation, coverage: float, note: str) -> ExpectedComparison:
    """Keep what was expected where there is nothing to compare it with."""
    return ExpectedComparison(
        verdict="cannot-compare",
        step=expectation.step,
        source=expectation.source,
        ph=expectation.ph,
        ph_std=expectation.ph_std,
        interval=expectation.interval(coverage),
        note=note,
    )


class _Joint:
    """Distribution of reading minus expected, from the two distributions."""

    def __init__(self, reading: Reading, expectation: TubeExpectation) -> None:
        self.bound, self.expectation = reading.bound, expectation
        weights = reading.posterior * np.gradient(reading.grid)
        keep = weights > 1e-12 * weights.max()
        self.ph, self.weights = reading.grid[keep], weights[keep] / weights[keep].sum()

    def below(self, difference: FloatArray, shift: float = 0.0) -> FloatArray:
        """Return P(R - E < d) for each d, the expectation being moved by `shift`."""
        # R - E < d is E > R - d.
        expected = self.ph[None, :] - np.asarray(difference)[:, None] - shift
        return np.asarray((1.0 - self.expectation.below(expected)) @ self.weights)

    def verdict(self, coverage: float, shift: float = 0.0) -> str:
        """Return "agree", "lower" or "higher"."""
        lower = float(self.below(np.zeros(1), shift)[0])
        rest = 1.0 - coverage
        if self.bound == "below":
            return "lower" if 1.0 - lower <= rest else "agree"
        if self.bound == "above":
            return "higher" if lower <= rest else "agree"
        if lower <= 0.5 * rest:
            return "higher"
        return "lower" if 1.0 - lower <= 0.5 * rest else "agree"

    def quantiles(self, shares: Sequence[float]) -> list[float]:
        """Return quantiles of the difference, by halving."""
        wanted = np.asarray(shares, dtype=np.float64)
        low, high = np.full(len(wanted), -_FURTHEST), np.full(len(wanted), _FURTHEST)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            under = self.below(middle) < wanted
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return [float(value) for value in 0.5 * (low + high)]

    def spread(self, coverage: float) -> Interval:
        """Return the range of the difference, open where the reading is."""
        if self.bound == "below":
            return Interval(None, self.quantiles([coverage])[0], coverage)
        if self.bound == "above":
            return Interval(self.quantiles([1.0 - coverage])[0], None, coverage)
        low, high = self.quantiles([0.5 - 0.5 * coverage, 0.5 + 0.5 * coverage])
        return Interval(low, high, coverage)

    def explained(self, shift: float, gradual: bool, verdict: str, coverage: float) -> Explains:
        """Say how far an expectation moved by `shift` accounts for a reading that is lower or higher."""
        if (shift < 0.0) != (verdict == "lower"):
            return Explains.NOT
        then = self.verdict(coverage, shift)
        # Moved too far, a gradual cause passed the reading on its way.
        if then == "agree" or (gradual and then != verdict):
            return Explains.WHOLLY
        return Explains.PARTLY if gradual and then == verdict else Explains.NOT
