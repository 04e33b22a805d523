"""What a label says: ``0.1 M acetic acid``, ``6.8 g KH2PO4 + 3.5 g Na2HPO4 in 1 L``, ``boiled water``."""

from __future__ import annotations

import re
from dataclasses import dataclass

from hueph.chemistry.sentences import NUMBER, SentenceError, parse_volume_ml
from hueph.chemistry.species import SpeciesTable, nearest
from hueph.errors import InputError

__all__ = ["Label", "parse_label"]

_MOLAR_UNIT = {
    "M": 1.0, "mM": 1e-3, "µM": 1e-6, "μM": 1e-6, "uM": 1e-6, "mol/L": 1.0, "mol/l": 1.0, "mmol/L": 1e-3,
    "mmol/l": 1e-3,
}  # fmt: skip
_MOLAR = "|".join(sorted(map(re.escape, _MOLAR_UNIT), key=len, reverse=True))
_BEFORE = re.compile(rf"(?P<number>{NUMBER})\s*(?P<unit>{_MOLAR})\s+(?:of\s+)?(?P<name>.+)")
_AFTER = re.compile(rf"(?P<name>.+?)\s+(?P<number>{NUMBER})\s*(?P<unit>{_MOLAR})")
_WEIGHED = re.compile(rf"(?P<number>{NUMBER})\s*(?P<unit>g/L|g/l|g|mg/L|mg/l|mg)\s+(?:of\s+)?(?P<name>.+)")
_WATERS = {
    "water": "water",
    "distilled water": "water",
    "deionised water": "water",
    "pure water": "pure",
    "boiled water": "boiled",
    "boiled distilled water": "boiled",
}
_DEFAULT_BOTTLE_ML = 1000.0
_MAX_MOLAR = 40.0


@dataclass(frozen=True, slots=True)
class Label:
    """The contents of a bottle.

    Attributes
    ----------
    molar : dict
        Substance (its main name) and analytical concentration, mol/L; empty for water.
    volume_ml : float
        1000 unless the label says otherwise.
    water : str or None
        ``"water"``, ``"boiled"`` or ``"pure"`` when there is nothing else in it.
    """

    text: str
    molar: dict[str, float]
    volume_ml: float
    water: str | None

    def __str__(self) -> str:
        return self.text


def parse_label(text: str, table: SpeciesTable) -> Label:
    """Read a label.

    Raises
    ------
    SentenceError
        It is not understood, names an unknown substance, or a number breaks a rule.

    Examples
    --------
    >>> from hueph.chemistry.species import load_species
    >>> parse_label("50 mM KH2PO4 + 25 mM Na2HPO4", load_species()).molar
    {'potassium dihydrogen phosphate': 0.05, 'disodium hydrogen phosphate': 0.025}
    """
    label = " ".join(text.split())
    volume = _DEFAULT_BOTTLE_ML
    of = re.match(rf"({NUMBER}\s*(?:m|µ|μ|u)?[lL])\s+(?:of\s+)?(.+)", label)
    body = label
    if of is not None:
        volume, body = parse_volume_ml(of[1]), of[2]
    if body.casefold() in _WATERS:
        return Label(label, {}, volume, _WATERS[body.casefold()])
    dissolved = re.search(r"\s+in\s+(.+?)(?:\s+of)?(?:\s+water)?$", body)
    grams_in: float | None = None
    if dissolved is not None:
        grams_in = parse_volume_ml(dissolved[1])
        body = body[: dissolved.start()]
        if of is None:
            volume = grams_in
    molar: dict[str, float] = {}
    for term in re.split(r"\s+\+\s+|\s+and\s+|\s*,\s+", body):
        name, concentration = _term(term.strip(), grams_in, table)
        if name in molar:
            raise SentenceError(f"{name} is named twice in {label!r}; write its total once")
        molar[name] = concentration
    return Label(label, molar, volume, None)


def _term(term: str, grams_in: float | None, table: SpeciesTable) -> tuple[str, float]:
    """Read one substance with its concentration, mol/L."""
    match = _BEFORE.fullmatch(term) or _AFTER.fullmatch(term)
    weighed = _WEIGHED.fullmatch(term)
    if match is None and weighed is None:
        raise SentenceError(_why_not(term, table))
    found = match or weighed
    assert found is not None
    value = float(found["number"])
    if not value > 0.0:
        raise SentenceError(f"a concentration must be above 0, found {found['number']} {found['unit']}")
    try:
        reagent = table.reagent(found["name"].strip())
    except InputError as error:
        raise SentenceError(str(error)) from error
    if match is not None:
        molar = value * _MOLAR_UNIT[found["unit"]]
    else:
        if reagent.molar_mass is None:
            raise SentenceError(f"{reagent.name} needs a formula or molar_mass to be weighed")
        grams = value * (1e-3 if found["unit"].startswith("m") else 1.0)
        if "/" not in found["unit"]:
            if grams_in is None:
                raise SentenceError(f"a mass needs a volume, such as: {term} in 500 mL")
            grams = 1000.0 * grams / grams_in
        molar = grams / reagent.molar_mass
    if molar > _MAX_MOLAR:
        raise SentenceError(
            f"no solution holds more than {_MAX_MOLAR:g} mol/L, found {molar:.4g} mol/L of {term!r}"
        )
    return reagent.name, molar


def _why_not(term: str, table: SpeciesTable) -> str:
    """Say what is missing from a label that was not understood."""
    number = re.match(rf"({NUMBER})\s*(\S*)\s*(.*)", term)
    if number is None:
        known = [*table.known_names(), *_WATERS]
        hint = nearest(term, known)
        lead = (
            "is given without a concentration"
            if _is_known(term, table)
            else "is not the name of anything here"
        )
        return f"{term!r} {lead}; write a solution as 0.1 M acetic acid" + (hint if "not the" in lead else "")
    if number[2] in _MOLAR_UNIT or not number[2]:
        return f"{term!r} does not say of what; write a solution as 0.1 M acetic acid"
    if "," in number[2]:
        return f"a decimal point was expected in {term!r}, found a comma"
    return f"the unit {number[2]!r} of {term!r} is not known; use M, mM, mol/L, or g in a volume"


def _is_known(name: str, table: SpeciesTable) -> bool:
    return name.casefold() in {known.casefold() for known in table.known_names()}
