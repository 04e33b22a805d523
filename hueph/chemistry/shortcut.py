"""The pH as a class computes it: stoichiometry first, then one textbook formula, all ions ideal, 25 °C.

The protons are handed to the strongest base first until none are left (a strong acid that remains is in
excess, a strong base too). What stands between filled and empty decides the formula. Set beside the exact
value it shows what the formula leaves out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.formula import charge_of, display_form
from hueph.chemistry.preparations import Mixture

__all__ = ["Shortcut", "explain_difference", "shortcut_ph"]

# Carbonic acid that a class does not count: what air puts into water (0.014 mmol/L) and a little more.
_AIR_CO2_MOLAR = 3e-5
# Two stages count as exhausted or untouched when less than this share of the smaller one is left over.
_EVEN = 1e-6
_TOLERANCE = 0.02
_PKW_SCHOOL = 14.0


@dataclass(frozen=True, slots=True)
class Shortcut:
    """A textbook value, or the reason there is none.

    Attributes
    ----------
    ph : float or None
    method : str
        The formula in words.
    """

    ph: float | None
    method: str


@dataclass(frozen=True, slots=True)
class _Stage:
    """One proton that one acid can lose: its pKa, the moles per litre, and the two forms."""

    pka: float
    molar: float
    acid_form: str
    base_form: str


def shortcut_ph(mixture: Mixture) -> Shortcut:
    """Return the pH by the formula a class would choose, from the nominal amounts.

    Examples
    --------
    >>> from hueph.chemistry.preparations import prepare
    >>> shortcut_ph(prepare({"acetic acid": 0.05, "sodium acetate": 0.05})).ph
    4.756
    """
    nominal = mixture.first()
    acids, ions = nominal.concentrations()
    molar = {key: float(value[0]) for key, value in acids.items()}
    if molar.get("carbonic", 1.0) <= _AIR_CO2_MOLAR:
        molar.pop("carbonic")
    stages = [
        _Stage(pka, molar[key], acid.forms[step], acid.forms[step + 1])
        for key, acid in nominal.table.acids.items()
        if molar.get(key, 0.0) > 0.0
        for step, pka in enumerate(acid.pka)
    ]
    stages.sort(key=lambda stage: -stage.pka)
    charge = sum(charge_of(ion) * float(value[0]) for ion, value in ions.items())
    barest = sum(total * nominal.table.acids[key].charges[-1] for key, total in molar.items())
    return _choose(stages, protons=-(charge + barest))


def _choose(stages: list[_Stage], protons: float) -> Shortcut:
    """Fill the stages from the weakest acid on and apply the formula for where the protons end."""
    scale = max([abs(protons), *(stage.molar for stage in stages)], default=0.0)
    slack = _EVEN * scale
    if protons < -slack:
        return Shortcut(_PKW_SCHOOL + math.log10(-protons), "strong base in excess")
    left, filled = max(protons, 0.0), 0
    for stage in stages:
        if left < stage.molar - slack:
            break
        left -= stage.molar
        filled += 1
    if left > slack:
        if filled < len(stages):
            stage = stages[filled]
            ratio = (stage.molar - left) / left
            pair = f"{display_form(stage.base_form)} and {display_form(stage.acid_form)}"
            return Shortcut(stage.pka + math.log10(ratio), f"Henderson-Hasselbalch for {pair}")
        return Shortcut(-math.log10(left), "strong acid in excess")
    full = stages[filled - 1] if filled else None  # the weakest base that was given its proton: an acid now
    empty = stages[filled] if filled < len(stages) else None  # the strongest base still without one
    return _at_rest(full, empty)


def _at_rest(full: _Stage | None, empty: _Stage | None) -> Shortcut:
    """Formula for a stoichiometric point: acid alone, base alone, both, or neither."""
    if full is not None and empty is not None:
        # A partner ten thousand times scarcer than the other does not make an ampholyte.
        if full.molar < 1e-4 * empty.molar:
            full = None
        elif empty.molar < 1e-4 * full.molar:
            empty = None
    if full is None and empty is None:
        return Shortcut(_PKW_SCHOOL / 2.0, "no acid or base left: neutral")
    if full is not None and empty is not None:
        return Shortcut((full.pka + empty.pka) / 2.0, "half the sum of two pKa")
    if full is not None:
        # An acid weaker than water gives its proton up to nobody.
        ph = 0.5 * (full.pka - math.log10(full.molar))
        return Shortcut(min(ph, 7.0), f"square root of Ka times c for {display_form(full.acid_form)}")
    assert empty is not None  # the only case left
    poh = 0.5 * (_PKW_SCHOOL - empty.pka - math.log10(empty.molar))
    base = display_form(empty.base_form)
    return Shortcut(max(_PKW_SCHOOL - poh, 7.0), f"square root of Kb times c for {base}")


def explain_difference(mixture: Mixture, shortcut: Shortcut, conditions: Conditions, ph: float) -> str | None:
    """Say why the exact pH and the shortcut differ, or None when they agree to 0.02.

    Notes
    -----
    The difference is split along one path: textbook formula to exact balance (ideal, 25 °C), then to the
    stated temperature, then to real activities. The parts add up to the whole.
    """
    if shortcut.ph is None:
        return None
    total = ph - shortcut.ph
    if abs(total) < _TOLERANCE:
        return None
    nominal = mixture.first()
    ideal = replace(conditions, activity="ideal")
    at_25 = float(nominal.at_temperature(25.0).equilibrium(ideal).ph[0])
    at_temperature = float(nominal.equilibrium(ideal).ph[0])
    parts = [
        (at_25 - shortcut.ph, "what the formula leaves out" + _what(nominal, conditions)),
        (at_temperature - at_25, f"constants at {float(nominal.temperature_c[0]):g} °C instead of 25 °C"),
        (ph - at_temperature, "ions shield one another (activity)"),
    ]
    parts.sort(key=lambda part: -abs(part[0]))
    shown = ", ".join(f"{size:+.2f} {why}" for size, why in parts if abs(size) >= 0.005)
    return f"exact minus shortcut {total:+.2f}: {shown}"


def _what(nominal: Mixture, conditions: Conditions) -> str:
    """Name what the formula leaves out, where one cause stands out."""
    acids, _ = nominal.concentrations()
    carbonic = float(acids.get("carbonic", nominal.volume_ml * 0.0)[0])
    if conditions.co2_atm is not None or 0.0 < carbonic <= _AIR_CO2_MOLAR:
        return " (carbon dioxide of the air, reaction with water)"
    return " (reaction with water, neighbouring stages)"
