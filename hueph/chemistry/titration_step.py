"""A titration as a step of a recipe: where it stops, what was delivered, whether the labels can be right."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from hueph._types import FloatArray
from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.formula import charge_of
from hueph.chemistry.glassware import READING_STD_ML, choose_tool
from hueph.chemistry.indicators import find_indicator
from hueph.chemistry.preparations import Mixture, mix
from hueph.chemistry.recipe import Recipe
from hueph.chemistry.sentences import SentenceError
from hueph.chemistry.steps import Titrate
from hueph.chemistry.titration import (
    EquivalencePoint,
    IndicatorFit,
    LabelCheck,
    TitrationCurve,
    check_labels,
    titrate,
)

__all__ = ["TitrationRecord", "volume_to_stop", "work_out_titration"]

# An equivalence point that shows no jump is meant only by an end point this near, as a share of the volume.
_NEAR_SHARE = 0.05


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
    sample_molar : float or None
        What the sample's label says, mol/L: of the one acid or base that is titrated, however many protons
        it gives or takes up to the target point. None for a mixture, and without a target point.
    drop_ml : float
        Size of a drop, by which indicators are judged.
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
    sample_molar: float | None = None
    drop_ml: float = 0.05

    @property
    def titrant_molar(self) -> float:
        """Strong acid or base in the titrant by its label, mol/L."""
        return abs(self.curve.titrant_molar)

    def fit_indicators(self) -> tuple[IndicatorFit, ...]:
        """Judge every indicator against the point the titration stops at, the best first."""
        return self.curve.fit_indicators(self.target, drop_ml=self.drop_ml)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form."""
        check = self.label_check
        known: dict[str, Any] = {
            "sample": self.sample,
            "titrant": self.titrant,
            "delivered_ml": self.delivered_ml,
            "stop": self.stop,
            "delivered_mol": self.delivered_mol,
            "equivalence_points": [
                {
                    "volume_ml": point.volume_ml,
                    "ph": point.ph,
                    "jump_ph": point.jump_ph,
                    "visible": point.visible,
                    "what": point.what,
                }
                for point in self.curve.equivalence_points
            ],
            "indicators": [
                {
                    "indicator": fit.indicator.name,
                    "end_point_ml": fit.end_point_ml,
                    "error_ml": fit.error_ml,
                    "error_percent": fit.error_percent,
                    "verdict": fit.verdict,
                }
                for fit in self.fit_indicators()
            ],
            "label_check": None,
        }
        if check is not None:
            known["label_check"] = {
                "expected_ml": check.expected_ml,
                "used_ml": check.used_ml,
                "off_percent": check.off_percent,
                "matches": check.matches,
                "titrant_factor": check.titrant_implied,
                "sample_factor": check.sample_implied,
            }
        return known


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
    conditions = recipe.conditions()
    curve = titrate(sample, titrant, conditions)
    point, fit = curve.main_point, None
    if sentence.used_ml is not None:
        visible = [item for item in curve.equivalence_points if item.visible]
        if visible:
            point = min(visible, key=lambda item: abs(item.volume_ml - (sentence.used_ml or 0.0)))
    if sentence.indicator is not None:
        indicator = find_indicator(sentence.indicator)
        called = curve.volume_at(indicator.seen_ph)
        if called is not None:
            point = _point_near(curve, called)
        if point is not None:
            fit = curve.fit_indicator(indicator, point, drop_ml=recipe.drop_ml)
    delivered, stop = _end(sentence, curve, point)
    ended = mix([sample.first(), titrant.first().take(delivered)]).equilibrium(conditions)
    check = _check(sentence, sample, point, fit, recipe)
    moles = delivered * abs(curve.titrant_molar) / 1000.0
    stop_ph = float(ended.ph[0])
    volume = float(sample.volume_ml[0])
    return TitrationRecord(
        sentence.sample.what,
        volume,
        titrant_name,
        curve,
        point,
        fit,
        delivered,
        stop,
        stop_ph,
        moles,
        check,
        None
        if point is None
        else _label_of(sample.first(), point.volume_ml * abs(curve.titrant_molar) / 1000.0),
        recipe.drop_ml,
    )


def _point_near(curve: TitrationCurve, volume_ml: float) -> EquivalencePoint | None:
    """Return the equivalence point that an end point is meant for: the nearest that shows, or is very near."""
    candidates = [
        point
        for point in curve.equivalence_points
        if point.visible or abs(point.volume_ml - volume_ml) <= _NEAR_SHARE * point.volume_ml
    ]
    if not candidates:
        return curve.main_point
    return min(candidates, key=lambda point: abs(point.volume_ml - volume_ml))


def _label_of(sample: Mixture, equivalents: float) -> float | None:
    """Return what a sample's label says, mol/L, when it holds one acid or base; else None."""
    litres = float(sample.volume_ml[0]) / 1000.0
    # What is there in traces (carbon dioxide of the water) is not titrated for.
    totals = {key: float(value[0]) for key, value in sample.acids.items()}
    totals = {key: total for key, total in totals.items() if total > 0.01 * equivalents}
    if not totals:
        return equivalents / litres
    if len(totals) > 1:
        return None
    ((key, total),) = totals.items()
    protons, charges = equivalents / total, sample.table.acids[key].charges
    salt = sum(charge_of(ion) * float(value[0]) for ion, value in sample.ions.items() if ion != "H+") / total
    # More strong acid or base than the acid's own salts hold was added to it: a mixture. So is a buffer,
    # which takes half a proton; the first proton of sulfuric acid is no form of it.
    is_salt = charges[-1] - 0.01 <= -salt <= max(charges[0], 0) + 0.01
    is_whole = round(protons) >= 1 and abs(protons - round(protons)) <= 0.01
    return total / litres if is_salt and is_whole else None


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
