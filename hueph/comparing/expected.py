"""What exact chemistry expects of an addition, and where a buffer is used up."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np

from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.expectation import ExpectedStep
from hueph.chemistry.formula import charge_of
from hueph.chemistry.preparations import Mixture
from hueph.chemistry.sweep import sweep_ph
from hueph.interval import Interval

__all__ = ["ExpectedChange", "expected_change", "spent_limits"]

# An end of the buffer's reach is a minimum of capacity (an equivalence point) below this share of what
# it starts with, as at 1 from the pKa: 40/121 of the greatest capacity (Van Slyke's equation).
_SPENT_SHARE = 1.0 / 3.0
# Minima closer than this belong to the start itself.
_LEAST_REACH_PH = 0.3


@dataclass(frozen=True, slots=True)
class ExpectedChange:
    """What exact chemistry expects of an addition.

    Attributes
    ----------
    before_ph, after_ph : float
    change_std : float
        Standard uncertainty of the change (k = 1); what both share cancels.
    water_ph : float or None
        Where the same addition takes plain water.
    spent_below, spent_above : float or None
        pH at which one partner of the buffer is used up; None when there is no such end.
    added_molar : float or None
        Strong base (positive) or acid (negative) added, mol/L of the liquid; None for other additions.
    added_share_std : float
        Relative standard uncertainty of that amount.
    start_capacity : float
        Buffer capacity before the addition, mol/L per unit of pH.
    """

    before_ph: float
    after_ph: float
    change_std: float
    water_ph: float | None = None
    spent_below: float | None = None
    spent_above: float | None = None
    added_molar: float | None = None
    added_share_std: float = 0.0
    start_capacity: float = math.nan

    @property
    def change(self) -> float:
        """Expected pH after minus before."""
        return self.after_ph - self.before_ph

    @property
    def is_spent(self) -> bool:
        """Whether the addition is expected to use the buffer up."""
        return (self.spent_below is not None and self.after_ph < self.spent_below) or (
            self.spent_above is not None and self.after_ph > self.spent_above
        )

    def interval(self, coverage: float) -> Interval:
        """Return the range of the expected change."""
        reach = NormalDist().inv_cdf(0.5 + coverage / 2.0) * self.change_std
        return Interval(self.change - reach, self.change + reach, coverage)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form."""
        return {
            "before_ph": _rounded(self.before_ph),
            "after_ph": _rounded(self.after_ph),
            "delta_ph": _rounded(self.change),
            "delta_ph_std": _rounded(self.change_std),
            "water_ph": _rounded(self.water_ph),
            "spent_below": _rounded(self.spent_below),
            "spent_above": _rounded(self.spent_above),
        }


def expected_change(
    before: ExpectedStep,
    after: ExpectedStep,
    *,
    water: ExpectedStep | None = None,
    conditions: Conditions | None = None,
) -> ExpectedChange:
    """Gather what exact chemistry says about an addition.

    Parameters
    ----------
    before, after : ExpectedStep
        The liquid before and after it.
    water : ExpectedStep, optional
        Plain water after the same addition.
    conditions : Conditions, optional
        For the buffer's reach.

    Returns
    -------
    ExpectedChange
    """
    slopes: dict[str, float] = {}
    for step, sign in ((after, 1.0), (before, -1.0)):
        for item in step.budget:
            slopes[item.label] = slopes.get(item.label, 0.0) + sign * item.ph
    below, above = spent_limits(before.mixture, conditions)
    added = _strong_added(before.mixture, after.mixture)
    drops = [item for item in after.budget if item.label == "size of a drop"]
    return ExpectedChange(
        before_ph=before.ph,
        after_ph=after.ph,
        change_std=math.sqrt(sum(value**2 for value in slopes.values())),
        water_ph=None if water is None else water.ph,
        spent_below=below,
        spent_above=above,
        added_molar=added,
        # A drop's size is by far the least known (common practice, no source); labels come after it.
        added_share_std=0.10 if drops else 0.02,
        start_capacity=before.buffer_capacity,
    )


def spent_limits(mixture: Mixture, conditions: Conditions | None = None) -> tuple[float | None, float | None]:
    """Return the pH below and above which one partner of a buffer is used up.

    Parameters
    ----------
    mixture : Mixture
    conditions : Conditions, optional

    Returns
    -------
    below, above : float or None
        Nearest equivalence points on either side: minima of buffer capacity, less than a third of
        the capacity the liquid starts with. None where capacity does not fall that far before the
        strong acid or base itself takes over, as for water.

    Examples
    --------
    >>> from hueph.chemistry.preparations import prepare
    >>> acetate = prepare({"acetic acid": 0.05, "sodium acetate": 0.05})
    >>> [round(limit, 1) for limit in spent_limits(acetate)]
    [2.9, 8.8]
    """
    swept = sweep_ph(mixture, conditions, points=600)
    start = float(mixture.first().equilibrium(conditions).ph[0])
    at_start = float(np.interp(start, swept.ph, swept.buffer_capacity))
    capacity = swept.buffer_capacity
    inner = np.arange(1, len(capacity) - 1)
    minima = inner[(capacity[inner] < capacity[inner - 1]) & (capacity[inner] <= capacity[inner + 1])]
    deep = [float(swept.ph[index]) for index in minima if capacity[index] < _SPENT_SHARE * at_start]
    below = [ph for ph in deep if ph < start - _LEAST_REACH_PH]
    above = [ph for ph in deep if ph > start + _LEAST_REACH_PH]
    return max(below, default=None), min(above, default=None)


def _strong_added(before: Mixture, after: Mixture) -> float | None:
    """Strong base (positive) or acid (negative) that turned one liquid into the other, mol/L."""
    start, end = before.first(), after.first()
    acids = set(start.acids) | set(end.acids)
    zero = np.zeros(1)
    for key in acids:
        one, two = float(start.acids.get(key, zero)[0]), float(end.acids.get(key, zero)[0])
        # Water brings a trace of carbonic acid; anything more is an addition that is no strong acid.
        if abs(two - one) > 1e-4 * max(one, two) and abs(two - one) > 2e-4 * float(end.volume_ml[0]) / 1000.0:
            return None
    ions = set(start.ions) | set(end.ions)
    moles = sum(
        charge_of(ion) * float((end.ions.get(ion, zero) - start.ions.get(ion, zero))[0]) for ion in ions
    )
    litres = 0.5 * float((start.volume_ml + end.volume_ml)[0]) / 1000.0
    return moles / litres if moles else None


def _rounded(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, 3) + 0.0
