"""How much strong acid or base a liquid takes per unit of pH, from the change it made."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

from hueph.comparing.change import TubeChange
from hueph.comparing.expected import ExpectedChange
from hueph.comparing.wording import two_digits
from hueph.errors import InputError

__all__ = ["BufferCapacity", "buffer_capacity"]


@dataclass(frozen=True, slots=True)
class BufferCapacity:
    """Strong acid or base taken per unit of pH, mol/L.

    Attributes
    ----------
    added_molar : float
        Base positive, acid negative, mol/L of the liquid.
    value : float or None
        From the median change; None when that has the wrong sign or is not known.
    low, high : float or None
        Its range at the change's coverage. `high` is None when no change at all fits the pictures.
    theory : float or None
        The same for the expected change: mean capacity over the same addition.
    theory_start : float or None
        Capacity at the start, before anything was added.
    """

    added_molar: float
    value: float | None
    low: float | None
    high: float | None
    theory: float | None
    theory_start: float | None

    def __str__(self) -> str:
        if self.low is None and self.high is None:
            return "not limited by these pictures"
        if self.high is None:
            return f"{_amount(self.low)} or more"
        if self.low is None:
            return f"{_amount(self.high)} or less"
        middle = "" if self.value is None else f"{_amount(self.value)} "
        return f"{middle}({_amount(self.low)} to {_amount(self.high)})"

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form, mol/L per unit of pH."""
        return {
            "added_molar": _significant(self.added_molar),
            "capacity": _significant(self.value),
            "range": None
            if self.low is None and self.high is None
            else [_significant(self.low), _significant(self.high)],
            "theory": _significant(self.theory),
            "theory_start": _significant(self.theory_start),
        }


def buffer_capacity(
    change: TubeChange,
    added_molar: float,
    *,
    added_share_std: float = 0.0,
    expected: ExpectedChange | None = None,
) -> BufferCapacity:
    """Estimate buffer capacity from an addition and the change it made.

    Parameters
    ----------
    change : TubeChange
    added_molar : float
        Strong base (positive) or acid (negative) per litre of the liquid; not 0.
    added_share_std : float
        Its relative standard uncertainty.
    expected : ExpectedChange, optional

    Returns
    -------
    BufferCapacity
        Mean over the addition. A change whose range includes none gives "or more".

    Raises
    ------
    InputError
        Nothing was added.
    """
    if not (math.isfinite(added_molar) and added_molar != 0.0):
        raise InputError(f"estimating buffer capacity: the amount added must not be 0, got {added_molar!r}")
    amount, sign = abs(added_molar), math.copysign(1.0, added_molar)
    most, least = (None, None) if change.interval is None else (change.interval.high, change.interval.low)
    if sign < 0:
        most, least = (None if least is None else -least), (None if most is None else -most)
    middle = None if change.delta_ph is None else sign * change.delta_ph
    value = amount / middle if middle is not None and middle > 0.0 else None
    spread = NormalDist().inv_cdf(0.5 + change.coverage / 2.0) * added_share_std
    low = amount / most if most is not None and most > 0.0 else None
    high = amount / least if least is not None and least > 0.0 else None
    theory = None
    if expected is not None and expected.change * sign > 1e-4:
        theory = amount / abs(expected.change)
    start = (
        None if expected is None or not math.isfinite(expected.start_capacity) else expected.start_capacity
    )
    return BufferCapacity(
        added_molar, value, _stretched(low, value, -spread), _stretched(high, value, spread), theory, start
    )


def _stretched(limit: float | None, value: float | None, spread: float) -> float | None:
    """Move a limit outwards by a relative spread, in quadrature with its own distance from the value."""
    if limit is None:
        return None
    own = 0.0 if value is None else math.log(limit / value)
    return (limit if value is None else value) * math.exp(
        math.copysign(math.hypot(own, spread), spread or own)
    )


def _amount(molar: float | None) -> str:
    """Write mol/L per pH in mmol."""
    return "?" if molar is None else f"{two_digits(1000.0 * molar)} mM"


def _significant(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(f"{value:.4g}")
