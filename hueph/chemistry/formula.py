"""Chemical formulae as text: charge, molar mass, and the way a person writes them."""

from __future__ import annotations

import re

from hueph.errors import InputError

__all__ = ["charge_of", "display_form", "molar_mass"]

# Abridged standard atomic weights, g/mol (IUPAC values, memory; they agree with the usual wall charts).
_ATOMIC_WEIGHT = {
    "H": 1.008, "Li": 6.94, "B": 10.81, "C": 12.011, "N": 14.007, "O": 15.999, "F": 18.998,
    "Na": 22.990, "Mg": 24.305, "Al": 26.982, "Si": 28.085, "P": 30.974, "S": 32.06, "Cl": 35.45,
    "K": 39.098, "Ca": 40.078, "Mn": 54.938, "Fe": 55.845, "Co": 58.933, "Ni": 58.693, "Cu": 63.546,
    "Zn": 65.38, "Br": 79.904, "Sr": 87.62, "Mo": 95.95, "Ag": 107.868, "I": 126.904, "Ba": 137.327,
}  # fmt: skip

_CHARGE = re.compile(r"([+-])(\d*)$")
_TOKEN = re.compile(r"([A-Z][a-z]?)(\d{0,6})|(\()|(\))(\d{0,6})")
_SUBSCRIPT = str.maketrans("0123456789", "₀₁₂₃₄₅₆₇₈₉")
_SUPERSCRIPT = str.maketrans("0123456789+-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻")


def charge_of(form: str) -> int:
    """Return the charge written at the end of a form.

    Parameters
    ----------
    form : str
        Such as ``"CH3COO-"``, ``"HPO4-2"``, ``"Ca+2"`` or ``"CO2"``.

    Examples
    --------
    >>> charge_of("HPO4-2"), charge_of("NH4+"), charge_of("CO2")
    (-2, 1, 0)
    """
    match = _CHARGE.search(form)
    if match is None:
        return 0
    size = int(match.group(2) or 1)
    return size if match.group(1) == "+" else -size


def display_form(form: str) -> str:
    """Write a form with raised charge and lowered counts, for texts.

    Examples
    --------
    >>> display_form("HPO4-2")
    'HPO₄²⁻'
    """
    match = _CHARGE.search(form)
    body, charge = (form, "") if match is None else (form[: match.start()], match.group(2) + match.group(1))
    lowered = re.sub(r"(?<=[A-Za-z)])\d+", lambda found: found.group().translate(_SUBSCRIPT), body)
    return lowered + charge.translate(_SUPERSCRIPT)


def molar_mass(formula: str) -> float:
    """Return the molar mass of a formula, g/mol.

    Parameters
    ----------
    formula : str
        Elements with counts, round brackets, and water of crystallisation after a raised or full point,
        such as ``"Na2B4O7·10H2O"`` or ``"Ca(NO3)2"``.

    Raises
    ------
    InputError
        The text is no formula, or holds an element without a weight in the table.

    Examples
    --------
    >>> round(molar_mass("KHC8H4O4"), 2)
    204.22
    """
    total = 0.0
    for piece in re.split(r"[·.*]", formula):
        match = re.match(r"\d{0,6}", piece)
        lead = match.group() if match else ""
        total += int(lead or 1) * _mass_of_piece(piece[len(lead) :], formula)
    return total


def _mass_of_piece(piece: str, formula: str) -> float:
    """Mass of one part of a formula without points, g/mol."""
    stack, position = [0.0], 0
    while position < len(piece):
        match = _TOKEN.match(piece, position)
        if match is None:
            raise InputError(f"reading the formula {formula!r}: {piece[position]!r} is not understood here")
        element, count, opening, closing, times = match.groups()
        if element:
            if element not in _ATOMIC_WEIGHT:
                raise InputError(f"reading the formula {formula!r}: no atomic weight known for {element!r}")
            stack[-1] += _ATOMIC_WEIGHT[element] * int(count or 1)
        elif opening:
            stack.append(0.0)
        elif closing and len(stack) > 1:
            inner = stack.pop()
            stack[-1] += inner * int(times or 1)
        else:
            raise InputError(f"reading the formula {formula!r}: a bracket is closed that was never opened")
        position = match.end()
    if len(stack) != 1 or not piece:
        raise InputError(f"reading the formula {formula!r}: it is empty or a bracket is not closed")
    return stack[0]
