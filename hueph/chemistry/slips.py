"""What usually goes wrong with a preparation at the bench, and the pH that each slip would give."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from hueph._types import FloatArray
from hueph.chemistry.activity import davies_function
from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.expectation import Expectation, ExpectedStep
from hueph.chemistry.notebook import Notebook, StepRecord, _Vessel
from hueph.chemistry.preparations import Mixture, mix, prepare
from hueph.chemistry.recipe import Recipe, RecipeStep
from hueph.chemistry.solutions import Label
from hueph.chemistry.species import SpeciesTable
from hueph.chemistry.steps import Add, Amount, Dilute, Mix, Part, Sentence, Take, Titrate
from hueph.chemistry.titration_step import TitrationRecord
from hueph.chemistry.uncertainty import Quantities
from hueph.chemistry.water import davies_a
from hueph.errors import HuephError

__all__ = ["Slip", "work_out_slips"]

# Slips that move the pH by less than this are not told apart from measuring.
_LEAST_SHIFT = 0.05
# Conditions (gas, temperature, dye, salt) are named from this shift on.
_LEAST_DRIFT = 0.1
# More bottles than this are not tried in one another's place.
_MOST_BOTTLES = 8
# Dye in a tube made to be read by eye: 3 drops of a 0.1 % solution (about 600 g/mol) in 2 mL hold
# 1e-4 mol/L (common practice, no source). As an acid it gives up at most one proton between its colours.
_DYE_MOLAR = 1e-4
# A tube holds no more than this, so that a drop left in it counts (common practice, no source).
_TUBE_ML = 5.0
# Ionic strength of the buffers that colour cards are made with, mol/L (common practice, no source).
_CARD_IONIC_STRENGTH = 0.1
# What a room's temperature may be off by, K.
_ROOM_K = 10.0
_LEAST_C, _MOST_C = 0.0, 50.0
# Below this the carbonate in a liquid came with its water, mol/L: water under air takes up 1.4e-5 mol/L.
_CARBONATE_MOLAR = 1e-4
# What a bare "equal volumes" and a bare dilution make, as when the recipe itself is carried out.
_EACH_ML, _FLASK_ML = 5.0, 100.0


@dataclass(frozen=True, slots=True)
class Slip:
    """One thing that may have gone otherwise than written.

    Attributes
    ----------
    kind : str
        ``"drops"``, ``"burette"``, ``"left-out"``, ``"volumes"``, ``"dilution"``, ``"bottle"``,
        ``"strength"``; and the gradual ones ``"gas"``, ``"trace"``, ``"dye"``, ``"salt"``, ``"temperature"``.
    text : str
        In the trade's words, to be followed by the pH.
    ph : float
        What it would give; for a gradual one the furthest it can bring the reading.
    gradual : bool
        Anything between the expected pH and `ph` can come of it.
    """

    kind: str
    text: str
    ph: float
    gradual: bool = False


@dataclass(frozen=True)
class _Variant:
    """A recipe with one thing done otherwise."""

    kind: str
    text: str
    recipe: Recipe
    labels: Mapping[str, Label] = field(default_factory=dict)
    delivered: Mapping[str, TitrationRecord] = field(default_factory=dict)


class _Otherwise(Notebook):
    """A nominal run in which a bottle may hold something else, and never runs out.

    The vessel is taken as closed: what the air does is done to the last liquid, which then holds as much
    carbon dioxide as if it had been open all the time.
    """

    def __init__(self, variant: _Variant, delivered: Mapping[str, TitrationRecord]) -> None:
        closed = replace(variant.recipe, air_open=False)
        super().__init__(closed, Quantities(), {**delivered, **variant.delivered})
        self._swapped = variant.labels

    def _fill(self, key: str, label: Label) -> Mixture:
        return super()._fill(key, self._swapped.get(key, label))

    def _check_left(self, vessel: _Vessel, wanted: float, amount: str) -> None:
        if wanted <= 1e-9:
            raise self._error(f"nothing is left of {vessel.name}")


def work_out_slips(made: Expectation, names: Iterable[str]) -> dict[str, tuple[Slip, ...]]:
    """Return what may have gone wrong with each of some steps, and the pH it would give.

    Every slip is the recipe itself carried out with one thing otherwise, solved exactly: a drop more or
    fewer, a portion left out, a dilution forgotten or repeated, one bottle in place of another, a bottle ten
    times too strong or too weak; and what the air, a trace, the dye, salt and the room can do. Slips that
    leave the pH nearly unchanged are not listed.

    Parameters
    ----------
    made : Expectation
    names : iterable of str
        Steps or portions.

    Returns
    -------
    dict of str to tuple of Slip
        Keys are the names of the steps.

    Raises
    ------
    InputError
        No such step.

    Examples
    --------
    >>> from hueph.chemistry import expect_recipe
    >>> made = expect_recipe("5 mL 0.1 M acetic acid + 5 mL 0.1 M sodium acetate")
    >>> [(slip.text, round(slip.ph, 1)) for slip in work_out_slips(made, ["step 1"])["step 1"]][:1]
    [('0.1 M acetic acid left out', 8.8)]
    """
    steps = {made.step(name).name: made.step(name) for name in names}
    last = max((_place(made.recipe, name) for name in steps), default=-1)
    recipe = replace(made.recipe, steps=made.recipe.steps[: last + 1])
    as_written = _Variant("", "", recipe)
    nominal = _Otherwise(as_written, made.delivered)
    usual = {record.step.name: record.mixture for record in nominal.run()}
    tried: dict[str, list[tuple[_Variant, Mixture]]] = {name: [] for name in steps}
    for variant in _variants(recipe, nominal.labels, made.delivered):
        for record in _carry_out(variant, made.delivered):
            name = record.step.name
            if name in tried and not _same(record.mixture, usual[name]):
                tried[name].append((variant, record.mixture))
    return {
        name: (*_noticeable(step, tried[name], recipe), *_drifts(step, recipe))
        for name, step in steps.items()
    }


def _place(recipe: Recipe, name: str) -> int:
    return next(number for number, step in enumerate(recipe.steps) if step.name == name)


def _carry_out(variant: _Variant, delivered: Mapping[str, TitrationRecord]) -> list[StepRecord]:
    """Run a recipe done otherwise; nothing when it cannot be done so."""
    try:
        return _Otherwise(variant, delivered).run()
    except HuephError:
        return []


def _noticeable(step: ExpectedStep, tried: list[tuple[_Variant, Mixture]], recipe: Recipe) -> list[Slip]:
    """Solve all that was tried of a step as one array, and keep what moves its pH."""
    if not tried:
        return []
    conditions = recipe.conditions()
    liquids = _stacked([mixture for _, mixture in tried])
    if recipe.air_open:
        liquids = liquids.in_gas(recipe.co2_atm, conditions)
    found: dict[tuple[str, float], Slip] = {}
    for (variant, _), value in zip(tried, liquids.equilibrium(conditions).ph, strict=True):
        ph = float(value)
        if abs(ph - step.ph) >= _LEAST_SHIFT:
            # Two bottles of one content make one slip.
            found.setdefault((variant.kind, round(ph, 2)), Slip(variant.kind, variant.text, ph))
    return list(found.values())


def _stacked(mixtures: list[Mixture]) -> Mixture:
    """Return liquids as the versions of one."""

    def column(values: list[FloatArray]) -> FloatArray:
        return np.array([float(value[0]) for value in values])

    def table(held: list[Mapping[str, FloatArray]]) -> dict[str, FloatArray]:
        keys = dict.fromkeys(key for one in held for key in one)
        return {key: column([one.get(key, np.zeros(1)) for one in held]) for key in keys}

    return Mixture(
        column([one.volume_ml for one in mixtures]),
        table([one.acids for one in mixtures]),
        table([one.ions for one in mixtures]),
        column([one.temperature_c for one in mixtures]),
        mixtures[0].table,
    )


def _same(one: Mixture, other: Mixture) -> bool:
    """Say whether two liquids hold the same per millilitre."""
    mine, theirs = _per_ml(one), _per_ml(other)
    return mine.keys() == theirs.keys() and all(
        abs(value - theirs[key]) <= 1e-9 * abs(value) + 1e-18 for key, value in mine.items()
    )


def _per_ml(mixture: Mixture) -> dict[str, float]:
    volume = float(mixture.volume_ml[0])
    held = {**mixture.acids, **{f"ion {ion}": moles for ion, moles in mixture.ions.items()}}
    return {key: float(moles[0]) / volume for key, moles in held.items()}


def _variants(
    recipe: Recipe, labels: Mapping[str, Label], delivered: Mapping[str, TitrationRecord]
) -> Iterator[_Variant]:
    """Yield every recipe with one thing done otherwise."""
    for number, step in enumerate(recipe.steps):
        for kind, text, sentence in _other_sentences(step):
            changed = replace(step, sentence=sentence)
            steps = (*recipe.steps[:number], changed, *recipe.steps[number + 1 :])
            yield _Variant(kind, text, replace(recipe, steps=steps))
        if step.name in delivered and isinstance(step.sentence, Titrate):
            yield from _other_burette(recipe, number, delivered[step.name])
    if len(labels) <= _MOST_BOTTLES:
        for name, label in labels.items():
            for other, content in labels.items():
                if (content.molar, content.water) != (label.molar, label.water):
                    text = f"{other} taken in place of {name}"
                    yield _Variant("bottle", text, recipe, {name: content})
    for name, label in labels.items():
        for factor, word in ((10.0, "stronger"), (0.1, "weaker")):
            molar = {key: factor * value for key, value in label.molar.items()}
            if molar:
                text = f"{name} ten times {word} than its label"
                yield _Variant("strength", text, recipe, {name: replace(label, molar=molar)})


def _other_sentences(step: RecipeStep) -> Iterator[tuple[str, str, Sentence]]:
    """Yield a step's sentence with one thing otherwise, each with its kind and words."""
    sentence = step.sentence
    if isinstance(sentence, Add):
        for part in sentence.parts:
            if part.amount is not None and part.amount.in_drops:
                for change, word in ((1, "too many"), (-1, "too few")):
                    drops = replace(part.amount, value=part.amount.value + change)
                    if drops.value > 0.0:
                        changed = tuple(replace(p, amount=drops) if p is part else p for p in sentence.parts)
                        yield "drops", f"a drop of {part.what} {word}", replace(sentence, parts=changed)
            rest = tuple(other for other in sentence.parts if other is not part)
            without = replace(sentence, parts=rest) if rest else Take(sentence.to)
            yield "left-out", f"{part.what} left out", without
    elif isinstance(sentence, Mix):
        yield from _other_mixes(sentence)
    elif isinstance(sentence, Dilute):
        yield from _other_dilutions(sentence)


def _other_mixes(sentence: Mix) -> Iterator[tuple[str, str, Sentence]]:
    """Leave out each part, and exchange the volumes of two."""
    each = sentence.each or Amount(_EACH_ML, False)
    parts = tuple(replace(part, amount=each) for part in sentence.parts) if sentence.equal else sentence.parts
    for part in parts:
        rest = tuple(other for other in parts if other is not part)
        without = Take(rest[0]) if len(rest) == 1 else Mix(rest, False, None)
        yield "left-out", f"{part.what} left out", without
    if len(parts) == 2:
        first, second = parts
        if first.amount is not None and second.amount is not None and first.amount != second.amount:
            exchanged = (replace(first, amount=second.amount), replace(second, amount=first.amount))
            text = f"the volumes of {first.what} and {second.what} exchanged"
            yield "volumes", text, Mix(exchanged, False, None)


def _other_dilutions(sentence: Dilute) -> Iterator[tuple[str, str, Sentence]]:
    """Forget the dilution, and do it ten times too far."""
    what = sentence.part.what
    final = sentence.final or Amount(_FLASK_ML, False)
    yield "dilution", f"{what} not diluted", Take(Part(final, what))
    if sentence.factor is not None:
        further = replace(sentence, factor=10.0 * sentence.factor)
        text = f"{what} diluted 1:{10.0 * sentence.factor:g} instead of 1:{sentence.factor:g}"
        yield "dilution", text, further


def _other_burette(recipe: Recipe, number: int, record: TitrationRecord) -> Iterator[_Variant]:
    """Stop a titration a drop late and a drop early."""
    step = recipe.steps[number]
    assert isinstance(step.sentence, Titrate)
    for change, word in ((recipe.drop_ml, "beyond"), (-recipe.drop_ml, "short of")):
        used = record.delivered_ml + change
        if used <= 0.0:
            continue
        sentence = replace(step.sentence, indicator=None, until_ph=None, used_ml=used)
        changed = replace(step, sentence=sentence)
        steps = (*recipe.steps[:number], changed, *recipe.steps[number + 1 :])
        yield _Variant(
            "burette",
            f"stopping a drop of {record.titrant} {word} that point",
            replace(recipe, steps=steps),
            delivered={step.name: replace(record, delivered_ml=used)},
        )


def _drifts(step: ExpectedStep, recipe: Recipe) -> Iterator[Slip]:
    """Yield what the surroundings and the indicator can do to a liquid, if it is noticeable."""
    conditions = recipe.conditions()
    texts: list[tuple[str, str]] = []
    liquids: list[Mixture] = []

    def consider(kind: str, text: str, liquid: Mixture) -> None:
        texts.append((kind, text))
        liquids.append(liquid)

    mixture = step.mixture
    for text, liquid in _gas_exchanged(mixture, recipe, conditions):
        consider("gas", text, liquid)
    drop = recipe.drop_ml * step.volume_ml / min(step.volume_ml, _TUBE_ML)
    for name, word, dye in (("HCl", "acid", "an acid"), ("NaOH", "base", "its salt, a base")):
        text = f"a trace of {word} on glass or pipette (a drop of 0.1 M {name} at most)"
        consider("trace", text, _with(mixture, name, 0.1, drop, recipe.table))
        text = f"the indicator's own drops, the dye being a weak acid itself (here as {dye})"
        consider("dye", text, _with(mixture, name, 1.0, _DYE_MOLAR * step.volume_ml, recipe.table))
    for change, word in ((_ROOM_K, "warmer"), (-_ROOM_K, "colder")):
        celsius = min(max(step.temperature_c + change, _LEAST_C), _MOST_C)
        text = f"a liquid {abs(celsius - step.temperature_c):.0f} °C {word} than the recipe says"
        consider("temperature", text, mixture.at_temperature(celsius))
    reached = [float(ph) for ph in _stacked(liquids).equilibrium(conditions).ph]
    drifts = [Slip(kind, text, ph, True) for (kind, text), ph in zip(texts, reached, strict=True)]
    shift = _salt_shift(step)
    text = f"{'more' if shift > 0.0 else 'less'} salt than in the card's buffers: the dye's own pK moves"
    drifts.append(Slip("salt", text, step.ph + shift, True))
    return (drift for drift in drifts if abs(drift.ph - step.ph) >= _LEAST_DRIFT)


def _gas_exchanged(mixture: Mixture, recipe: Recipe, conditions: Conditions) -> Iterator[tuple[str, Mixture]]:
    """Yield the liquid after it took up or lost carbon dioxide."""
    held = mixture.acids.get("carbonic", np.zeros(1))
    in_air = mixture.in_gas(recipe.co2_atm, conditions)
    if float(in_air.acids["carbonic"][0]) > float(held[0]):
        yield "carbon dioxide of the air (unboiled water, or left standing)", in_air
    else:
        yield "carbon dioxide lost to the air (shaken, or left standing)", in_air
    if 0.0 < 1000.0 * float(held[0]) / float(mixture.volume_ml[0]) < _CARBONATE_MOLAR:
        free = replace(mixture, acids={**mixture.acids, "carbonic": np.zeros_like(held)})
        yield "water that holds less carbon dioxide than supposed (boiled, or fresh from the still)", free


def _with(mixture: Mixture, name: str, molar: float, volume_ml: float, table: SpeciesTable) -> Mixture:
    """Return a liquid with a little of a strong acid or base."""
    added = prepare({name: molar}, volume_ml, temperature_c=mixture.temperature_c, table=table)
    return mix([mixture, added])


def _salt_shift(step: ExpectedStep) -> float:
    """Return how much higher a sulfonephthalein indicator reads than on the card, pH units.

    Notes
    -----
    The coloured pair is HIn- and In2-: its pK falls by 3 A f(I), f being the function of Davies 1962, with
    the squares of the charges in the mass-action law at constant activity of H+.
    """
    difference = davies_function(step.ionic_strength) - davies_function(_CARD_IONIC_STRENGTH)
    return float(3.0 * davies_a(step.temperature_c) * difference)
