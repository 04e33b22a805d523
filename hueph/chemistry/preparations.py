"""Solutions as amounts: taking, mixing, diluting, gassing. Moles and volumes are kept, pH follows."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from hueph._types import FloatArray
from hueph.chemistry.equilibrium import Conditions, Equilibrium, solve_equilibrium
from hueph.chemistry.species import SpeciesTable, load_species
from hueph.errors import InputError

__all__ = ["Mixture", "mix", "prepare", "volume_to_reach"]

# Carbon dioxide left over water that was boiled and stoppered hot, atm (common practice, no source):
# 0.1 ppm, which leaves pure water at 6.97.
BOILED_CO2_ATM = 1e-7


@dataclass(frozen=True)
class Mixture:
    """n versions of one portion of liquid (n > 1 when measuring errors are carried along).

    Attributes
    ----------
    volume_ml : array, shape (n,) or (1,)
    acids, ions : mapping of str to array
        Moles of each acid system, and of each bystander ion.
    temperature_c : array
    """

    volume_ml: FloatArray
    acids: Mapping[str, FloatArray]
    ions: Mapping[str, FloatArray]
    temperature_c: FloatArray
    table: SpeciesTable

    def take(self, volume_ml: npt.ArrayLike) -> Mixture:
        """Return a portion of the liquid, mL; what is left is the caller's to keep account of."""
        return self.scaled(np.asarray(volume_ml, dtype=np.float64) / self.volume_ml)

    def scaled(self, factor: npt.ArrayLike) -> Mixture:
        """Return the same liquid, `factor` times as much of it."""
        times = np.atleast_1d(np.asarray(factor, dtype=np.float64))
        acids = {key: moles * times for key, moles in self.acids.items()}
        ions = {ion: moles * times for ion, moles in self.ions.items()}
        return replace(self, volume_ml=self.volume_ml * times, acids=acids, ions=ions)

    def filled_to(self, volume_ml: npt.ArrayLike, water: Mixture) -> Mixture:
        """Return the liquid made up to a volume with water (or another diluent), mL."""
        missing = np.atleast_1d(np.asarray(volume_ml, dtype=np.float64)) - self.volume_ml
        return mix([self, water.take(np.maximum(missing, 0.0))])

    def at_temperature(self, temperature_c: npt.ArrayLike) -> Mixture:
        """Return the liquid warmed or cooled, °C; its volume is taken as unchanged."""
        return replace(self, temperature_c=np.atleast_1d(np.asarray(temperature_c, dtype=np.float64)))

    def concentrations(self) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
        """Return analytical concentrations of acids and ions, mol/L."""
        per_litre = 1000.0 / self.volume_ml
        acids = {key: moles * per_litre for key, moles in self.acids.items()}
        return acids, {ion: moles * per_litre for ion, moles in self.ions.items()}

    def equilibrium(self, conditions: Conditions | None = None) -> Equilibrium:
        """Solve the liquid; its own temperature replaces that of the conditions."""
        acids, ions = self.concentrations()
        at = replace(conditions or Conditions(), temperature_c=self.temperature_c)
        return solve_equilibrium(acids, ions, conditions=at, table=self.table)

    def in_gas(self, co2_atm: float, conditions: Conditions | None = None) -> Mixture:
        """Return the liquid after it has exchanged carbon dioxide with a gas until nothing changes."""
        solved = self.equilibrium(replace(conditions or Conditions(), co2_atm=co2_atm))
        acids = dict(self.acids)
        acids["carbonic"] = solved.acid_totals["carbonic"] * self.volume_ml / 1000.0
        return replace(self, acids=acids)

    def first(self) -> Mixture:
        """Return the nominal version alone."""

        def head(value: FloatArray) -> FloatArray:
            return np.atleast_1d(value)[:1]

        acids = {key: head(moles) for key, moles in self.acids.items()}
        ions = {ion: head(moles) for ion, moles in self.ions.items()}
        return Mixture(head(self.volume_ml), acids, ions, head(self.temperature_c), self.table)


def prepare(
    contents: Mapping[str, npt.ArrayLike],
    volume_ml: npt.ArrayLike = 1000.0,
    *,
    temperature_c: npt.ArrayLike = 25.0,
    table: SpeciesTable | None = None,
) -> Mixture:
    """Return a solution of known substances.

    Parameters
    ----------
    contents : mapping of str to float or array
        Substance and its analytical concentration, mol/L. Empty for water.
    volume_ml : float or array
        mL. Arrays of concentrations, volumes and temperatures have one length, or stand for all versions.
    temperature_c : float or array
        °C.
    table : SpeciesTable, optional
        Default: the shipped one.

    Returns
    -------
    Mixture

    Raises
    ------
    InputError
        An unknown substance, a negative amount, or arrays of different lengths.

    Examples
    --------
    >>> half = mix([prepare({"acetic acid": 0.1}, 5.0), prepare({"sodium acetate": 0.1}, 5.0)])
    >>> float(half.equilibrium().ph[0].round(2))
    4.67
    """
    table = table or load_species()
    volume = np.atleast_1d(np.asarray(volume_ml, dtype=np.float64))
    if not np.all(volume > 0.0):
        raise InputError(f"the volume of a solution must be above 0 mL, got {volume.min():g}")
    acids: dict[str, FloatArray] = {}
    ions: dict[str, FloatArray] = {}
    for name, molar in contents.items():
        concentration = np.atleast_1d(np.asarray(molar, dtype=np.float64))
        _check_lengths([concentration, volume], f"the concentration of {name} and the volume")
        moles = concentration * volume / 1000.0
        if not np.all(moles >= 0.0):
            found = np.min(np.asarray(molar))
            raise InputError(f"the concentration of {name} must be 0 mol/L or more, got {found:g}")
        reagent = table.reagent(name)
        for store, part in ((acids, reagent.acids), (ions, reagent.ions)):
            for key, count in part.items():
                store[key] = store.get(key, np.zeros(1)) + count * moles
    return Mixture(volume, acids, ions, np.atleast_1d(np.asarray(temperature_c, dtype=np.float64)), table)


def mix(portions: Iterable[Mixture]) -> Mixture:
    """Return portions poured together; volumes add up, temperatures average by volume.

    Raises
    ------
    InputError
        No portion was given, or portions of different numbers of versions.
    """
    parts = list(portions)
    if not parts:
        raise InputError("mixing needs at least one portion, got none")
    amounts = (
        amount for part in parts for amount in (part.volume_ml, *part.acids.values(), *part.ions.values())
    )
    _check_lengths(amounts, "the portions of a mixture")
    zero = np.zeros(1)
    volume = sum((part.volume_ml for part in parts), zero)
    acids: dict[str, FloatArray] = {}
    ions: dict[str, FloatArray] = {}
    for part in parts:
        for store, held in ((acids, part.acids), (ions, part.ions)):
            for key, moles in held.items():
                store[key] = store.get(key, zero) + moles
    # Written as a departure from the first so that equal temperatures stay equal to the last digit.
    base = parts[0].temperature_c
    excess = sum((part.volume_ml * (part.temperature_c - base) for part in parts), zero)
    return Mixture(volume, acids, ions, base + excess / volume, parts[0].table)


def _check_lengths(arrays: Iterable[FloatArray], what: str) -> None:
    """Refuse arrays that are neither of one length nor single."""
    lengths = sorted({len(array) for array in arrays} - {1})
    if len(lengths) > 1:
        raise InputError(
            f"{what} must have as many versions, got {' and '.join(str(length) for length in lengths)}"
        )


def volume_to_reach(
    sample: Mixture, titrant: Mixture, target_ph: float, conditions: Conditions | None = None
) -> float | None:
    """Return the volume of titrant that brings a sample to a pH, mL, or None when no volume does.

    Parameters
    ----------
    sample, titrant : Mixture
        The nominal versions are used; the titrant's own volume does not matter.
    target_ph : float
    conditions : Conditions, optional
        The temperature is the mixture's own. Default: Davies, closed.

    Returns
    -------
    float or None
        mL.

    Raises
    ------
    InputError
        `target_ph` is not a number.

    Notes
    -----
    The sign of (pH - target) changes between no titrant and titrant alone, or the target is out of reach.
    The share of titrant in the mixture is bracketed on a grid, solved as one array, and the bracket closed
    until the pH is sharp to 1e-9 or the share to 1e-9 of itself.
    """
    if not math.isfinite(target_ph):
        raise InputError(f"the pH to reach must be a number, got {target_ph!r}")
    sample, titrant = sample.first(), titrant.first()
    start = float(sample.volume_ml[0])
    low, high = 1e-9, 1.0 - 1e-6
    ends = _ph_at_fractions(sample, titrant, np.array([0.0, high]), conditions)
    if (ends[0] - target_ph) * (ends[1] - target_ph) > 0.0:
        return None
    rising = ends[1] > ends[0]
    spaced = np.geomspace(low, 0.5, 60)
    grid = np.concatenate([[0.0], spaced, 1.0 - np.geomspace(0.5, 1.0 - high, 30)[1:]])
    above = (_ph_at_fractions(sample, titrant, grid, conditions) > target_ph) == rising
    # The first crossing is the one a person adding titrant meets.
    first = max(int(np.argmax(above)) if np.any(above) else grid.size - 1, 1)
    share = _refine(sample, titrant, target_ph, (float(grid[first - 1]), float(grid[first])), conditions)
    return start * share / (1.0 - share)


def _refine(
    sample: Mixture,
    titrant: Mixture,
    target_ph: float,
    bracket: tuple[float, float],
    conditions: Conditions | None,
) -> float:
    """Close a bracket of the titrant's share round a pH by false position (Illinois variant)."""
    low, high = bracket
    off_low, off_high = (
        float(ph) - target_ph for ph in _ph_at_fractions(sample, titrant, np.array([low, high]), conditions)
    )
    kept = 0  # +1 when the upper end stayed last time, -1 when the lower one did
    for _ in range(100):
        if high - low <= 1e-9 * high or off_low == off_high:
            break
        share = low - off_low * (high - low) / (off_high - off_low)
        off = float(_ph_at_fractions(sample, titrant, np.array([share]), conditions)[0]) - target_ph
        if abs(off) < 1e-9:
            return share
        if (off > 0.0) == (off_high > 0.0):
            high, off_high = share, off
            off_low *= 0.5 if kept == -1 else 1.0
            kept = -1
        else:
            low, off_low = share, off
            off_high *= 0.5 if kept == 1 else 1.0
            kept = 1
    return 0.5 * (low + high)


def _ph_at_fractions(
    sample: Mixture, titrant: Mixture, share: FloatArray, conditions: Conditions | None
) -> FloatArray:
    """PH of mixtures holding `share` of titrant and the rest of sample, by volume."""
    one_litre = mix([sample.take(1000.0 * (1.0 - share)), titrant.take(1000.0 * share)])
    return one_litre.equilibrium(conditions).ph
