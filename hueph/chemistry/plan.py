"""Planning a buffer: which acid and base, what volumes, how firm, and what measuring errors do to it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.expectation import Expectation, ExpectedStep, expect_recipe
from hueph.chemistry.preparations import mix, prepare, volume_to_reach
from hueph.chemistry.recipe import Recipe, parse_recipe
from hueph.chemistry.species import Reagent, SpeciesTable, load_species
from hueph.errors import InputError

__all__ = ["BufferPlan", "plan_buffer"]

# Substances no workshop weighs in for a buffer, though the table knows them.
_NOT_FOR_BUFFERS = ("carbon dioxide", "oxalic acid", "phthalic acid", "potassium tetroxalate")
# The best an acid can do is 0.58 times its concentration; one unit from the pKa it is 0.19.
_POOR_SHARE = 0.15


@dataclass(frozen=True)
class BufferPlan:
    """One way to make a buffer.

    Attributes
    ----------
    acid, base : str
        Labels of the two stock solutions.
    acid_ml, base_ml : float
        Volumes to measure, rounded to what can be read.
    step : ExpectedStep
        The mixture of the rounded volumes: pH, uncertainty with its budget, capacity, drops to one unit.
    recipe : str
        The same as a recipe file.
    cautions : tuple of str
        What speaks against it.
    """

    acid: str
    base: str
    acid_ml: float
    base_ml: float
    step: ExpectedStep
    expectation: Expectation
    recipe: str
    cautions: tuple[str, ...]

    def to_dict(self, coverage: float = 0.95) -> dict[str, Any]:
        """Return the plan as JSON-ready values."""
        return {
            "acid": self.acid,
            "base": self.base,
            "acid_ml": self.acid_ml,
            "base_ml": self.base_ml,
            "recipe": self.recipe,
            "cautions": [*self.cautions, *self.expectation.cautions],
            **self.step.to_dict(coverage),
        }


@dataclass(frozen=True, slots=True)
class _Candidate:
    """Two stocks, and the share of base stock in the mixture that hits the target."""

    acid: str
    base: str
    acid_molar: dict[str, float]
    base_molar: dict[str, float]
    share: float
    capacity: float


def plan_buffer(
    target_ph: float,
    volume_ml: float,
    *,
    total_molar: float = 0.1,
    temperature_c: float = 25.0,
    stocks: Recipe | None = None,
    count: int = 3,
) -> tuple[BufferPlan, ...]:
    """Return the best ways to make a buffer of a pH, the firmest first.

    Parameters
    ----------
    target_ph : float
        0 to 14.
    volume_ml : float
        1 to 1e6 mL.
    total_molar : float
        Concentration of both stock solutions and so of the buffer, 0.001 to 1 mol/L; not used with `stocks`.
    temperature_c : float
        0 to 50 °C; not used with `stocks`, whose recipe states its own.
    stocks : Recipe, optional
        Use only this recipe's solutions.
    count : int
        At most so many plans.

    Raises
    ------
    InputError
        A number is out of range, or no two stocks reach the pH.

    Examples
    --------
    >>> plan = plan_buffer(4.7, 100.0)[0]
    >>> abs(plan.step.ph - 4.7) < 0.01
    True
    """
    for name, value, low, high in (
        ("the target pH", target_ph, 0.0, 14.0),
        ("the volume in mL", volume_ml, 1.0, 1e6),
        ("the concentration in mol/L", total_molar, 0.001, 1.0),
        ("the temperature in °C", temperature_c, 0.0, 50.0),
    ):
        if not low <= value <= high:
            raise InputError(f"{name} must lie between {low:g} and {high:g} to plan a buffer, got {value!r}")
    table = stocks.table if stocks else load_species()
    pairs = _pairs_of_recipe(stocks) if stocks else _pairs_of_table(table, total_molar)
    if stocks:
        temperature_c = stocks.temperature_c
    found = [
        candidate
        for pair in pairs
        if (candidate := _solve_pair(*pair, target_ph, temperature_c, table)) is not None
    ]
    if not found:
        whose = f"of {stocks.source} " if stocks else f"at {total_molar:g} mol/L "
        raise InputError(
            f"no two solutions {whose}mix to pH {target_ph:g}; choose another pH or other solutions"
        )
    found.sort(key=lambda candidate: -candidate.capacity)
    return tuple(_plan(item, target_ph, volume_ml, temperature_c, stocks) for item in found[:count])


def _pairs_of_recipe(recipe: Recipe) -> list[tuple[str, str, dict[str, float], dict[str, float]]]:
    """Every two solutions of a recipe, by name."""
    bottles = [bottle for bottle in recipe.bottles if bottle.label.molar]
    return [
        (first.name, second.name, first.label.molar, second.label.molar)
        for number, first in enumerate(bottles)
        for second in bottles[number + 1 :]
    ]


def _pairs_of_table(
    table: SpeciesTable, molar: float
) -> list[tuple[str, str, dict[str, float], dict[str, float]]]:
    """Neighbouring forms of each acid; where one form is on no shelf, strong base or acid makes it."""
    pairs = []
    for key, acid in table.acids.items():
        bottles = [_bottle_of(table, key, form) for form in acid.forms]
        for lower_form, (lower, upper) in zip(acid.forms, itertools.pairwise(bottles), strict=False):
            first = lower.name if lower else "hydrochloric acid"
            second = upper.name if upper else "sodium hydroxide"
            # Acid on hydrogen carbonate sets its carbon dioxide free instead of buffering.
            if (lower or upper) and lower_form != "CO2":
                pairs.append(
                    (f"{molar:g} M {first}", f"{molar:g} M {second}", {first: molar}, {second: molar})
                )
    return pairs


def _bottle_of(table: SpeciesTable, key: str, form: str) -> Reagent | None:
    """Return the first substance that brings this form of an acid and nothing else that reacts."""
    for reagent in table.reagents.values():
        if reagent.name in _NOT_FOR_BUFFERS or "hydrate" in reagent.name:
            continue
        if list(reagent.acids) == [key] and reagent.contains.get(form) == reagent.acids[key]:
            return reagent
    return None


def _solve_pair(
    acid: str,
    base: str,
    acid_molar: dict[str, float],
    base_molar: dict[str, float],
    target_ph: float,
    temperature_c: float,
    table: SpeciesTable,
) -> _Candidate | None:
    """Find the share of the second stock that brings the mixture to the target, if any does."""
    first = prepare(acid_molar, 1.0, temperature_c=temperature_c, table=table)
    second = prepare(base_molar, 1.0, temperature_c=temperature_c, table=table)
    volume = volume_to_reach(first, second, target_ph)
    if volume is None or not 1e-3 <= volume <= 1e3:
        return None
    solved = mix([first, second.take(volume)]).equilibrium(Conditions())
    return _Candidate(
        acid, base, acid_molar, base_molar, volume / (1.0 + volume), float(solved.buffer_capacity[0])
    )


def _plan(
    item: _Candidate, target_ph: float, volume_ml: float, temperature_c: float, stocks: Recipe | None
) -> BufferPlan:
    """Round the volumes to what can be read and work the mixture out as a recipe."""
    step_ml = (
        0.01 if volume_ml <= 10.0 else 0.05 if volume_ml <= 100.0 else 10.0 ** (len(str(int(volume_ml))) - 4)
    )
    base_ml = round(round(item.share * volume_ml / step_ml) * step_ml, 6)
    base_ml = min(max(base_ml, step_ml), volume_ml - step_ml)
    acid_ml = round(volume_ml - base_ml, 6)
    text = _recipe_text(item, target_ph, acid_ml, base_ml, temperature_c, stocks)
    made = expect_recipe(parse_recipe(text, "the plan"))
    step = made.steps[0]
    cautions = list(step.cautions)
    if abs(step.ph - target_ph) > 0.05:
        cautions.append(
            f"volumes cannot be read finely enough to hit pH {target_ph:g}: thin one stock solution"
        )
    total = sum(float(value[0]) for value in step.mixture.concentrations()[0].values())
    if step.buffer_capacity < _POOR_SHARE * total:
        cautions.append("far from any pKa: it holds its pH poorly for its concentration")
    return BufferPlan(item.acid, item.base, acid_ml, base_ml, step, made, text, tuple(cautions))


def _recipe_text(
    item: _Candidate,
    target_ph: float,
    acid_ml: float,
    base_ml: float,
    temperature_c: float,
    stocks: Recipe | None,
) -> str:
    """Write a plan as a recipe file."""
    acid, base = item.acid, item.base
    names = ("acid", "base")
    if stocks:
        labels = {bottle.name: bottle.label.text for bottle in stocks.bottles}
        names, acid, base = (acid, base), labels[acid], labels[base]
    return (
        f'title = "Buffer of pH {target_ph:g}"\n'
        f"temperature = {temperature_c:g}\n\n"
        f'[solutions]\n"{names[0]}" = "{acid}"\n"{names[1]}" = "{base}"\n\n'
        f'[steps]\nbuffer = "mix {acid_ml:g} mL {names[0]} and {base_ml:g} mL {names[1]}"\n'
    )
