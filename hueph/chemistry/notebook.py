"""Carries out a recipe: keeps account of every bottle and portion, line by line."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from hueph._types import FloatArray
from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.glassware import Tool, choose_tool, parse_tool
from hueph.chemistry.preparations import BOILED_CO2_ATM, Mixture, mix, prepare
from hueph.chemistry.recipe import Recipe, RecipeStep
from hueph.chemistry.sentences import SentenceError
from hueph.chemistry.solutions import Label, parse_label
from hueph.chemistry.species import nearest
from hueph.chemistry.steps import Add, Amount, Dilute, Exchange, Mix, Part, Split, Take, Temper, Titrate
from hueph.chemistry.titration_step import TitrationRecord, volume_to_stop, work_out_titration
from hueph.chemistry.uncertainty import Quantities
from hueph.errors import HuephError, RecipeError

__all__ = ["Notebook", "StepRecord"]

# A bare "dilute acid 1:10" makes one flask of this size; a bare "equal volumes" takes this of each.
_DEFAULT_FLASK_ML = 100.0
_DEFAULT_EACH_ML = 5.0


@dataclass
class _Vessel:
    """A bottle or preparation while the recipe runs."""

    name: str
    line: int
    mixture: Mixture
    left_ml: float
    is_bottle: bool
    emptied_by: str = ""


@dataclass(frozen=True)
class StepRecord:
    """A step carried out."""

    step: RecipeStep
    mixture: Mixture
    portions: tuple[str, ...] = ()
    boiled: bool = False
    titration: TitrationRecord | None = None


class Notebook:
    """One run through a recipe.

    Parameters
    ----------
    recipe : Recipe
    quantities : Quantities
        Hands out every measured value.
    delivered : mapping, optional
        Nominal titrant volumes of an earlier run, by step; without it titrations are worked out.
    """

    def __init__(
        self, recipe: Recipe, quantities: Quantities, delivered: Mapping[str, TitrationRecord] | None = None
    ) -> None:
        self.recipe, self.quantities = recipe, quantities
        self.delivered = dict(delivered or {})
        self.vessels: dict[str, _Vessel] = {}
        self.labels: dict[str, Label] = {}
        self.touched: set[str] = set()
        self._last = ""
        self._line = 1
        self._step = ""
        std = 0.0 if recipe.measuring.exact else recipe.measuring.temperature_std_c
        self.temperature = quantities.draw(
            "temperature", "temperature", recipe.temperature_c, std, positive=False
        )
        self._pouring: dict[type, Callable[..., StepRecord]] = {
            Take: self._take, Mix: self._mix, Dilute: self._dilute, Split: self._split, Add: self._add,
            Exchange: self._exchange, Temper: self._temper, Titrate: self._titrate,
        }  # fmt: skip

    def run(self) -> list[StepRecord]:
        """Carry out all steps in order.

        Raises
        ------
        RecipeError
            A step breaks a rule; the sentence names its line.
        """
        for bottle in self.recipe.bottles:
            mixture = self._fill(bottle.name, bottle.label)
            self._keep(_Vessel(bottle.name, bottle.line, mixture, bottle.label.volume_ml, True))
        records = []
        for step in self.recipe.steps:
            self._line, self._step = step.line, step.name
            try:
                record = self._pouring[type(step.sentence)](step, step.sentence)
            except RecipeError:
                raise
            except (SentenceError, HuephError) as error:
                raise self._error(str(error)) from error
            if self.recipe.air_open:
                # A measuring error of the air's carbon dioxide is not carried: pH moves by 0.01 in 10 ppm.
                record = replace(
                    record, mixture=record.mixture.in_gas(self.recipe.co2_atm, self.conditions())
                )
            records.append(record)
            self._finish(record)
        return records

    def conditions(self) -> Conditions:
        """Return the conditions of every solve of this run, its uncertain constants included."""
        exact = self.recipe.measuring.exact
        shifts: dict[str, FloatArray] = {}
        for key, acid in self.recipe.table.acids.items():
            columns = [
                self.quantities.draw(
                    f"pka/{key}/{step}",
                    f"pKa {step + 1} of {acid.name}" if len(acid.pka) > 1 else f"pKa of {acid.name}",
                    0.0,
                    0.0 if exact else std,
                    positive=False,
                )
                for step, std in enumerate(acid.pka_std)
            ]
            if any(column.size > 1 or column[0] != 0.0 for column in columns):
                shifts[key] = np.stack(np.broadcast_arrays(*columns))
        davies = self.recipe.activity == "davies" and not exact
        # The equation is off by some 10 % of its correction below 0.1 mol/L: against the standards and the
        # stock data files of the independent code, 0.00 to 0.02 of corrections of 0.1 to 0.3.
        scale = self.quantities.draw("davies", "activity model", 1.0, 0.1 if davies else 0.0)
        return Conditions(
            activity=self.recipe.activity, pkw=self.recipe.pkw, pka_shift=shifts, davies_scale=scale
        )

    def _error(self, text: str) -> RecipeError:
        # The steps of a one-liner are called "step 1", "step 2" already.
        where = self._step if self._step.startswith("step ") else f"step {self._step!r}"
        return self.recipe.fail(self._line, f"{where}: {text}")

    def _keep(self, vessel: _Vessel) -> None:
        if vessel.name in self.vessels:
            earlier = self.vessels[vessel.name].line
            raise self._error(f"{vessel.name!r} is already the name of what line {earlier} makes")
        self.vessels[vessel.name] = vessel

    def _finish(self, record: StepRecord) -> None:
        """Stand the result, or its portions, on the bench."""
        step = record.step
        volume = float(record.mixture.volume_ml[0])
        for portion in record.portions:
            self._keep(_Vessel(portion, step.line, record.mixture, volume, False))
        if not record.portions:
            self._keep(_Vessel(step.name, step.line, record.mixture, volume, False))
        self._last = record.portions[0] if record.portions else step.name

    def _fill(self, key: str, label: Label) -> Mixture:
        """Make up a bottle; what its label claims is uncertain as a whole."""
        self.labels[key] = label
        if label.water is not None:
            water = prepare({}, label.volume_ml, temperature_c=self.temperature, table=self.recipe.table)
            plain = "air" if label.water == "water" and self.recipe.water == "air" else label.water
            kind = self.recipe.water if plain == "water" else plain
            if kind == "pure":
                return water
            gas = self.recipe.co2_atm if kind == "air" else BOILED_CO2_ATM
            return water.in_gas(gas, Conditions(activity=self.recipe.activity, pkw=self.recipe.pkw))
        limit = 0.0 if self.recipe.measuring.exact else self.recipe.measuring.label_limit
        factor = self.quantities.draw(
            f"label/{key}", f"label of {key}", 1.0, limit / np.sqrt(3.0), "rectangular"
        )
        molar = {name: value * factor for name, value in label.molar.items()}
        return prepare(molar, label.volume_ml, temperature_c=self.temperature, table=self.recipe.table)

    def _vessel(self, what: str) -> _Vessel:
        """Find a vessel that a step uses."""
        vessel = self._find(what)
        self.touched.add(vessel.name)
        return vessel

    def _find(self, what: str) -> _Vessel:
        """Find a vessel by name, or fill one from an inline label."""
        if what.casefold() == "it":
            if not self._last:
                raise self._error("'it' means the result of the step before, but this is the first")
            what = self._last
        if what in self.vessels:
            return self.vessels[what]
        folded = [vessel for name, vessel in self.vessels.items() if name.casefold() == what.casefold()]
        if len(folded) == 1:
            return folded[0]
        if what in {step.name for step in self.recipe.steps}:
            raise self._error(self._made_later(what))
        try:
            label = parse_label(what, self.recipe.table)
        except SentenceError as error:
            raise self._error(self._unknown(what, error)) from error
        # What is only named in passing is there in any amount.
        vessel = _Vessel(what, self._line, self._fill(what, label), math.inf, True)
        self.vessels[what] = vessel
        return vessel

    def _unknown(self, what: str, error: SentenceError) -> str:
        if any(character.isdigit() for character in what) and " " in what:
            return str(error)
        if what.casefold() in map(str.casefold, self.recipe.table.known_names()):
            return f"{what!r} needs a concentration, such as '0.1 M {what}'"
        known = list(self.vessels)
        hint = nearest(what, [*known, *self.recipe.table.known_names()])
        standing = f"; there are {', '.join(known)} and water" if known and not hint else ""
        return f"nothing called {what!r} has been made or stands on the bench{hint}{standing}"

    def _made_later(self, what: str) -> str:
        """Say that a step is used too early; a ring of steps is named as one."""
        other = next(step for step in self.recipe.steps if step.name == what)
        if other.name == self._step:
            return f"{what!r} cannot be made from itself"
        if _uses(other, self._step):
            return f"it needs {what!r} (line {other.line}), which needs {self._step!r}: one must come first"
        return f"{what!r} is used before it is made in line {other.line}; move that line up"

    def _measure(self, amount: Amount, label: str, *, tool: tuple[str, str] | None = None) -> FloatArray:
        """Volume of an amount in mL, with the error of what measures it."""
        exact = self.recipe.measuring.exact
        if amount.in_drops:
            share = 0.0 if exact else self.recipe.measuring.drop_share_std
            size = self.quantities.draw(
                "drop", "size of a drop", self.recipe.drop_ml, share * self.recipe.drop_ml
            )
            return amount.value * size
        kind, glass_class = (
            parse_tool(amount.tool) if amount.tool else (tool or self.recipe.measuring.volumes)
        )
        if kind == "drops":
            kind = "pipette"
        chosen: Tool = choose_tool(kind, glass_class, amount.value)
        key = f"volume/{self._step}/{label}"
        std = 0.0 if exact else chosen.std_ml
        return self.quantities.draw(key, f"{amount} {label} ({chosen})", amount.value, std, "triangular")

    def _pour(self, part: Part, *, bare_ml: float | None = None) -> Mixture:
        """Take a part out of its vessel; `bare_ml` is taken from a bottle when no amount is written."""
        vessel = self._vessel(part.what)
        amount = part.amount
        if amount is None and vessel.is_bottle:
            if bare_ml is None:
                raise self._error(f"say how much of {vessel.name} to use, such as 5 mL of {vessel.name}")
            amount = Amount(bare_ml, False)
        if amount is None:
            wanted = vessel.left_ml
            self._check_left(vessel, wanted, "all")
            poured = vessel.mixture.scaled(wanted / float(vessel.mixture.volume_ml[0]))
        else:
            volume = self._measure(amount, vessel.name)
            wanted = amount.value * (self.recipe.drop_ml if amount.in_drops else 1.0)
            self._check_left(vessel, wanted, str(amount))
            poured = vessel.mixture.take(volume)
        vessel.left_ml = max(vessel.left_ml - wanted, 0.0)
        vessel.emptied_by = f"{self._step!r} in line {self._line}"
        return poured

    def _check_left(self, vessel: _Vessel, wanted: float, amount: str) -> None:
        if vessel.left_ml <= 1e-9:
            raise self._error(
                f"nothing is left of {vessel.name}: the last of it went into {vessel.emptied_by}; "
                f"go on with that, split it first, or take a portion in each step"
            )
        if wanted > vessel.left_ml * (1.0 + 1e-9):
            raise self._error(
                f"it takes {amount} of {vessel.name}, but only {vessel.left_ml:.4g} mL are there"
            )

    def _take(self, step: RecipeStep, sentence: Take) -> StepRecord:
        return StepRecord(step, self._pour(sentence.part))

    def _mix(self, step: RecipeStep, sentence: Mix) -> StepRecord:
        parts = sentence.parts
        if sentence.equal:
            each = sentence.each or Amount(_DEFAULT_EACH_ML, False)
            parts = tuple(replace(part, amount=each) for part in parts)
        return StepRecord(step, mix([self._pour(part) for part in parts]))

    def _add(self, step: RecipeStep, sentence: Add) -> StepRecord:
        receiver = self._pour(sentence.to)
        return StepRecord(step, mix([receiver, *(self._pour(part) for part in sentence.parts)]))

    def _dilute(self, step: RecipeStep, sentence: Dilute) -> StepRecord:
        # A bare bottle gives one flask of the diluted solution.
        ratio = sentence.factor
        target = sentence.final.value if sentence.final is not None else _DEFAULT_FLASK_ML
        bare = target / ratio if ratio is not None else None
        part = self._pour(sentence.part, bare_ml=bare)
        start = float(part.volume_ml[0])
        final = sentence.final or Amount(start * (ratio or 1.0), False)
        if final.value < start * (1.0 - 1e-9):
            raise self._error(f"it fills {start:.4g} mL up to {final.value:g} mL, but there is more already")
        room = self._measure(final, "in all", tool=self.recipe.measuring.vessel)
        diluent = self._vessel(sentence.diluent)
        self._check_left(diluent, final.value - start, f"{final.value - start:.4g} mL")
        diluent.left_ml -= final.value - start
        return StepRecord(step, part.filled_to(room, diluent.mixture))

    def _split(self, step: RecipeStep, sentence: Split) -> StepRecord:
        vessel = self._vessel(sentence.what)
        names = sentence.names or tuple(f"{step.name}-{number + 1}" for number in range(sentence.count))
        for name in names:
            if names.count(name) > 1 or name in {other.name for other in self.recipe.steps} - {step.name}:
                raise self._error(f"the portion {name!r} needs a name of its own")
        if vessel.is_bottle and sentence.each is None:
            raise self._error(f"say how much of {vessel.name} goes into each portion, such as: 2 mL each")
        each = sentence.each or Amount(vessel.left_ml / len(names), False)
        wanted = each.value * (self.recipe.drop_ml if each.in_drops else 1.0) * len(names)
        self._check_left(vessel, wanted, f"{len(names)} times {each}")
        if sentence.each is None:
            portion = vessel.mixture.scaled(each.value / float(vessel.mixture.volume_ml[0]))
        else:
            portion = vessel.mixture.take(self._measure(each, vessel.name))
        vessel.left_ml = max(vessel.left_ml - wanted, 0.0)
        vessel.emptied_by = f"{self._step!r} in line {self._line}"
        return StepRecord(step, portion, portions=names)

    def _exchange(self, step: RecipeStep, sentence: Exchange) -> StepRecord:
        part = self._pour(sentence.part, bare_ml=self._all_of_a_bottle(sentence.part))
        gas = BOILED_CO2_ATM if sentence.boiled else self.recipe.co2_atm
        return StepRecord(step, part.in_gas(gas, self.conditions()), boiled=sentence.boiled)

    def _temper(self, step: RecipeStep, sentence: Temper) -> StepRecord:
        part = self._pour(sentence.part, bare_ml=self._all_of_a_bottle(sentence.part))
        std = 0.0 if self.recipe.measuring.exact else self.recipe.measuring.temperature_std_c
        key, label = f"temperature/{step.name}", f"temperature of {step.name}"
        reached = self.quantities.draw(key, label, sentence.temperature_c, std, positive=False)
        return StepRecord(step, part.at_temperature(reached))

    def _all_of_a_bottle(self, part: Part) -> float | None:
        vessel = self._vessel(part.what)
        if not vessel.is_bottle or part.amount is not None:
            return None
        return vessel.left_ml if math.isfinite(vessel.left_ml) else _DEFAULT_FLASK_ML

    def _titrate(self, step: RecipeStep, sentence: Titrate) -> StepRecord:
        titrant = self._vessel(sentence.titrant)
        sample = self._pour(sentence.sample)
        if titrant is self._vessel(sentence.sample.what):
            raise self._error(f"{titrant.name} is titrated with itself")
        record = self.delivered.get(step.name)
        if record is None:
            record = work_out_titration(sentence, sample, titrant.name, titrant.mixture, self.recipe)
            self.delivered[step.name] = record
        exact, delivered = self.recipe.measuring.exact, record.delivered_ml
        self._check_left(titrant, delivered, f"{delivered:.4g} mL")
        titrant.left_ml -= delivered
        titrant.emptied_by = f"{self._step!r} in line {self._line}"
        if sentence.used_ml is not None:
            chosen = choose_tool(*self.recipe.measuring.burette, delivered)
            std = 0.0 if exact else chosen.std_ml
            label = f"{delivered:g} mL {titrant.name} ({chosen})"
            volume = self.quantities.draw(f"burette/{step.name}", label, delivered, std, "triangular")
        else:
            # Stopped at a sign, the volume follows the sample; what stays is that the last drop was too much
            # or too little by up to half a drop.
            std = 0.0 if exact else self.recipe.drop_ml / np.sqrt(12.0)
            miss = self.quantities.draw(
                f"drop/{step.name}", "last drop", 0.0, std, "rectangular", positive=False
            )
            volume = volume_to_stop(sample, titrant.mixture, record, self.conditions()) + miss
        mixture = mix([sample, titrant.mixture.take(np.maximum(volume, 0.0))])
        return StepRecord(step, mixture, titration=record)


def _uses(step: RecipeStep, name: str) -> bool:
    """Say whether a step takes from `name`."""
    sentence = step.sentence
    parts: list[Part] = []
    for key in ("part", "to", "sample"):
        if isinstance(found := getattr(sentence, key, None), Part):
            parts.append(found)
    parts.extend(getattr(sentence, "parts", ()))
    used = {part.what.casefold() for part in parts}
    used |= {str(getattr(sentence, key, "")).casefold() for key in ("what", "titrant", "diluent")}
    return name.casefold() in used
