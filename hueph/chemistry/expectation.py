"""The pH that a recipe should give, step by step, with its uncertainty."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from statistics import NormalDist
from typing import Any

import numpy as np

from hueph._checks import check_coverage
from hueph._types import FloatArray, PathLike
from hueph.chemistry.cautions import safety_cautions, step_cautions
from hueph.chemistry.equilibrium import Conditions, Equilibrium
from hueph.chemistry.notebook import Notebook, StepRecord
from hueph.chemistry.preparations import Mixture, prepare, volume_to_reach
from hueph.chemistry.recipe import Recipe, load_recipe, parse_one_liner, parse_recipe
from hueph.chemistry.shortcut import explain_difference, shortcut_ph
from hueph.chemistry.solutions import parse_label
from hueph.chemistry.titration_step import TitrationRecord
from hueph.chemistry.uncertainty import (
    Contribution,
    Quantities,
    Quantity,
    linear_deviations,
    random_deviations,
)
from hueph.errors import InputError
from hueph.interval import Interval

__all__ = ["Expectation", "ExpectedStep", "OneUnit", "expect_recipe"]

_MAX_SAMPLES = 200_000
# From this standard uncertainty on, pH is no longer nearly linear in what was measured (a strong acid beside as
# much strong base: either may be left over), and the range is taken from random runs.
_STEEP_STD = 0.1
_RUNS, _SEED = 2000, 0


@dataclass(frozen=True, slots=True)
class OneUnit:
    """How much of a test solution moves a liquid by one pH unit; None when it never does.

    Attributes
    ----------
    solution : str
        Label of the test solution.
    volume_ml, drops : float or None
    """

    solution: str
    volume_ml: float | None
    drops: float | None


@dataclass(frozen=True)
class ExpectedStep:
    """One step of a recipe, worked out.

    Attributes
    ----------
    name, text : str
        The step's name and its sentence as written; `line` is its line in the recipe.
    ph : float
        From the full charge and mass balance with activities, what a meter should show.
    ph_std : float
        Its standard uncertainty (k = 1) from measuring, labels, temperature, constants and activity model.
    samples : array, shape (n,), or None
        Random values in rising order where pH is not nearly linear in what was measured.
    ph_ideal : float or None
        The textbook shortcut: stoichiometry, then one formula with 25 °C constants and no activities.
    shortcut : str
        The formula, in words.
    difference : str or None
        Why the two differ, when by 0.02 or more.
    ph_unit_activity : float
        The full balance with all activity coefficients 1.
    volume_ml, ionic_strength, buffer_capacity : float
        mL; mol/L; mol/L per unit of pH.
    species_molar, species_mol : dict
        Equilibrium concentration, mol/L, and amount, mol, of every form.
    takes_acid, takes_base : OneUnit
        What moves it by one unit down and up.
    budget : tuple of Contribution
        The largest contribution first.
    cautions : tuple of str
        Where the model or the real liquid may differ.
    """

    name: str
    line: int
    text: str
    ph: float
    ph_std: float
    ph_ideal: float | None
    shortcut: str
    difference: str | None
    ph_unit_activity: float
    volume_ml: float
    temperature_c: float
    ionic_strength: float
    buffer_capacity: float
    species_molar: dict[str, float]
    species_mol: dict[str, float]
    takes_acid: OneUnit
    takes_base: OneUnit
    budget: tuple[Contribution, ...]
    cautions: tuple[str, ...]
    portions: tuple[str, ...] = ()
    titration: TitrationRecord | None = None
    mixture: Mixture = field(repr=False, kw_only=True)
    samples: FloatArray | None = field(default=None, repr=False, kw_only=True)

    def std_by_kind(self) -> dict[str, float]:
        """Return the standard uncertainty of the pH from each kind of source, the largest first."""
        squares: dict[str, float] = {}
        for item in self.budget:
            squares[item.kind] = squares.get(item.kind, 0.0) + item.ph**2
        return {kind: math.sqrt(value) for kind, value in sorted(squares.items(), key=lambda pair: -pair[1])}

    def interval(self, coverage: float = 0.95) -> Interval:
        """Return the range that holds the real pH with probability `coverage`.

        The errors count as normal, but for steep places, where random runs tell it.

        Raises
        ------
        InputError
            `coverage` is no probability.
        """
        share = 0.5 + check_coverage(coverage) / 2.0
        if self.samples is not None:
            low, high = np.quantile(self.samples, [1.0 - share, share])
            return Interval(float(low), float(high), coverage)
        reach = NormalDist().inv_cdf(share) * self.ph_std
        return Interval(self.ph - reach, self.ph + reach, coverage)

    def to_dict(self, coverage: float = 0.95) -> dict[str, Any]:
        """Return the step as JSON-ready values; the first seven keys are promised to other programs."""
        interval = self.interval(coverage)
        known: dict[str, Any] = {
            "step": self.name,
            "ph": self.ph,
            "ph_ideal": self.ph_ideal,
            "volume_ml": self.volume_ml,
            "ionic_strength": self.ionic_strength,
            "buffer_capacity": self.buffer_capacity,
            "species_molar": self.species_molar,
            "text": self.text,
            "line": self.line,
            "ph_std": self.ph_std,
            "range": [interval.low, interval.high],
            "coverage": coverage,
            "ph_unit_activity": self.ph_unit_activity,
            "shortcut": self.shortcut,
            "difference": self.difference,
            "temperature_c": self.temperature_c,
            "species_mol": self.species_mol,
            "one_unit": {
                "acid": _unit_dict(self.takes_acid),
                "base": _unit_dict(self.takes_base),
            },
            "budget": [{"quantity": item.label, "kind": item.kind, "ph": item.ph} for item in self.budget],
            "portions": list(self.portions),
            "cautions": list(self.cautions),
        }
        if self.titration is not None:
            known["titration"] = self.titration.to_dict()
        return known


@dataclass(frozen=True)
class Expectation:
    """All steps of a recipe, worked out.

    Attributes
    ----------
    steps : tuple of ExpectedStep
    cautions : tuple of str
        Hazards, each said once.
    recipe : Recipe
    """

    steps: tuple[ExpectedStep, ...]
    cautions: tuple[str, ...]
    recipe: Recipe
    asked: Mapping[str, Quantity] = field(repr=False)
    delivered: Mapping[str, TitrationRecord] = field(repr=False)

    def step(self, name: str) -> ExpectedStep:
        """Return a step, or the step that made a portion, by name.

        Raises
        ------
        InputError
            No such step; the text names those there are.
        """
        for step in self.steps:
            if name in (step.name, *step.portions):
                return step
        names = ", ".join(step.name for step in self.steps)
        raise InputError(f"{self.recipe.source} has no step called {name!r}; it has {names or 'none'}")

    def to_dict(self, coverage: float = 0.95) -> dict[str, Any]:
        """Return everything as JSON-ready values."""
        return {
            "steps": [step.to_dict(coverage) for step in self.steps],
            "title": self.recipe.title,
            "cautions": list(self.cautions),
        }

    def monte_carlo(self, samples: int = 10_000, *, rng: np.random.Generator) -> dict[str, FloatArray]:
        """Run the recipe with random measuring errors.

        Parameters
        ----------
        samples : int
            100 to 200000.
        rng : numpy.random.Generator

        Returns
        -------
        dict of str to array, shape (samples,)
            pH of each step.

        Raises
        ------
        InputError
            `samples` is out of range.
        """
        if not 100 <= samples <= _MAX_SAMPLES:
            raise InputError(
                f"the number of random runs must lie between 100 and {_MAX_SAMPLES}, got {samples}"
            )
        quantities = Quantities(random_deviations(self.asked, samples, rng))
        notebook = Notebook(self.recipe, quantities, self.delivered)
        records = notebook.run()
        conditions = _conditions_of(notebook)
        return {
            record.step.name: np.broadcast_to(record.mixture.equilibrium(conditions).ph, (samples,)).copy()
            for record in records
        }


def expect_recipe(recipe: Recipe | PathLike) -> Expectation:
    """Work out the pH of every step of a recipe.

    Parameters
    ----------
    recipe : Recipe, path or str
        A checked recipe, the path of a recipe file, the text of one, or a line such as
        ``"5 mL 0.1 M acetic acid + 5 mL 0.1 M sodium acetate"``.

    Raises
    ------
    RecipeError
        A line is wrong; the sentence names it.

    Examples
    --------
    >>> made = expect_recipe("5 mL 0.1 M acetic acid + 5 mL 0.1 M sodium acetate")
    >>> round(made.steps[0].ph, 2), round(made.steps[0].ph_ideal, 2)
    (4.67, 4.76)
    """
    checked = recipe if isinstance(recipe, Recipe) else _read(recipe)
    first = Notebook(checked, Quantities())
    first.conditions()
    first.run()
    asked = first.quantities.asked
    linear = Notebook(checked, Quantities(linear_deviations(asked)), first.delivered)
    records = linear.run()
    conditions = _conditions_of(linear)
    moving = [quantity for quantity in asked.values() if quantity.std > 0.0]
    steps = tuple(_expected(record, checked, conditions, moving) for record in records)
    used = {name: label for name, label in linear.labels.items() if name in linear.touched}
    hazards = safety_cautions(used, checked.table, checked)
    return _with_random_runs(Expectation(steps, hazards, checked, asked, first.delivered))


def _with_random_runs(made: Expectation) -> Expectation:
    """Take what random runs say where the linear propagation is far off; the shares of the budget stay."""
    steep = [step for step in made.steps if step.ph_std > _STEEP_STD]
    if not steep:
        return made
    drawn = made.monte_carlo(_RUNS, rng=np.random.default_rng(_SEED))
    told = {}
    for step in steep:
        ph_std = float(np.std(drawn[step.name]))
        factor = ph_std / step.ph_std
        budget = tuple(replace(item, ph=item.ph * factor) for item in step.budget)
        told[step.name] = replace(step, ph_std=ph_std, budget=budget, samples=np.sort(drawn[step.name]))
    return replace(made, steps=tuple(told.get(step.name, step) for step in made.steps))


def _read(recipe: PathLike) -> Recipe:
    """Tell a path, a recipe's text and a line from one another."""
    text = os.fspath(recipe)
    if not isinstance(recipe, str) or text.casefold().endswith(".toml") or os.path.isfile(text):
        return load_recipe(text)
    return (
        parse_recipe(text) if "\n" in text.strip() or text.lstrip().startswith("[") else parse_one_liner(text)
    )


def _conditions_of(notebook: Notebook) -> Conditions:
    """Conditions of a run, the vessel open when the recipe says so."""
    conditions = notebook.conditions()
    recipe = notebook.recipe
    return replace(conditions, co2_atm=recipe.co2_atm) if recipe.air_open else conditions


def _expected(
    record: StepRecord, recipe: Recipe, conditions: Conditions, moving: list[Quantity]
) -> ExpectedStep:
    """Turn a step carried out in 2 m + 1 versions into its result."""
    solved = record.mixture.equilibrium(conditions)
    ph = np.broadcast_to(solved.ph, (2 * len(moving) + 1,))
    slopes = 0.5 * (ph[1::2] - ph[2::2])
    budget = [
        Contribution(item.label, float(slope), item.kind) for item, slope in zip(moving, slopes, strict=True)
    ]
    budget = [item for item in budget if abs(item.ph) > 1e-6]
    budget.sort(key=lambda item: -abs(item.ph))
    nominal = record.mixture.first()
    plain = replace(recipe.conditions(), co2_atm=conditions.co2_atm)
    shortcut = shortcut_ph(nominal)
    value = float(ph[0])
    ph_std = math.sqrt(float(np.sum(slopes**2)))
    molar = _present(solved)
    litres = float(nominal.volume_ml[0]) / 1000.0
    return ExpectedStep(
        name=record.step.name,
        line=record.step.line,
        text=record.step.text,
        ph=value,
        ph_std=ph_std,
        ph_ideal=shortcut.ph,
        shortcut=shortcut.method,
        difference=explain_difference(nominal, shortcut, plain, value),
        ph_unit_activity=float(nominal.equilibrium(replace(plain, activity="ideal")).ph[0]),
        volume_ml=1000.0 * litres,
        temperature_c=float(nominal.temperature_c[0]),
        ionic_strength=float(solved.ionic_strength[0]),
        buffer_capacity=float(solved.buffer_capacity[0]),
        species_molar=molar,
        species_mol={form: value * litres for form, value in molar.items()},
        takes_acid=_one_unit(nominal, recipe, plain, recipe.test_acid, value - 1.0),
        takes_base=_one_unit(nominal, recipe, plain, recipe.test_base, value + 1.0),
        budget=tuple(budget),
        cautions=step_cautions(record, solved, recipe, plain, ph_std),
        portions=record.portions,
        titration=record.titration,
        mixture=nominal,
    )


def _present(solved: Equilibrium) -> dict[str, float]:
    """Nominal concentrations of what is really there."""
    molar = {form: float(value[0]) for form, value in solved.species_molar.items()}
    return {form: value for form, value in molar.items() if value > 0.0}


def _one_unit(mixture: Mixture, recipe: Recipe, conditions: Conditions, label: str, target: float) -> OneUnit:
    """Volume of a test solution that brings a liquid to a pH one unit away."""
    test = parse_label(label, recipe.table)
    solution = prepare(test.molar, temperature_c=mixture.temperature_c, table=recipe.table)
    # A closed vessel for the few drops: the question is what the buffer takes, not what the air gives.
    volume = volume_to_reach(mixture, solution, target, replace(conditions, co2_atm=None))
    return OneUnit(label, volume, None if volume is None else volume / recipe.drop_ml)


def _unit_dict(unit: OneUnit) -> dict[str, Any]:
    return {"solution": unit.solution, "volume_ml": unit.volume_ml, "drops": unit.drops}
