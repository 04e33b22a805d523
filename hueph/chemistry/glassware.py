"""Tolerances of volumetric glassware, drops and burette readings.

Limits of error at 20 °C, mL, class A; class B is twice class A (ASTM E287-02(2019), scope). A limit turns
into a standard uncertainty as a triangular distribution, a/√6 (GUM 4.3.9): glassware is mostly better than
its limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hueph.chemistry.species import nearest
from hueph.errors import InputError

__all__ = ["READING_STD_ML", "Tool", "choose_tool", "parse_tool"]

# Nominal volume -> limit, class A.
_TOLERANCE_ML: dict[str, dict[float, float]] = {
    # Transfer pipettes: two analytical textbooks (transcribed); 2 and 20 mL from memory.
    "transfer pipette": {1: 0.006, 2: 0.006, 5: 0.01, 10: 0.02, 20: 0.03, 25: 0.03, 50: 0.05, 100: 0.08},
    # USP <31> for 2, 5 and 10 mL; 1 mL from memory.
    "measuring pipette": {1: 0.01, 2: 0.01, 5: 0.02, 10: 0.03},
    # ISO 385 for 50 mL (transcribed), the others from memory.
    "burette": {10: 0.02, 25: 0.03, 50: 0.05, 100: 0.10},
    # Analytical textbook (transcribed); 10, 200, 500 (ASTM E288) and 2000 mL from memory.
    "flask": {
        10: 0.02,
        25: 0.03,
        50: 0.05,
        100: 0.08,
        200: 0.10,
        250: 0.12,
        500: 0.20,
        1000: 0.30,
        2000: 0.50,
    },
    # ISO 4788, memory.
    "cylinder": {5: 0.05, 10: 0.10, 25: 0.25, 50: 0.50, 100: 0.50, 250: 1.0, 500: 2.5, 1000: 5.0},
}
_ALIASES = {
    "volumetric flask": "flask",
    "measuring cylinder": "cylinder",
    "graduated pipette": "measuring pipette",
}

# ±0.02 mL a reading (analytical textbook, transcribed), two readings, each rectangular.
READING_STD_ML = math.sqrt(2.0) * 0.02 / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Tool:
    """What a volume is measured with.

    Attributes
    ----------
    kind : str
        Such as ``"transfer pipette"``.
    nominal_ml : float
    glass_class : str
        ``"A"`` or ``"B"``.
    tolerance_ml : float
        Limit of error of one filling.
    fillings : int
        How often it is filled for the volume.
    """

    kind: str
    nominal_ml: float
    glass_class: str
    tolerance_ml: float
    fillings: int = 1

    @property
    def std_ml(self) -> float:
        """Standard uncertainty of the whole volume, mL."""
        reading = READING_STD_ML if self.kind == "burette" else 0.0
        return math.hypot(self.tolerance_ml / math.sqrt(6.0), reading) * math.sqrt(self.fillings)

    def __str__(self) -> str:
        return f"{self.nominal_ml:g} mL {self.kind} class {self.glass_class}"


def choose_tool(kind: str, glass_class: str, volume_ml: float) -> Tool:
    """Return the tool for a volume: the smallest of its kind that holds it.

    Parameters
    ----------
    kind : str
        One of the table's, or ``"pipette"``: a transfer pipette where one of that volume exists, else a
        measuring pipette, a burette above 10 mL, a cylinder above 100 mL; ``"vessel"``: a volumetric flask
        where one of that volume exists, else a cylinder.

    Raises
    ------
    InputError
        An unknown kind or class.

    Examples
    --------
    >>> str(choose_tool("pipette", "B", 5.0))
    '5 mL transfer pipette class B'
    """
    if glass_class not in ("A", "B"):
        raise InputError(f"the class of glassware must be A or B, got {glass_class!r}")
    real = _real_kind(kind, volume_ml)
    limits = _TOLERANCE_ML[real]
    fitting = [size for size in limits if size >= volume_ml * (1.0 - 1e-9)]
    nominal = min(fitting) if fitting else max(limits)
    fillings = 1 if fitting else math.ceil(volume_ml / nominal)
    tolerance = limits[nominal] * (1.0 if glass_class == "A" else 2.0)
    return Tool(real, nominal, glass_class, tolerance, fillings)


def _real_kind(kind: str, volume_ml: float) -> str:
    """Turn the two collective kinds into one of the table's."""
    kind = _ALIASES.get(kind, kind)
    if kind == "pipette":
        if volume_ml in _TOLERANCE_ML["transfer pipette"]:
            return "transfer pipette"
        return "measuring pipette" if volume_ml <= 10.0 else "burette" if volume_ml <= 100.0 else "cylinder"
    if kind == "vessel":
        return "flask" if volume_ml in _TOLERANCE_ML["flask"] else "cylinder"
    if kind not in _TOLERANCE_ML:
        known = ["pipette", *_TOLERANCE_ML, *_ALIASES]
        raise InputError(f"no glassware called {kind!r} is known{nearest(kind, known)}")
    return kind


def parse_tool(text: str) -> tuple[str, str]:
    """Read ``"class A pipette"`` or ``"burette B"`` into kind and class (B when none is written).

    Raises
    ------
    InputError
        The kind is not known.

    Examples
    --------
    >>> parse_tool("class A measuring pipette")
    ('measuring pipette', 'A')
    """
    words = [word for word in text.split() if word.casefold() != "class"]
    classes = [word for word in words if word in ("A", "B")]
    kind = " ".join(word.casefold() for word in words if word not in ("A", "B"))
    if len(classes) > 1:
        raise InputError(f"glassware has one class, got {text!r}")
    _real_kind(kind, 5.0)
    return kind, classes[0] if classes else "B"
