"""A liquid taken through the pH scale with strong acid and base that add no volume: for curves against pH."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hueph.chemistry.equilibrium import Conditions, Equilibrium
from hueph.chemistry.preparations import Mixture
from hueph.errors import InputError

__all__ = ["sweep_ph"]


def sweep_ph(
    mixture: Mixture,
    conditions: Conditions | None = None,
    *,
    low: float = 1.0,
    high: float = 13.0,
    points: int = 400,
) -> Equilibrium:
    """Solve a liquid at many pH values, from acid to base.

    Parameters
    ----------
    mixture : Mixture
        The nominal version is used.
    conditions : Conditions, optional
        The temperature is the mixture's own. Default: Davies, closed.
    low, high : float
        Ends of the pH scale, about.
    points : int
        At least 20.

    Returns
    -------
    Equilibrium
        Sorted by pH; `species_molar` gives the distribution, `buffer_capacity` the capacity curve.

    Raises
    ------
    InputError
        Too few points, or the ends are the wrong way round.

    Examples
    --------
    >>> from hueph.chemistry.preparations import prepare
    >>> swept = sweep_ph(prepare({"acetic acid": 0.1}))
    >>> bool(swept.ph[0] < 1.1 and swept.ph[-1] > 12.9)
    True
    """
    if points < 20 or not low < high:
        raise InputError(
            f"a sweep needs at least 20 points from low to high, got {points} from {low} to {high}"
        )
    start = mixture.first()
    # Charge needed to stand at a pH, found on a coarse grid of added base and inverted.
    litres = start.volume_ml / 1000.0
    load = sum((abs(moles[0]) for moles in start.ions.values()), 0.0) / float(litres[0])
    held = sum((3.0 * moles[0] for moles in start.acids.values()), 0.0) / float(litres[0])
    reach = 4.0 * (load + held + 10.0**-low + 10.0 ** (high - 13.9))
    fine = np.geomspace(1e-9, reach, 4 * points)
    added = np.concatenate([-fine[::-1], [0.0], fine])
    coarse = _with_base(start, added).equilibrium(conditions).ph
    wanted = np.linspace(low, high, points)
    chosen = np.interp(wanted, coarse, added)
    return _with_base(start, np.unique(chosen)).equilibrium(conditions)


def _with_base(start: Mixture, added: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> Mixture:
    """The liquid with strong base (positive) or acid (negative) dissolved in it, mol/L."""
    moles = added * start.volume_ml / 1000.0
    ions = dict(start.ions)
    ions["Na+"] = ions.get("Na+", np.zeros(1)) + np.maximum(moles, 0.0)
    ions["Cl-"] = ions.get("Cl-", np.zeros(1)) + np.maximum(-moles, 0.0)
    return replace(start, ions=ions)
