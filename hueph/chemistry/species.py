"""The table of acids and of the substances a bottle may hold, extensible by the user's TOML."""

from __future__ import annotations

import difflib
import itertools
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

from hueph._types import FloatArray
from hueph.chemistry.formula import charge_of, molar_mass
from hueph.errors import InputError, RecipeError

__all__ = ["AcidSystem", "Reagent", "SpeciesTable", "load_species", "pka_at"]

_GAS_CONSTANT = 8.314462618  # J/K/mol, CODATA 2018 (exact)
_T0 = 298.15  # K
_DEFAULT_PKA_STD = 0.01
_WATER_IONS = ("H+", "OH-")


class TableEntryError(RecipeError):
    """An entry of a species table is wrong; `path` says which key, so that a reader can name its line."""

    def __init__(self, path: tuple[str, ...], text: str) -> None:
        super().__init__(f"{'.'.join(path)}: {text}")
        self.path = path
        self.text = text

    def __reduce__(self) -> tuple[object, ...]:
        return (TableEntryError, (self.path, self.text))


@dataclass(frozen=True, slots=True)
class AcidSystem:
    """An acid with all forms it can lose its protons to.

    Attributes
    ----------
    forms : tuple of str
        From the most protonated to the least; neighbours differ by one proton.
    pka : tuple of float
        One between neighbours, 25 °C, zero ionic strength.
    dh_kj, dcp_j : tuple of float
        Enthalpy, kJ/mol, and heat-capacity change, J/K/mol, of each step.
    pka_std : tuple of float
        Standard uncertainty of each pKa (k = 1).
    """

    key: str
    name: str
    forms: tuple[str, ...]
    pka: tuple[float, ...]
    dh_kj: tuple[float, ...]
    dcp_j: tuple[float, ...]
    pka_std: tuple[float, ...]
    source: str = ""

    @property
    def charges(self) -> tuple[int, ...]:
        """Charge of each form."""
        return tuple(charge_of(form) for form in self.forms)


@dataclass(frozen=True, slots=True)
class Reagent:
    """A neutral substance: what one mole of it puts into the water.

    Attributes
    ----------
    acids : mapping
        Moles of each acid system (all forms together), by key.
    ions : mapping
        Moles of each ion that takes no part in acid-base reactions.
    contains : mapping
        The forms as written; H+ and OH- included.
    molar_mass : float or None
        g/mol.
    """

    name: str
    formula: str
    also: tuple[str, ...]
    contains: Mapping[str, float]
    acids: Mapping[str, float]
    ions: Mapping[str, float]
    molar_mass: float | None
    caution: str = ""
    caution_above_molar: float = math.inf


@dataclass(frozen=True)
class SpeciesTable:
    """All acids and reagents known to a recipe.

    Examples
    --------
    >>> load_species().reagent("NaOH").name
    'sodium hydroxide'
    """

    acids: Mapping[str, AcidSystem]
    reagents: Mapping[str, Reagent]
    _names: Mapping[str, str] = field(default_factory=dict, repr=False)

    def reagent(self, name: str) -> Reagent:
        """Find a substance by name, formula or other name; upper and lower case only matter when needed.

        Raises
        ------
        InputError
            No such substance; the text names the nearest ones.
        """
        for key in (name, name.casefold()):
            if key in self._names:
                return self.reagents[self._names[key]]
        hint = nearest(name, self.known_names()) or f'; a recipe may define it, as [reagent."{name}"]'
        raise InputError(f"no substance called {name!r} is known{hint}")

    def known_names(self) -> list[str]:
        """Return every name a reagent may be called by."""
        return [name for item in self.reagents.values() for name in (item.name, item.formula, *item.also)]

    def extend(self, document: Mapping[str, Any]) -> SpeciesTable:
        """Return a table with the ``[acid.*]`` and ``[reagent.*]`` entries of a TOML document added.

        An entry for a known acid changes only the keys it gives, so ``[acid.acetic]`` with ``ka = [1.8e-5]``
        turns to a textbook's constant.

        Raises
        ------
        RecipeError
            An entry breaks a rule; the text names it.
        """
        acids = dict(self.acids)
        for key, entry in _tables(document, "acid"):
            acids[key] = _read_acid(key, entry, acids.get(key))
        form_owner = _owners(acids)
        reagents = {name: _assign(item, form_owner) for name, item in self.reagents.items()}
        for name, entry in _tables(document, "reagent"):
            reagents[name] = _assign(_read_reagent(name, entry, form_owner), form_owner)
        return SpeciesTable(acids, reagents, _name_index(reagents))


@cache
def load_species() -> SpeciesTable:
    """Return the table that ships with hueph."""
    text = files("hueph.chemistry").joinpath("data", "species.toml").read_text(encoding="utf-8")
    return SpeciesTable({}, {}).extend(tomllib.loads(text))


def pka_at(acid: AcidSystem, temperature_c: npt.ArrayLike) -> FloatArray:
    """Return the pKa of each step at a temperature, zero ionic strength.

    Parameters
    ----------
    temperature_c : float or array, shape (n,)
        °C, 0 to 50.

    Returns
    -------
    array, shape (steps, n) (or (steps, 1) for a single temperature)

    Notes
    -----
    pK = [ΔG T/T0 + ΔH (1 - T/T0) + ΔCp (T - T0 - T ln(T/T0))] / (R T ln 10) with T0 = 298.15 K [1]_.
    With the logarithm's sign turned, acetic acid would seem to fall to 4.18 at 37 °C: it is 4.764.

    References
    ----------
    .. [1] Goldberg, Kishore, Lennen, J. Phys. Chem. Ref. Data 31 (2002) 231.

    Examples
    --------
    >>> float(pka_at(load_species().acids["acetic"], 37.0)[0, 0].round(3))
    4.764
    """
    kelvin = np.atleast_1d(np.asarray(temperature_c, dtype=np.float64)) + 273.15
    rt_ln10 = _GAS_CONSTANT * kelvin * math.log(10.0)
    pka25 = np.array(acid.pka)[:, None]
    gibbs = _GAS_CONSTANT * _T0 * math.log(10.0) * pka25
    enthalpy = 1000.0 * np.array(acid.dh_kj)[:, None]
    heat_capacity = np.array(acid.dcp_j)[:, None]
    bend = kelvin - _T0 - kelvin * np.log(kelvin / _T0)
    energy = gibbs * kelvin / _T0 + enthalpy * (1.0 - kelvin / _T0) + heat_capacity * bend
    return np.asarray(energy / rt_ln10)


def nearest(name: str, known: list[str]) -> str:
    """Return "; did you mean ..." for the nearest known names, or nothing."""
    folded = {item.casefold(): item for item in known}
    close = difflib.get_close_matches(name.casefold(), list(folded), n=3, cutoff=0.6)
    return f"; did you mean {' or '.join(folded[item] for item in close)}?" if close else ""


def _tables(document: Mapping[str, Any], kind: str) -> list[tuple[str, dict[str, Any]]]:
    """Return the named tables under one top-level key, checked to be tables."""
    section = document.get(kind, {})
    if not isinstance(section, dict):
        raise TableEntryError((kind,), f"must be a table of tables such as [{kind}.NAME]")
    for key, entry in section.items():
        if not isinstance(entry, dict):
            raise TableEntryError((kind, key), f"must be a table, written [{kind}.{key}]")
    return list(section.items())


def _numbers(path: tuple[str, ...], value: Any, count: int | None = None) -> tuple[float, ...]:
    """Return a TOML number or list of numbers as finite floats."""
    items = value if isinstance(value, list) else [value]
    good = [isinstance(item, int | float) and not isinstance(item, bool) for item in items]
    if not items or not all(good) or not all(math.isfinite(item) for item in items):
        raise TableEntryError(path, f"must be numbers, got {value!r}")
    if count is not None and len(items) != count:
        raise TableEntryError(path, f"must hold {count} number(s), one a proton lost, got {len(items)}")
    return tuple(float(item) for item in items)


def _only(path: tuple[str, ...], entry: Mapping[str, Any], allowed: tuple[str, ...]) -> None:
    for key in entry:
        if key not in allowed:
            hint = nearest(key, list(allowed)) or f"; known are {', '.join(allowed)}"
            raise TableEntryError((*path, key), f"this key is not known here{hint}")


def _text(path: tuple[str, ...], value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise TableEntryError(path, f"must be a text in quotes, got {value!r}")
    return value.strip()


def _read_acid(key: str, entry: Mapping[str, Any], known: AcidSystem | None) -> AcidSystem:
    """Build or change one acid from its TOML table."""
    path = ("acid", key)
    _only(path, entry, ("name", "forms", "pka", "ka", "dh_kj", "dcp_j", "pka_std", "source"))
    forms = _read_forms(path, entry, known)
    steps = len(forms) - 1
    if "ka" in entry and "pka" in entry:
        raise TableEntryError((*path, "ka"), "give either pka or ka, not both")
    if "ka" in entry:
        constants = _numbers((*path, "ka"), entry["ka"], steps)
        if min(constants) <= 0.0:
            raise TableEntryError((*path, "ka"), f"must be above 0, got {min(constants)}")
        pka = tuple(-math.log10(value) for value in constants)
    elif "pka" in entry:
        pka = _numbers((*path, "pka"), entry["pka"], steps)
    elif known is not None and known.forms == forms:
        pka = known.pka
    else:
        raise TableEntryError(path, "needs pka (or ka), one number for each proton lost")
    if any(not -3.0 <= value <= 17.0 for value in pka):
        found = ", ".join(f"{value:g}" for value in pka)
        raise TableEntryError(path, f"each pKa must lie between -3 and 17, got {found}")

    def numbers(name: str, default: float) -> tuple[float, ...]:
        if name in entry:
            return _numbers((*path, name), entry[name], steps)
        kept: tuple[float, ...] | None = getattr(known, name, None)
        return kept if kept is not None and len(kept) == steps else (default,) * steps

    pka_std = numbers("pka_std", _DEFAULT_PKA_STD)
    if min(pka_std) < 0.0:
        raise TableEntryError((*path, "pka_std"), f"must be 0 or more, got {min(pka_std)}")
    name = _text((*path, "name"), entry.get("name", known.name if known else key))
    source = str(entry.get("source", "the recipe"))
    return AcidSystem(key, name, forms, pka, numbers("dh_kj", 0.0), numbers("dcp_j", 0.0), pka_std, source)


def _read_forms(path: tuple[str, ...], entry: Mapping[str, Any], known: AcidSystem | None) -> tuple[str, ...]:
    if "forms" not in entry:
        if known is not None:
            return known.forms
        raise TableEntryError(path, 'needs forms, such as forms = ["HA", "A-"], the most protonated first')
    forms = entry["forms"]
    if not isinstance(forms, list) or len(forms) < 2:
        raise TableEntryError((*path, "forms"), "must list at least two forms, the most protonated first")
    names = tuple(_text((*path, "forms"), form) for form in forms)
    charges = [charge_of(name) for name in names]
    if any(second != first - 1 for first, second in itertools.pairwise(charges)):
        shown = ", ".join(f"{name} ({charge:+d})" for name, charge in zip(names, charges, strict=True))
        raise TableEntryError(
            (*path, "forms"), f"each form needs one charge less than the one before: {shown}"
        )
    return names


def _read_reagent(name: str, entry: Mapping[str, Any], owner: Mapping[str, str]) -> Reagent:
    """Build one substance from its TOML table; acids and ions are assigned afterwards."""
    path = ("reagent", name)
    allowed = ("formula", "also", "contains", "molar_mass", "caution", "caution_above_molar")
    _only(path, entry, allowed)
    formula = _text((*path, "formula"), entry.get("formula", name))
    contains = entry.get("contains")
    if not isinstance(contains, dict) or not contains:
        raise TableEntryError(path, 'needs contains, such as contains = { "Na+" = 1, "A-" = 1 }')
    counts = {form: _numbers((*path, "contains"), count, 1)[0] for form, count in contains.items()}
    if min(counts.values()) <= 0.0:
        raise TableEntryError((*path, "contains"), f"counts must be above 0, got {min(counts.values()):g}")
    for form in counts:
        if form not in owner and charge_of(form) == 0:
            raise TableEntryError((*path, "contains"), f"{form} is neither an ion nor a form of a known acid")
    charge = sum(count * charge_of(form) for form, count in counts.items())
    if abs(charge) > 1e-9:
        raise TableEntryError((*path, "contains"), f"charges must add up to 0, they add up to {charge:+g}")
    also = entry.get("also", [])
    names = tuple(_text((*path, "also"), item) for item in (also if isinstance(also, list) else [also]))
    mass: float | None = None
    if "molar_mass" in entry:
        mass = _numbers((*path, "molar_mass"), entry["molar_mass"], 1)[0]
    elif "formula" in entry:
        try:
            mass = molar_mass(formula)
        except InputError as error:
            raise TableEntryError((*path, "formula"), str(error)) from error
    above = _numbers((*path, "caution_above_molar"), entry.get("caution_above_molar", 0.0), 1)[0]
    caution = str(entry.get("caution", ""))
    return Reagent(name, formula, names, counts, {}, {}, mass, caution, above if caution else math.inf)


def _owners(acids: Mapping[str, AcidSystem]) -> dict[str, str]:
    """Map each form to the acid that owns it."""
    owner: dict[str, str] = {}
    for key, acid in acids.items():
        for form in acid.forms:
            if form in owner or form in _WATER_IONS:
                holder = owner.get(form, "water")
                raise TableEntryError(("acid", key, "forms"), f"{form} is already taken by {holder}")
            owner[form] = key
    return owner


def _assign(item: Reagent, owner: Mapping[str, str]) -> Reagent:
    """Sort what a reagent contains into acids and bystander ions; H+ and OH- follow from the charges."""
    acids: dict[str, float] = {}
    ions: dict[str, float] = {}
    for form, count in item.contains.items():
        if form in owner:
            acids[owner[form]] = acids.get(owner[form], 0.0) + count
        elif form not in _WATER_IONS:
            ions[form] = ions.get(form, 0.0) + count
    return replace(item, acids=acids, ions=ions)


def _name_index(reagents: Mapping[str, Reagent]) -> dict[str, str]:
    """Map every name, as written and in lower case, to the reagent; as written wins."""
    index: dict[str, str] = {}
    for fold in (True, False):
        for key, item in reagents.items():
            for name in (item.name, item.formula, *item.also):
                index[name.casefold() if fold else name] = key
    return index
