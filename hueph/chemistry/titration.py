"""Titrations worked out beforehand: curve, equivalence points, indicators, and what a used volume implies.

IUPAC's words: the equivalence point is where the amounts match, the end point is what the indicator shows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.formula import charge_of, display_form
from hueph.chemistry.indicators import Indicator, load_indicators
from hueph.chemistry.preparations import Mixture, mix
from hueph.errors import InputError

__all__ = ["EquivalencePoint", "IndicatorFit", "LabelCheck", "TitrationCurve", "check_labels", "titrate"]

# A stage shows as a jump when one per cent of titrant before and after lie this far apart (common practice:
# the eye needs about a unit on an indicator; a little less still shows on a meter).
_VISIBLE_JUMP = 0.8
# An indicator fits when its end point misses by one drop or 0.2 %, and is usable up to 1 %.
_FIT_SHARE, _USABLE_SHARE = 0.002, 0.01
# The change must be over within this share of the volume, or nobody can say where it happened.
_FIT_SPREAD, _USABLE_SPREAD = 0.02, 0.06


@dataclass(frozen=True, slots=True)
class EquivalencePoint:
    """A volume at which the titrant has just used up one kind of proton (or base).

    Attributes
    ----------
    jump_ph : float
        How far the pH moves between 1 % before and 1 % after.
    visible : bool
        Whether that is enough to be seen.
    """

    volume_ml: float
    ph: float
    jump_ph: float
    visible: bool
    what: str


@dataclass(frozen=True, slots=True)
class IndicatorFit:
    """How an indicator would do at one equivalence point.

    Attributes
    ----------
    end_point_ml : float or None
        Where the end point would be called.
    error_ml, error_percent : float or None
        End point minus equivalence point (the indicator error).
    verdict : str
        ``"fits"``, ``"usable"`` or ``"does-not-fit"``.
    """

    indicator: Indicator
    end_point_ml: float | None
    error_ml: float | None
    error_percent: float | None
    verdict: str


@dataclass(frozen=True, slots=True)
class TitrationCurve:
    """A titration of a sample, computed.

    Attributes
    ----------
    volume_ml, ph : array, shape (n,)
    equivalence_points : tuple
        In the order of titrating; empty when the titrant is not a strong acid or base.
    titrant_molar : float
        Equivalents of strong base (positive) or acid (negative) per litre of titrant; 0 for others.
    """

    volume_ml: FloatArray
    ph: FloatArray
    equivalence_points: tuple[EquivalencePoint, ...]
    titrant_molar: float

    @property
    def main_point(self) -> EquivalencePoint | None:
        """The last visible equivalence point, or the last of all when none shows."""
        visible = [point for point in self.equivalence_points if point.visible]
        candidates = visible or list(self.equivalence_points)
        return candidates[-1] if candidates else None

    def volume_at(self, ph: float) -> float | None:
        """Return the volume at which the curve first passes a pH, mL, or None."""
        side = self.ph >= ph if self.ph[-1] >= self.ph[0] else self.ph <= ph
        index = int(np.argmax(side))
        if index == 0:
            return None
        low, high = self.ph[index - 1], self.ph[index]
        share = (ph - low) / (high - low)
        return float(self.volume_ml[index - 1] + share * (self.volume_ml[index] - self.volume_ml[index - 1]))

    def fit_indicator(
        self, indicator: Indicator, point: EquivalencePoint, *, drop_ml: float = 0.05
    ) -> IndicatorFit:
        """Judge one indicator against one equivalence point."""
        low, high = indicator.transition_range
        if self.titrant_molar < 0.0:
            low, high = high, low
        start, end = self.volume_at(low), self.volume_at(high)
        called = self.volume_at(indicator.seen_ph)
        if called is None:
            return IndicatorFit(indicator, None, None, None, "does-not-fit")
        error = called - point.volume_ml
        share = error / point.volume_ml
        spread = math.inf if start is None or end is None else end - start
        slack = 2.0 * drop_ml
        fine = max(drop_ml, _FIT_SHARE * point.volume_ml)
        if spread <= _FIT_SPREAD * point.volume_ml + slack and abs(error) <= fine:
            verdict = "fits"
        elif spread <= _USABLE_SPREAD * point.volume_ml + slack and abs(share) <= _USABLE_SHARE:
            verdict = "usable"
        else:
            verdict = "does-not-fit"
        return IndicatorFit(indicator, called, error, 100.0 * share, verdict)

    def fit_indicators(
        self, point: EquivalencePoint | None = None, *, drop_ml: float = 0.05
    ) -> tuple[IndicatorFit, ...]:
        """Judge every indicator against an equivalence point (default: the main one), the best first."""
        point = point or self.main_point
        if point is None:
            return ()
        fits = [self.fit_indicator(indicator, point, drop_ml=drop_ml) for indicator in load_indicators()]
        order = {"fits": 0, "usable": 1, "does-not-fit": 2}
        fits.sort(
            key=lambda fit: (order[fit.verdict], math.inf if fit.error_ml is None else abs(fit.error_ml))
        )
        return tuple(fits)


def titrate(
    sample: Mixture, titrant: Mixture, conditions: Conditions | None = None, *, points: int = 1000
) -> TitrationCurve:
    """Work out a titration of the nominal sample with the nominal titrant.

    Parameters
    ----------
    sample : Mixture
        All of it is titrated.
    titrant : Mixture
        Its volume does not matter.
    conditions : Conditions, optional
        The temperature is the mixture's own. Default: Davies, closed.
    points : int
        Volumes on the curve, at least 50; half of them crowd round the equivalence points.

    Raises
    ------
    InputError
        Fewer than 50 points.

    Examples
    --------
    >>> from hueph.chemistry.preparations import prepare
    >>> curve = titrate(prepare({"acetic acid": 0.1}, 25.0), prepare({"NaOH": 0.1}))
    >>> round(curve.main_point.volume_ml, 2), round(curve.main_point.ph, 1)
    (25.0, 8.6)
    """
    if points < 50:
        raise InputError(f"a titration curve needs at least 50 points, got {points}")
    sample, titrant = sample.first(), titrant.first()
    strength = _strong_equivalents(titrant)
    stages = _stage_volumes(sample, strength) if strength else []
    longest = 1.6 * stages[-1][0] if stages else 2.0 * float(sample.volume_ml[0])
    volumes = _spread_volumes(longest, [volume for volume, _ in stages], points)
    ph = _curve(sample, titrant, volumes, conditions)
    found = []
    for volume, what in stages:
        before, at, after = _curve(sample, titrant, np.array([0.99, 1.0, 1.01]) * volume, conditions)
        jump = abs(float(after - before))
        found.append(EquivalencePoint(volume, float(at), jump, jump >= _VISIBLE_JUMP, what))
    return TitrationCurve(volumes, ph, tuple(found), strength)


def _curve(
    sample: Mixture, titrant: Mixture, volumes: FloatArray, conditions: Conditions | None
) -> FloatArray:
    return mix([sample.scaled(np.ones_like(volumes)), titrant.take(volumes)]).equilibrium(conditions).ph


def _strong_equivalents(titrant: Mixture) -> float:
    """Strong base less strong acid, mol/L; 0 when the titrant also holds a weak acid or base."""
    acids, ions = titrant.concentrations()
    charge = sum(charge_of(ion) * float(value[0]) for ion, value in ions.items())
    # Carbon dioxide from the air is in every bottle of water and does not make a titrant weak.
    weak = sum(float(value[0]) for value in acids.values())
    return charge if weak < 0.01 * abs(charge) else 0.0


def _stage_volumes(sample: Mixture, strength: float) -> list[tuple[float, str]]:
    """Volumes at which the protons just run out (or places for them), with what reacted up to there."""
    table, moles = sample.table, {key: float(value[0]) for key, value in sample.acids.items()}
    places = [
        (pka, moles[key], f"{display_form(acid.forms[step])} to {display_form(acid.forms[step + 1])}")
        for key, acid in table.acids.items()
        if moles.get(key, 0.0) > 0.0
        for step, pka in enumerate(acid.pka)
    ]
    places.sort(key=lambda place: -place[0])
    charge = sum(charge_of(ion) * float(value[0]) for ion, value in sample.ions.items())
    barest = sum(total * table.acids[key].charges[-1] for key, total in moles.items())
    protons = -(charge + barest)
    bounds = np.concatenate([[0.0], np.cumsum([amount for _, amount, _ in places])])
    per_ml = abs(strength) / 1000.0
    smallest = 1e-6 * max(abs(protons), float(bounds[-1]))
    stages = []
    for number, bound in enumerate(bounds):
        left = float(protons - bound if strength > 0.0 else bound - protons)
        if left <= smallest:
            continue
        if strength > 0.0:
            what = places[number][2] if number < len(places) else "free strong acid"
        else:
            what = (
                " to ".join(reversed(places[number - 1][2].split(" to "))) if number else "free strong base"
            )
        stages.append((left / per_ml, what))
    return sorted(stages)


def _spread_volumes(longest: float, stages: list[float], points: int) -> FloatArray:
    """Volumes from none to the longest, crowded on a logarithmic scale on both sides of each stage."""
    if not stages:
        return np.linspace(0.0, longest, points)
    even = np.linspace(0.0, longest, points - 2 * len(stages) * (points // (4 * len(stages))))
    reach = np.geomspace(1e-7, 0.2, points // (4 * len(stages)))
    near = [stage * (1.0 + sign * reach) for stage in stages for sign in (-1.0, 1.0)]
    return np.unique(np.clip(np.concatenate([even, *near]), 0.0, longest))


@dataclass(frozen=True, slots=True)
class LabelCheck:
    """A volume really used against the one that the labels call for.

    Attributes
    ----------
    expected_ml, used_ml : float
    off_percent : float
        By how much the labelled strength of the titrant would have to rise, per cent.
    relative_std : float
        Standard uncertainty of the ratio of the two volumes.
    matches : bool
        Whether they agree within twice that.
    titrant_implied, sample_implied : float
        Factor on the titrant's label if the sample's is right, and the other way round.
    """

    expected_ml: float
    used_ml: float
    off_percent: float
    relative_std: float
    matches: bool
    titrant_implied: float
    sample_implied: float


def check_labels(expected_ml: float, used_ml: float, relative_std: float) -> LabelCheck:
    """Compare a used volume with the expected one.

    Parameters
    ----------
    expected_ml, used_ml : float
        Volume that the labels call for, and the one used, mL.
    relative_std : float
        Joint standard uncertainty of labels and volumes as a share of the volume.

    Raises
    ------
    InputError
        A volume is not above 0, or the uncertainty is below 0.

    Examples
    --------
    >>> round(check_labels(25.0, 22.3, 0.01).off_percent)
    12
    """
    if not (expected_ml > 0.0 and used_ml > 0.0):
        raise InputError(f"both volumes must be above 0 mL, got {expected_ml!r} and {used_ml!r}")
    if not relative_std >= 0.0:
        raise InputError(f"a standard uncertainty must be 0 or more, got {relative_std!r}")
    ratio = expected_ml / used_ml
    matches = abs(ratio - 1.0) <= 2.0 * relative_std
    return LabelCheck(
        expected_ml, used_ml, 100.0 * (ratio - 1.0), relative_std, matches, ratio, used_ml / expected_ml
    )
