"""Indicators: where each turns, and how much of it is coloured at a pH."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from hueph._types import FloatArray
from hueph.chemistry.species import nearest
from hueph.errors import InputError

__all__ = ["Indicator", "find_indicator", "load_indicators"]

_DEFAULT_SOURCE = "Alberta Education, Chemistry Data Booklet, p. 10 (transcribed)"


@dataclass(frozen=True, slots=True)
class Indicator:
    """An indicator with its transition range.

    Attributes
    ----------
    transition_range : tuple of float
        pH at which the change starts and ends for the eye; tables differ by 0.2 to 0.4.
    colours : tuple of str
        Acid side, base side.
    steps : tuple of float
        pKa of each proton up to the coloured base; more than one for phenolphthalein.
    seen_ph : float
        pH at which the end point is called.
    """

    name: str
    transition_range: tuple[float, float]
    colours: tuple[str, str]
    pka: float
    steps: tuple[float, ...]
    seen_ph: float
    source: str

    def base_fraction(self, ph: npt.ArrayLike) -> FloatArray:
        """Return the share of the dye in its base form, 0 to 1.

        Examples
        --------
        >>> float(find_indicator("phenolphthalein").base_fraction(8.72).round(2))
        0.05
        """
        value = np.asarray(ph, dtype=np.float64)
        total = np.ones_like(value)
        term = np.ones_like(value)
        for pka in reversed(self.steps):
            term = term * 10.0 ** (pka - value)
            total = total + term
        return np.asarray(1.0 / total)


@cache
def load_indicators() -> tuple[Indicator, ...]:
    """Return the indicators of the shipped table, from acid to base."""
    text = files("hueph.chemistry").joinpath("data", "indicators.toml").read_text(encoding="utf-8")
    found = []
    for name, entry in tomllib.loads(text).items():
        low, high = entry["range"]
        acid, base = entry["colours"]
        seen = entry.get("seen_ph", low if acid == "colourless" else 0.5 * (low + high))
        steps = tuple(entry.get("steps", [entry["pka"]]))
        source = entry.get("source", _DEFAULT_SOURCE)
        found.append(Indicator(name, (low, high), (acid, base), entry["pka"], steps, seen, source))
    return tuple(sorted(found, key=lambda item: item.transition_range))


def find_indicator(name: str) -> Indicator:
    """Return an indicator by name, upper and lower case alike.

    Raises
    ------
    InputError
        Not in the table; the text names the nearest.
    """
    known = {item.name.casefold(): item for item in load_indicators()}
    if name.casefold() not in known:
        hint = nearest(name, list(known)) or f"; known are {', '.join(item.name for item in known.values())}"
        raise InputError(f"no indicator called {name!r} is known{hint}")
    return known[name.casefold()]
