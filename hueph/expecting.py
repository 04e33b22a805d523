"""Compare readings with the pH their recipe gives: agree, lower or higher, by how much, and why perhaps.

A recipe step is attached to a tube by a few words, ``recipe.toml:step=tube``. The posterior of the reading
and the distribution of the expectation are joined, so that the answer weighs what both know.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from hueph._checks import check_coverage
from hueph._expecting_causes import Explains, likely_causes, tubes_together
from hueph._types import FloatArray, PathLike
from hueph.chemistry.expectation import Expectation, ExpectedStep, expect_recipe
from hueph.chemistry.recipe import Recipe, load_recipe, parse_one_liner
from hueph.chemistry.slips import Slip, work_out_slips
from hueph.errors import InputError
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

# From this standard uncertainty on, pH is no longer nearly linear in what was measured, and the
# expectation is drawn at random instead of being taken as normal.
_STEEP_STD = 0.1
_RUNS, _SEED = 2000, 0
# Standard deviation that one step of a posterior's grid stands for, pH; nothing is known better.
_LEAST_STD = 0.005
# Differences are looked for up to this far, pH; no two liquids are further apart.
_FURTHEST = 20.0
_HALVINGS = 45
_TUBES = re.compile(r"\s*\d{1,4}\s*(?:,\s*\d{1,4}\s*)*")


@dataclass(frozen=True, slots=True)
class ExpectRequest:
    """One ``--expect`` as written.

    Attributes
    ----------
    recipe : str
        Path of a recipe file, or a line.
    step : str
        Step or portion; "" for the last step.
    tubes : tuple of int
        1 for the leftmost.
    photo : str
        File the tubes stand in; "" for every photograph.
    """

    recipe: str
    step: str
    tubes: tuple[int, ...]
    photo: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class TubeExpectation:
    """What a liquid's pH should be, light enough to travel between processes.

    Attributes
    ----------
    step, source : str
    ph, ph_std : float
        Value, and standard uncertainty (k = 1).
    slips : tuple of Slip
        What may have gone otherwise, and the pH it would give.
    cautions : tuple of str
        Where the chemistry itself may be off.
    samples : array, shape (n,), or None
        Random values in rising order where the distribution is not normal.
    """

    step: str
    source: str
    ph: float
    ph_std: float
    slips: tuple[Slip, ...] = ()
    cautions: tuple[str, ...] = ()
    samples: FloatArray | None = None

    def below(self, ph: FloatArray) -> FloatArray:
        """Return the probability that the liquid's pH lies below each value."""
        if self.samples is not None:
            count = len(self.samples)
            shares = (np.arange(count) + 0.5) / count
            return np.interp(ph, self.samples, shares, left=0.0, right=1.0)
        from scipy.special import ndtr

        return np.asarray(ndtr((ph - self.ph) / max(self.ph_std, _LEAST_STD)), dtype=np.float64)

    def interval(self, coverage: float) -> Interval:
        """Return the range that holds the expected pH with probability `coverage`."""
        if self.samples is not None:
            low, high = np.quantile(self.samples, [0.5 - 0.5 * coverage, 0.5 + 0.5 * coverage])
            return Interval(float(low), float(high), coverage)
        reach = NormalDist().inv_cdf(0.5 + 0.5 * coverage) * self.ph_std
        return Interval(self.ph - reach, self.ph + reach, coverage)


@dataclass(frozen=True, slots=True)
class ExpectedTube:
    """An expectation attached to a tube of one photograph, or of every photograph (`photo` "")."""

    tube: int
    expectation: TubeExpectation
    photo: str = ""


def parse_expect(text: str) -> ExpectRequest:
    """Read ``RECIPE[:STEP]=TUBE[,TUBE...]``, the tube optionally as ``PHOTO#TUBE``.

    Parameters
    ----------
    text : str
        The last ``=`` parts recipe from tubes. A step begins with a letter, so that the ratio of a line such
        as ``dilute 5 mL 0.1 M acetic acid 1:10=2`` is none. Without a step the recipe's last one is meant.

    Returns
    -------
    ExpectRequest

    Raises
    ------
    InputError
        The text has no tube, or a tube is no number above 0.

    Examples
    --------
    >>> parse_expect("acetate.toml:A-acid=2")
    ExpectRequest(recipe='acetate.toml', step='A-acid', tubes=(2,), photo='')
    >>> parse_expect("dilute 5 mL 0.1 M acetic acid 1:10=after.jpg#1,3")
    ExpectRequest(recipe='dilute 5 mL 0.1 M acetic acid 1:10', step='', tubes=(1, 3), photo='after.jpg')
    """
    left, sign, right = text.rpartition("=")
    photo, _, numbers = right.rpartition("#")
    tubes: tuple[int, ...] = ()
    if _TUBES.fullmatch(numbers):
        tubes = tuple(int(number) for number in numbers.split(","))
    if not sign or not left.strip() or not tubes or 0 in tubes:
        raise InputError(
            "what to expect is written RECIPE:STEP=TUBE, the tube as a number counted from the left "
            f"(acetate.toml:A-acid=2, or PHOTO#2 for one photograph), got {text!r}"
        )
    recipe, step = left.strip(), ""
    if not os.path.exists(recipe):
        before, colon, after = recipe.rpartition(":")
        if colon and after.strip()[:1].isalpha():
            recipe, step = before.strip(), after.strip()
    return ExpectRequest(recipe, step, tubes, photo.strip())


def expect_tubes(
    requests: Sequence[ExpectRequest | str], photos: Sequence[PathLike] | None = None
) -> tuple[ExpectedTube, ...]:
    """Work out what is expected in each tube.

    Parameters
    ----------
    requests : sequence of ExpectRequest or str
        Each recipe is worked out once, however many of its steps are used.
    photos : sequence of path, optional
        Photographs that will be read, to find misspelt names before that.

    Returns
    -------
    tuple of ExpectedTube

    Raises
    ------
    RecipeError
        A recipe cannot be read or is wrong.
    InputError
        A recipe has no such step, a tube is named twice, or a photograph is not among `photos`.

    Examples
    --------
    >>> (tube,) = expect_tubes(["5 mL 0.1 M acetic acid + 5 mL 0.1 M sodium acetate=2"])
    >>> tube.tube, round(tube.expectation.ph, 2)
    (2, 4.67)
    """
    asked = [parse_expect(one) if isinstance(one, str) else one for one in requests]
    _check_tubes(asked, photos)
    made: dict[str, Expectation] = {}
    wanted: dict[str, list[ExpectedStep]] = {}
    for one in asked:
        if one.recipe not in made:
            made[one.recipe] = expect_recipe(_read(one.recipe))
        wanted.setdefault(one.recipe, []).append(_step(made[one.recipe], one.step))
    worked_out: dict[tuple[str, str], TubeExpectation] = {}
    for recipe, steps in wanted.items():
        for expectation in _expectations(made[recipe], steps):
            worked_out[recipe, expectation.step] = expectation
    found = []
    for one in asked:
        step = _step(made[one.recipe], one.step)
        expectation = worked_out[one.recipe, step.name]
        if one.step and one.step != step.name:
            expectation = replace(expectation, step=one.step)  # the portion's own name
        found += [ExpectedTube(number, expectation, one.photo) for number in one.tubes]
    return tuple(found)


def _check_tubes(asked: Sequence[ExpectRequest], photos: Sequence[PathLike] | None) -> None:
    """Find tubes named twice, and photographs that nobody will read."""
    taken: set[tuple[str, int]] = set()
    for one in asked:
        for number in one.tubes:
            if (one.photo, number) in taken:
                where = f" of {one.photo}" if one.photo else ""
                raise InputError(f"one pH can be expected in a tube, got two for tube {number}{where}")
            taken.add((one.photo, number))
        if one.photo and photos is not None and not any(_is_photo(name, one.photo) for name in photos):
            raise InputError(
                f"what to expect names the photograph {one.photo}, which is not among those to read: "
                f"{', '.join(os.path.basename(os.fspath(name)) for name in photos[:5])}"
                f"{' ...' if len(photos) > 5 else ''}"
            )


def _is_photo(name: PathLike, wanted: str) -> bool:
    """Say whether a path is the photograph somebody named, by its path or its name alone."""
    path = os.fspath(name)
    return wanted == os.path.basename(path) or os.path.normpath(wanted) == os.path.normpath(path)


def _read(recipe: str) -> Recipe:
    """Read a recipe file, or a line that names no file."""
    # A word without spaces is a file, there or not: no recipe has one word.
    if os.path.exists(recipe) or " " not in recipe or recipe.casefold().endswith(".toml"):
        return load_recipe(recipe)
    return parse_one_liner(recipe)


def _step(made: Expectation, name: str) -> ExpectedStep:
    """Find a step or portion; the last step when none is named."""
    if name:
        return made.step(name)
    if not made.steps:
        raise InputError(f"{made.recipe.source} has no steps, so nothing can be expected of it")
    return made.steps[-1]


def _expectations(made: Expectation, steps: Sequence[ExpectedStep]) -> list[TubeExpectation]:
    """Turn steps of one recipe into expectations; slips and random runs are shared."""
    by_name = {step.name: step for step in steps}
    slips = work_out_slips(made, by_name)
    drawn: Mapping[str, FloatArray] = {}
    if any(step.ph_std > _STEEP_STD for step in by_name.values()):
        drawn = made.monte_carlo(_RUNS, rng=np.random.default_rng(_SEED))
    return [
        TubeExpectation(
            name,
            made.recipe.source,
            step.ph,
            step.ph_std,
            slips[name],
            step.cautions,
            np.sort(drawn[name]) if step.ph_std > _STEEP_STD else None,
        )
        for name, step in by_name.items()
    ]


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
        one.tube: one.expectation for one in expected if one.photo and _is_photo(readings.file, one.photo)
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
    ("4.3 or lower") is one-sided: it can only be lower than expected, when P(R < E) is at least `coverage`, and
    an expectation beyond the same end agrees. So a pH known exactly agrees when the stated range holds it.
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
        end = "lower" if reading.bound == "below" else "higher"
        note = f"as far as this card shows: all that is read is {end}"
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
