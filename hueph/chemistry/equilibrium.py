"""Acid-base equilibrium of any mixture: charge balance, mass balance and activity solved together.

The state of a solution is what it holds (total of each acid, bystander ions) and not how it was made:
protons and hydroxide follow from electroneutrality. For a given ionic strength the net charge falls
steadily with pH, so its root is bracketed and found by Newton steps that may never leave the bracket; the
ionic strength is settled around that in the same guarded way. Everything runs on arrays of solutions.

Concentrations are per litre and volumes add up; the constants are thermodynamic ones on the molal scale,
which is the same to 0.002 in pH at 25 °C and 0.005 at 50 °C. Uncharged forms and water have activity 1, and
ions form no pairs (which matters above some 0.1 mol/L for ions charged two or three times).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from hueph._types import FloatArray
from hueph.chemistry.activity import davies_function, davies_function_slope
from hueph.chemistry.formula import charge_of
from hueph.chemistry.species import AcidSystem, SpeciesTable, load_species, pka_at
from hueph.chemistry.water import TEMPERATURE_RANGE_C, co2_solubility, davies_a, pkw
from hueph.errors import InputError

__all__ = ["Conditions", "Equilibrium", "ph_of", "solve_equilibrium"]

_LN10 = math.log(10.0)
# No mixture that a recipe may state leaves this bracket: 40 mol/L of acid or base end near -1.6 and 16.6.
_PH_BRACKET = (-4.0, 20.0)
_MAX_STEPS = 80
_CARBONIC = "carbonic"


@dataclass(frozen=True, slots=True)
class Conditions:
    """What besides the composition decides the equilibrium.

    Attributes
    ----------
    temperature_c : float or array, shape (n,)
        °C, 0 to 50.
    activity : str
        ``"davies"``, or ``"ideal"`` for activity coefficients of 1 as in school.
    pkw : float, optional
        Replaces the ion product of water, for example 14.0 to follow a textbook.
    pka_shift : mapping, optional
        For an acid's key an array, shape (steps, n), added to its pKa (uncertainty of the constants).
    davies_scale : float or array
        Factor on the Davies term (uncertainty of the activity model).
    co2_atm : float, optional
        Partial pressure of carbon dioxide over the solution; None for a closed vessel.
    """

    temperature_c: float | FloatArray = 25.0
    activity: str = "davies"
    pkw: float | None = None
    pka_shift: Mapping[str, FloatArray] = field(default_factory=dict)
    davies_scale: float | FloatArray = 1.0
    co2_atm: float | None = None

    def __post_init__(self) -> None:
        low, high = TEMPERATURE_RANGE_C
        temperature = np.asarray(self.temperature_c)
        # A standard uncertainty may push a perturbed temperature slightly over the edge.
        if not np.all((temperature >= low - 10.0) & (temperature <= high + 10.0)):
            beyond = temperature[~((temperature >= low - 10.0) & (temperature <= high + 10.0))]
            raise InputError(
                f"the temperature must lie between {low:g} and {high:g} °C, got {beyond.flat[0]:g}"
            )
        if self.activity not in ("davies", "ideal"):
            raise InputError(f"activity must be 'davies' or 'ideal', got {self.activity!r}")
        if self.co2_atm is not None and not 0.0 <= self.co2_atm <= 2.0:
            raise InputError(f"carbon dioxide must press with 0 to 2 atm, got {self.co2_atm!r}")


@dataclass(frozen=True, slots=True)
class Equilibrium:
    """The solved state of n solutions.

    Attributes
    ----------
    ph : array, shape (n,)
        -log10 of the activity of H+.
    ionic_strength : array, shape (n,)
        mol/L.
    buffer_capacity : array, shape (n,)
        Strong monovalent base per litre and unit of pH, mol/L, at constant volume.
    species_molar : dict of array, shape (n,)
        Equilibrium concentration of every form and ion, mol/L, H+ and OH- first.
    acid_totals : dict of array
        Analytical concentration of each acid, mol/L; for open vessels that of carbonic acid is a result.
    """

    ph: FloatArray
    ionic_strength: FloatArray
    buffer_capacity: FloatArray
    species_molar: dict[str, FloatArray]
    acid_totals: dict[str, FloatArray]


def ph_of(
    contents: Mapping[str, float], *, conditions: Conditions | None = None, table: SpeciesTable | None = None
) -> float:
    """Return the pH of a solution made from substances of the table.

    Parameters
    ----------
    contents : mapping of str to float
        Substance and its analytical concentration, mol/L.
    conditions : Conditions, optional
        Temperature, activity model and gas. Default: 25 °C, Davies, closed.
    table : SpeciesTable, optional
        Default: the shipped one.

    Returns
    -------
    float

    Raises
    ------
    InputError
        An unknown substance or a negative concentration.

    Examples
    --------
    >>> round(ph_of({"acetic acid": 0.1, "sodium acetate": 0.1}), 2)
    4.65
    """
    table = table or load_species()
    acids: dict[str, FloatArray] = {}
    ions: dict[str, FloatArray] = {}
    for name, molar in contents.items():
        if not (math.isfinite(molar) and molar >= 0.0):
            raise InputError(f"the concentration of {name} must be 0 mol/L or more, got {molar!r}")
        reagent = table.reagent(name)
        for store, part in ((acids, reagent.acids), (ions, reagent.ions)):
            for key, count in part.items():
                store[key] = store.get(key, np.zeros(1)) + count * molar
    result = solve_equilibrium(acids, ions, conditions=conditions or Conditions(), table=table)
    return float(result.ph[0])


def solve_equilibrium(
    acids: Mapping[str, FloatArray],
    ions: Mapping[str, FloatArray],
    *,
    conditions: Conditions,
    table: SpeciesTable,
) -> Equilibrium:
    """Solve n solutions at once.

    Parameters
    ----------
    acids : mapping of str to array, shape (n,)
        Analytical concentration of each acid system, all forms together, mol/L, 0 or more.
    ions : mapping of str to array, shape (n,)
        Concentration of each ion that takes no part in acid-base reactions, mol/L.
    conditions : Conditions
    table : SpeciesTable
        Holds the acid systems.

    Returns
    -------
    Equilibrium

    Raises
    ------
    InputError
        An unknown acid system, lengths that differ, or a concentration that is negative or not finite.
    """
    problem = _Problem.build(acids, ions, conditions, table)
    ph, strength = _settle(problem)
    return problem.result(ph, strength)


@dataclass(frozen=True, slots=True)
class _Acid:
    """One acid of a problem, arrays with the forms along the first axis."""

    system: AcidSystem
    total: FloatArray  # (n,)
    charge: FloatArray  # (k, 1)
    cumulative_pka: FloatArray  # (k, 1 or n)
    open_molar: FloatArray | None  # concentration of the first form, when a gas holds it

    def log_weights(self, ph: FloatArray, shield: FloatArray) -> FloatArray:
        """Natural logarithm of the concentration of each form over that of the first, shape (k, n).

        `shield` is A times the Davies function, so that -log10 γ = z² shield.
        """
        steps = np.arange(len(self.system.forms), dtype=np.float64)[:, None]
        z2 = self.charge**2
        return np.asarray(_LN10 * (steps * ph - self.cumulative_pka + (z2 - z2[0]) * shield))

    def forms(self, ph: FloatArray, shield: FloatArray) -> FloatArray:
        """Concentration of each form, mol/L, shape (k, n)."""
        log_weights = self.log_weights(ph, shield)
        if self.open_molar is not None:
            return np.asarray(self.open_molar * np.exp(log_weights))
        weights = np.exp(log_weights - log_weights.max(axis=0))
        return np.asarray(weights * (self.total / weights.sum(axis=0)))


@dataclass(frozen=True, slots=True)
class _Moments:
    """Sums over all charged species at a trial pH, and their slopes."""

    charge: FloatArray
    charge_by_ph: FloatArray
    strength: FloatArray


@dataclass(frozen=True, slots=True)
class _Problem:
    count: int
    acids: tuple[_Acid, ...]
    ions: dict[str, FloatArray]
    ion_charge: FloatArray
    ion_strength: FloatArray
    pkw: FloatArray
    slope_a: FloatArray

    @classmethod
    def build(
        cls,
        acids: Mapping[str, FloatArray],
        ions: Mapping[str, FloatArray],
        conditions: Conditions,
        table: SpeciesTable,
    ) -> _Problem:
        temperature = np.atleast_1d(np.asarray(conditions.temperature_c, dtype=np.float64))
        scale = np.atleast_1d(np.asarray(conditions.davies_scale, dtype=np.float64))
        co2_atm = conditions.co2_atm
        totals = dict(acids)
        if co2_atm is not None:
            totals.setdefault(_CARBONIC, np.zeros(1))
        arrays = [np.atleast_1d(value) for value in (*totals.values(), *ions.values(), temperature, scale)]
        arrays += [np.asarray(shift)[0] for shift in conditions.pka_shift.values()]
        count = max((array.size for array in arrays), default=1)
        if any(array.size not in (1, count) for array in arrays):
            sizes = sorted({array.size for array in arrays})
            raise InputError(f"all concentrations must have one length, got {sizes}")
        if any(not np.all(np.isfinite(array)) for array in arrays):
            raise InputError("concentrations and temperature must be finite numbers")

        def column(value: FloatArray) -> FloatArray:
            return np.asarray(np.broadcast_to(np.asarray(value, dtype=np.float64), (count,)))

        held = []
        for key, total in totals.items():
            if key not in table.acids:
                raise InputError(
                    f"no acid system called {key!r} is known; the table has {', '.join(table.acids)}"
                )
            system = table.acids[key]
            pka = pka_at(system, temperature) + np.asarray(conditions.pka_shift.get(key, 0.0))
            cumulative = np.concatenate([np.zeros((1, pka.shape[1])), np.cumsum(pka, axis=0)])
            charge = np.array(system.charges, dtype=np.float64)[:, None]
            is_open = co2_atm is not None and key == _CARBONIC
            gas = column(co2_solubility(temperature) * (co2_atm or 0.0)) if is_open else None
            held.append(_Acid(system, column(total), charge, cumulative, gas))
        bystanders = {ion: column(value) for ion, value in ions.items()}
        if any(np.any(value < 0.0) for value in (*bystanders.values(), *(acid.total for acid in held))):
            raise InputError("every concentration must be 0 mol/L or more, got a negative one")
        zero = np.zeros(count)
        ion_charge = sum((charge_of(ion) * value for ion, value in bystanders.items()), zero)
        ion_strength = sum((0.5 * charge_of(ion) ** 2 * value for ion, value in bystanders.items()), zero)
        water = pkw(temperature) if conditions.pkw is None else np.array([conditions.pkw])
        slope_a = davies_a(temperature) * scale if conditions.activity == "davies" else np.zeros(1)
        return cls(count, tuple(held), bystanders, ion_charge, ion_strength, water, slope_a)

    def shield(self, strength: FloatArray) -> FloatArray:
        return np.asarray(self.slope_a * davies_function(strength))

    def moments(self, ph: FloatArray, shield: FloatArray) -> _Moments:
        """Charge, its slope by pH and ionic strength at a trial pH (mol/L)."""
        h_plus = 10.0 ** (shield - ph)
        hydroxide = 10.0 ** (ph - self.pkw + shield)
        charge = self.ion_charge + h_plus - hydroxide
        by_ph = -_LN10 * (h_plus + hydroxide)
        strength = self.ion_strength + 0.5 * (h_plus + hydroxide)
        for acid in self.acids:
            molar = acid.forms(ph, shield)
            z = acid.charge[:, 0]
            z_sum, z2_sum = z @ molar, (z * z) @ molar
            charge = charge + z_sum
            strength = strength + 0.5 * z2_sum
            if acid.open_molar is not None:
                by_ph = by_ph - _LN10 * z2_sum  # the steps of carbonic acid are also its charges
            else:
                mean = z_sum / np.where(acid.total > 0.0, acid.total, 1.0)
                by_ph = by_ph - _LN10 * np.maximum(z2_sum - mean * z_sum, 0.0)
        return _Moments(charge, by_ph, strength)

    def capacity(self, ph: FloatArray, strength: FloatArray) -> FloatArray:
        """Base per unit of pH from the two balances differentiated together, mol/L.

        Adding db of a monovalent base raises the charge of bystanders by db and their ionic strength by db/2;
        pH and ionic strength answer through both balances. With activity off, this is Van Slyke's sum.
        """
        shield = self.shield(strength)
        by_strength = self.slope_a * davies_function_slope(strength)
        h_plus, hydroxide = 10.0 ** (shield - ph), 10.0 ** (ph - self.pkw + shield)
        charge_ph, charge_shield = -_LN10 * (h_plus + hydroxide), _LN10 * (h_plus - hydroxide)
        strength_ph, strength_shield = -0.5 * _LN10 * (h_plus - hydroxide), 0.5 * _LN10 * (h_plus + hydroxide)
        for acid in self.acids:
            molar = acid.forms(ph, shield)
            z, z2 = acid.charge, acid.charge**2
            if acid.open_molar is None:
                weight = molar / np.where(acid.total > 0.0, acid.total, 1.0)
                z_mean, z2_mean = (z * weight).sum(axis=0), (z2 * weight).sum(axis=0)
            else:
                z_mean, z2_mean = np.zeros(self.count), np.zeros(self.count)  # the gas holds the first form
            var_z = (molar * (z - z_mean) * z).sum(axis=0)
            cov = (molar * (z2 - z2_mean) * z).sum(axis=0)
            var_z2 = (molar * (z2 - z2_mean) * z2).sum(axis=0)
            charge_ph, charge_shield = charge_ph - _LN10 * var_z, charge_shield + _LN10 * cov
            strength_ph = strength_ph - 0.5 * _LN10 * cov
            strength_shield = strength_shield + 0.5 * _LN10 * var_z2
        feedback = 1.0 - strength_shield * by_strength
        coupling = charge_shield * by_strength / feedback
        return np.asarray(-(charge_ph + coupling * strength_ph) / (1.0 + 0.5 * coupling))

    def result(self, ph: FloatArray, strength: FloatArray) -> Equilibrium:
        shield = self.shield(strength)
        species = {
            "H+": np.asarray(10.0 ** (shield - ph)),
            "OH-": np.asarray(10.0 ** (ph - self.pkw + shield)),
        }
        totals: dict[str, FloatArray] = {}
        for acid in self.acids:
            molar = acid.forms(ph, shield)
            species.update(zip(acid.system.forms, molar, strict=True))
            totals[acid.system.key] = molar.sum(axis=0) if acid.open_molar is not None else acid.total
        species.update(self.ions)
        moments = self.moments(ph, shield)
        capacity = self.capacity(ph, strength)
        return Equilibrium(ph, moments.strength, capacity, species, totals)


def _settle(problem: _Problem) -> tuple[FloatArray, FloatArray]:
    """Find pH and ionic strength together; returns both, shape (n,)."""
    count = problem.count
    ph = np.full(count, 7.0)
    # The charge that bystanders leave over must be met by other ions.
    strength = problem.ion_strength + 0.5 * np.abs(problem.ion_charge)
    low, high = np.zeros(count), np.full(count, np.inf)
    earlier: tuple[FloatArray, FloatArray] | None = None
    for _ in range(_MAX_STEPS):
        ph, found = _root_ph(problem, problem.shield(strength), ph)
        gap = found - strength
        if np.all(np.abs(gap) <= 1e-15 + 1e-13 * found) or not np.any(problem.slope_a):
            strength = np.where(np.abs(gap) <= 1e-12 * found, strength, found)
            break
        low = np.where(gap > 0.0, np.maximum(low, strength), low)
        high = np.where(gap < 0.0, np.minimum(high, strength), high)
        trial = found
        if earlier is not None:
            run, rise = strength - earlier[0], gap - earlier[1]
            steep = np.abs(rise) > 1e-300
            secant = strength - gap * np.where(steep, run / np.where(steep, rise, 1.0), -1.0)
            trial = np.where(np.isfinite(secant) & (secant > 0.0), secant, found)
        inside = (trial >= low) & (trial <= high)
        middle = np.where(np.isfinite(high), 0.5 * (low + np.where(np.isfinite(high), high, 0.0)), found)
        earlier, strength = (strength, gap), np.where(inside, trial, middle)
    return ph, strength


def _root_ph(problem: _Problem, shield: FloatArray, start: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Find the pH of zero charge at fixed activity coefficients; returns it with the ionic strength there."""
    low = np.full(problem.count, _PH_BRACKET[0])
    high = np.full(problem.count, _PH_BRACKET[1])
    ph, last_step = start, high - low
    moments = problem.moments(ph, shield)
    for _ in range(_MAX_STEPS):
        above = moments.charge > 0.0
        low, high = np.where(above, ph, low), np.where(above, high, ph)
        step = -moments.charge / moments.charge_by_ph
        newton = ph + step
        # A step that leaves the bracket, or shrinks too slowly, gives way to halving the bracket.
        safe = (newton > low) & (newton < high) & (np.abs(step) < 0.5 * last_step)
        following = np.where(safe, newton, 0.5 * (low + high))
        done = np.abs(step) < 2e-14 * np.maximum(1.0, np.abs(ph))
        following = np.where(done, ph, following)
        last_step = np.abs(following - ph)
        if np.all(last_step < 1e-14):
            break
        ph = following
        moments = problem.moments(ph, shield)
        if np.all((np.abs(moments.charge / moments.charge_by_ph) < 1e-13) | done):
            break
    return ph, moments.strength
