"""A titration as a step of a recipe: where it stops, what was delivered, whether the labels can be right."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.glassware import READING_STD_ML, choose_tool
from hueph.chemistry.indicators import find_indicator
from hueph.chemistry.preparations import Mixture, mix
from hueph.chemistry.recipe import Recipe
from hueph.chemistry.sentences import SentenceError, Titrate
from hueph.chemistry.titration import (
    EquivalencePoint,
    IndicatorFit,
    LabelCheck,
    TitrationCurve,
    check_labels,
    titrate,
)

__all__ = ["TitrationRecord", "volume_to_stop", "work_out_titration"]


@dataclass(frozen=True, slots=True)
class TitrationRecord:
    """What a titration step adds to its pH.

    Attributes
    ----------
    sample_ml : float
    delivered_ml : float
        Used, or needed to the point the step titrates to.
    stop : str
        Why it ends there.
    stop_ph : float
        Nominal pH there.
    delivered_mol : float
        Equivalents of strong acid or base delivered, by the titrant's label.
    label_check : LabelCheck or None
        Only when a used volume was given and an equivalence point exists.
    """

    sample: str
    sample_ml: float
    titrant: str
    curve: TitrationCurve
    target: EquivalencePoint | None
    indicator: IndicatorFit | None
    delivered_ml: float
    stop: str
    stop_ph: float
    delivered_mol: float
    label_check: LabelCheck | None

    @property
    def titrant_molar(self) -> float:
        """Strong acid or base in the titrant by its label, mol/L."""
        return abs(self.curve.titrant_molar)

    @property
    def sample_molar(self) -> float | None:
        """What the sample holds for the titrant up to the target point, by the labels, mol/L."""
        if self.target is None:
            return None
        return self.target.volume_ml * self.titrant_molar / self.sample_ml


def work_out_titration(
    sentence: Titrate, sample: Mixture, titrant_name: str, titrant: Mixture, recipe: Recipe
) -> TitrationRecord:
    """Find where a titration ends, nominally, and what the used volume says about the labels.

    Raises
    ------
    SentenceError
        It has no such end.
    InputError
        The indicator is not known.
    """
    conditions = Conditions(activity=recipe.activity, pkw=recipe.pkw)
    curve = titrate(sample, titrant, conditions)
    point, fit = curve.main_point, None
    if sentence.used_ml is not None:
        visible = [item for item in curve.equivalence_points if item.visible]
        if visible:
            point = min(visible, key=lambda item: abs(item.volume_ml - (sentence.used_ml or 0.0)))
    if sentence.indicator is not None:
        indicator = find_indicator(sentence.indicator)
        if point is not None:
            fit = curve.fit_indicator(indicator, point, drop_ml=recipe.drop_ml)
    delivered, stop = _end(sentence, curve, point)
    ended = mix([sample.first(), titrant.first().take(delivered)]).equilibrium(conditions)
    check = _check(sentence, sample, point, fit, recipe)
    moles = delivered * abs(curve.titrant_molar) / 1000.0
    stop_ph = float(ended.ph[0])
    volume = float(sample.volume_ml[0])
    return TitrationRecord(
        sentence.sample.what, volume, titrant_name, curve, point, fit, delivered, stop, stop_ph, moles, check
    )


def _end(sentence: Titrate, curve: TitrationCurve, point: EquivalencePoint | None) -> tuple[float, str]:
    """Volume at which the step stops, mL, and why there."""
    if sentence.used_ml is not None:
        return sentence.used_ml, "volume used"
    if sentence.until_ph is not None:
        found = curve.volume_at(sentence.until_ph)
        if found is None:
            raise SentenceError(f"this titration does not pass pH {sentence.until_ph:g}")
        return found, f"pH {sentence.until_ph:g}"
    if sentence.indicator is not None:
        found = curve.volume_at(find_indicator(sentence.indicator).seen_ph)
        if found is None:
            raise SentenceError(f"{sentence.indicator} does not turn in this titration")
        return found, f"end point of {sentence.indicator}"
    if point is None:
        raise SentenceError(
            "it has no equivalence point to stop at (the titrant must be a strong acid or base that reacts "
            "with the sample); say 'to pH ...' or 'used ... mL'"
        )
    return point.volume_ml, "equivalence point"


def _check(
    sentence: Titrate,
    sample: Mixture,
    point: EquivalencePoint | None,
    fit: IndicatorFit | None,
    recipe: Recipe,
) -> LabelCheck | None:
    """Compare the used volume with the labels, when there is one."""
    if sentence.used_ml is None or point is None:
        return None
    expected = point.volume_ml
    if fit is not None and fit.end_point_ml is not None:
        expected = fit.end_point_ml  # the volume was called by this indicator, its own error included
    measuring = recipe.measuring
    volume = float(sample.volume_ml[0])
    if measuring.exact:
        joint = READING_STD_ML / sentence.used_ml
    else:
        label = measuring.label_limit / math.sqrt(3.0)
        burette = choose_tool(*measuring.burette, sentence.used_ml).std_ml / sentence.used_ml
        portion = choose_tool(*measuring.volumes, volume).std_ml / volume
        last_drop = recipe.drop_ml / math.sqrt(12.0) / sentence.used_ml
        joint = math.sqrt(2.0 * label**2 + burette**2 + portion**2 + last_drop**2)
    return check_labels(expected, sentence.used_ml, joint)


def volume_to_stop(
    sample: Mixture, titrant: Mixture, record: TitrationRecord, conditions: Conditions
) -> FloatArray:
    """Titrant that each version of the sample needs to the pH at which the nominal one stops, mL.

    Bisection between nothing and three times the nominal volume, all versions at once.
    """
    first = mix([sample, titrant.take(np.array([record.delivered_ml]))]).equilibrium(conditions).ph
    if first.size == 1:
        return np.array([record.delivered_ml])
    rising = record.curve.titrant_molar >= 0.0
    low, high = np.zeros(first.size), np.full(first.size, 3.0 * record.delivered_ml)
    for _ in range(40):
        middle = 0.5 * (low + high)
        ph = mix([sample, titrant.take(middle)]).equilibrium(conditions).ph
        short = (ph < record.stop_ph) == rising
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray(0.5 * (low + high))
