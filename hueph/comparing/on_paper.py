"""An experiment carried out on paper: its recipe with the experiment's own additions, and water beside it."""

from __future__ import annotations

import re
from dataclasses import replace

from hueph.chemistry.expectation import Expectation, ExpectedStep, expect_recipe
from hueph.chemistry.recipe import Recipe, RecipeStep, load_recipe
from hueph.chemistry.sentences import parse_sentence
from hueph.chemistry.species import load_species
from hueph.comparing.expected import ExpectedChange, expected_change
from hueph.comparing.experiment import Experiment, Sample
from hueph.errors import RecipeError

__all__ = ["Chemistry", "expected_course"]

# How the chemistry speaks of a step that was made of a line of the experiment file.
_OWN_STEP = re.compile(r"line (\d+): step '(?:addition|yardstick)-[\d-]+': (.*)", re.DOTALL)


def expected_course(plan: Experiment, recipe: Recipe | None = None) -> dict[str, list[ExpectedStep]]:
    """Return what the recipe makes of every sample, without looking at a photograph.

    Parameters
    ----------
    plan : Experiment
    recipe : Recipe, optional
        In place of the one the experiment names.

    Returns
    -------
    dict of str to list of ExpectedStep
        Before any addition, then after each; samples without a step of the recipe are left out.

    Raises
    ------
    RecipeError
        A line of either file is wrong.
    """
    chemistry = Chemistry(plan, recipe)
    course = {}
    for sample in plan.samples:
        start = chemistry.start(sample)
        if start is not None and chemistry.made is not None:
            later = [chemistry.names[sample.name, number] for number in range(len(sample.additions))]
            course[sample.name] = [start, *(chemistry.made.step(name) for name in later)]
    return course


class Chemistry:
    """The recipe with the experiment's additions carried out on paper."""

    def __init__(self, plan: Experiment, recipe: Recipe | None = None) -> None:
        self.plan = plan
        self.names: dict[tuple[str, int], str] = {}
        self.water: dict[tuple[str, int], str] = {}
        self.made: Expectation | None = None
        if plan.recipe is not None:
            known = recipe or load_recipe(plan.recipe)
            extended = self._extended(known)
            try:
                self.made = expect_recipe(extended)
            except RecipeError as error:
                # Either the recipe itself is wrong, or one of the additions, which stand in this file.
                expect_recipe(known)
                found = _OWN_STEP.search(str(error))
                if found is None:
                    raise
                raise plan.fail(int(found[1]), f"what was added: {found[2]}") from error

    @property
    def cautions(self) -> tuple[str, ...]:
        return () if self.made is None else self.made.cautions

    def start(self, sample: Sample) -> ExpectedStep | None:
        """The sample before anything was added."""
        return None if self.made is None or not sample.step else self.made.step(sample.step)

    def change(self, sample: Sample, number: int) -> ExpectedChange | None:
        """What the additions up to `number` should do."""
        before, name = self.start(sample), self.names.get((sample.name, number))
        if self.made is None or before is None or name is None:
            return None
        yardstick = self.water.get((sample.name, number))
        water = None if yardstick is None or sample.is_water else self.made.step(yardstick)
        return expected_change(
            before, self.made.step(name), water=water, conditions=self.made.recipe.conditions()
        )

    def strong_added(self, sample: Sample, number: int, drop_ml: float) -> float | None:
        """Strong base (positive) or acid added so far, mol/L of the liquid, from the labels alone."""
        if sample.volume_ml is None:
            return None
        steps = [f"add {one.text} to it" for one in sample.additions[: number + 1]]
        text = f"take {sample.volume_ml:g} mL of pure water; " + "; ".join(steps)
        blank = Recipe("the additions", load_species(), drop_ml=drop_ml, steps=_steps(text))
        made = expect_recipe(blank).steps
        return expected_change(made[0], made[-1]).added_molar

    def _extended(self, recipe: Recipe) -> Recipe:
        """Add a step for every addition that the recipe does not name itself, and the same for water."""
        known = {name for step in recipe.steps for name in (step.name, *_portions(step))}
        steps = list(recipe.steps)
        for index, sample in enumerate(self.plan.samples):
            if not sample.step:
                continue
            if sample.step not in known:
                raise self.plan.fail(
                    sample.line,
                    f"the recipe {recipe.source} has no step or portion {sample.step!r}; it has "
                    f"{', '.join(sorted(known)) or 'none'}",
                )
            current = sample.step
            yard = f"yardstick-{index}"
            volume = sample.volume_ml or self._volume(recipe, sample.step)
            steps.append(_step(yard, f"take {volume:g} mL of boiled water", sample.line))
            for number, addition in enumerate(sample.additions):
                if addition.step and addition.step not in known:
                    raise self.plan.fail(addition.line, f"the recipe has no step {addition.step!r}")
                name = addition.step or f"addition-{index}-{number}"
                if not addition.step:
                    steps.append(_step(name, f"add {addition.text} to {current}", addition.line))
                following = f"yardstick-{index}-{number}"
                steps.append(_step(following, f"add {addition.text} to {yard}", addition.line))
                self.names[sample.name, number], self.water[sample.name, number] = name, following
                current, yard = name, following
        return replace(recipe, steps=tuple(steps))

    def _volume(self, recipe: Recipe, step: str) -> float:
        """Volume of a step or portion of the recipe as it stands, mL."""
        return expect_recipe(recipe).step(step).volume_ml


def _portions(step: RecipeStep) -> tuple[str, ...]:
    """Names of the portions a step makes."""
    sentence = step.sentence
    names = tuple(getattr(sentence, "names", ()))
    return names or tuple(f"{step.name}-{number + 1}" for number in range(getattr(sentence, "count", 0)))


def _step(name: str, text: str, line: int) -> RecipeStep:
    return RecipeStep(name, line, text, parse_sentence(text))


def _steps(text: str) -> tuple[RecipeStep, ...]:
    return tuple(
        _step(f"step {line}", piece.strip(), line) for line, piece in enumerate(text.split(";"), start=1)
    )
