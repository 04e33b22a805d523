"""What is expected in which tube: the words ``recipe.toml:step=tube`` read and worked out."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from hueph._checks import check_listed
from hueph._types import FloatArray, PathLike
from hueph.chemistry.expectation import Expectation, ExpectedStep, expect_recipe
from hueph.chemistry.recipe import Recipe, load_recipe, parse_one_liner
from hueph.chemistry.slips import Slip, work_out_slips
from hueph.errors import InputError
from hueph.interval import Interval

__all__ = ["ExpectRequest", "ExpectedTube", "TubeExpectation", "expect_tubes", "is_photo", "parse_expect"]

# Standard deviation that one step of a posterior's grid stands for, pH; nothing is known better.
_LEAST_STD = 0.005
# Plain blanks and digits: the other signs that \s and \d stand for are no numbers to `int`.
_TUBES = re.compile(r" *[0-9]{1,4} *(?:, *[0-9]{1,4} *)*")


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
    check_listed(requests, "requests")
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
        if one.photo and photos is not None and not any(is_photo(name, one.photo) for name in photos):
            raise InputError(
                f"what to expect names the photograph {one.photo}, which is not among those to read: "
                f"{', '.join(os.path.basename(os.fspath(name)) for name in photos[:5])}"
                f"{' ...' if len(photos) > 5 else ''}"
            )


def is_photo(name: PathLike, wanted: str) -> bool:
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
    """Turn steps of one recipe into expectations; slips are shared."""
    by_name = {step.name: step for step in steps}
    slips = work_out_slips(made, by_name)
    return [
        TubeExpectation(
            name,
            made.recipe.source,
            step.ph,
            step.ph_std,
            slips[name],
            step.cautions,
            step.samples,
        )
        for name, step in by_name.items()
    ]
