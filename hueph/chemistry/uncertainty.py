"""Measured quantities, each with its own distribution, that a recipe is run through.

A run asks for every quantity by a key. The first run, at the nominal values, writes down what was asked for;
a later run moves the quantities by given numbers of standard uncertainties: one at a time for the linear
propagation (GUM 5.1.2), all at once and at random for the Monte Carlo one (GUM Supplement 1).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray

__all__ = ["Contribution", "Quantities", "Quantity", "linear_deviations", "random_deviations"]

# No measuring error turns a volume or a concentration round: what is drawn stays above this share.
_FLOOR_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measured quantity.

    Attributes
    ----------
    label : str
        What it is, for the budget.
    std : float
        Standard uncertainty, in the quantity's unit.
    shape : str
        ``"normal"``, ``"rectangular"`` or ``"triangular"``.
    """

    key: str
    label: str
    nominal: float
    std: float
    shape: str

    @property
    def kind(self) -> str:
        """Where its error comes from."""
        return _KINDS[self.key.partition("/")[0]]


# What the first word of a quantity's key says about where its error comes from.
_KINDS = {
    "volume": "measuring",
    "burette": "measuring",
    "drop": "measuring",
    "label": "labels",
    "temperature": "temperature",
    "pka": "constants and model",
    "davies": "constants and model",
}


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget.

    Attributes
    ----------
    label : str
    ph : float
        Change of pH for one standard uncertainty of the quantity.
    kind : str
        ``"measuring"``, ``"labels"``, ``"temperature"`` or ``"constants and model"``.
    """

    label: str
    ph: float
    kind: str


class Quantities:
    """Hands out the values of measured quantities, and remembers which were asked for."""

    def __init__(self, deviations: Mapping[str, FloatArray] | None = None) -> None:
        self.asked: dict[str, Quantity] = {}
        self._deviations = deviations or {}

    def draw(
        self,
        key: str,
        label: str,
        nominal: float,
        std: float,
        shape: str = "normal",
        *,
        positive: bool = True,
    ) -> FloatArray:
        """Return the values of one quantity, shape (1,) or (n,)."""
        self.asked.setdefault(key, Quantity(key, label, nominal, std, shape))
        if std <= 0.0 or key not in self._deviations:
            return np.array([nominal])
        values = nominal + std * self._deviations[key]
        return np.maximum(values, _FLOOR_SHARE * nominal) if positive else values


def linear_deviations(asked: Mapping[str, Quantity]) -> dict[str, FloatArray]:
    """Return deviations for 2 m + 1 versions: none, then each quantity up and down by one unit."""
    moving = [quantity for quantity in asked.values() if quantity.std > 0.0]
    count = 2 * len(moving) + 1
    deviations = {}
    for number, quantity in enumerate(moving):
        column = np.zeros(count)
        column[2 * number + 1], column[2 * number + 2] = 1.0, -1.0
        deviations[quantity.key] = column
    return deviations


def random_deviations(
    asked: Mapping[str, Quantity], count: int, rng: np.random.Generator
) -> dict[str, FloatArray]:
    """Return `count` random deviations of unit standard deviation, each of the quantity's own shape."""
    deviations: dict[str, FloatArray] = {}
    for quantity in asked.values():
        if quantity.std <= 0.0:
            continue
        if quantity.shape == "rectangular":
            deviations[quantity.key] = rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), count)
        elif quantity.shape == "triangular":
            deviations[quantity.key] = rng.triangular(-math.sqrt(6.0), 0.0, math.sqrt(6.0), count)
        else:
            deviations[quantity.key] = rng.standard_normal(count)
    return deviations
