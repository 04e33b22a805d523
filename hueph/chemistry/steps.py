"""What a sentence of a recipe asks to be done, once it is understood (`sentences`)."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "Add",
    "Amount",
    "Dilute",
    "Exchange",
    "Mix",
    "Part",
    "Sentence",
    "Split",
    "Take",
    "Temper",
    "Titrate",
]


@dataclass(frozen=True, slots=True)
class Amount:
    """A volume in mL, or a number of drops, and the tool it is measured with, if named."""

    value: float
    in_drops: bool
    tool: str | None = None

    def __str__(self) -> str:
        unit = "drop" if self.in_drops and self.value == 1 else "drops" if self.in_drops else "mL"
        return f"{self.value:g} {unit}"


@dataclass(frozen=True, slots=True)
class Part:
    """Something taken: an amount (None for all that is left) of a named or described liquid."""

    amount: Amount | None
    what: str


@dataclass(frozen=True, slots=True)
class Take:
    """A portion taken as it is."""

    part: Part


@dataclass(frozen=True, slots=True)
class Dilute:
    """`factor` times the volume, or up to `final`, with `diluent`."""

    part: Part
    factor: float | None
    final: Amount | None
    diluent: str


@dataclass(frozen=True, slots=True)
class Mix:
    """Parts poured together; `each` is set for equal volumes."""

    parts: tuple[Part, ...]
    equal: bool
    each: Amount | None


@dataclass(frozen=True, slots=True)
class Split:
    """Portions by name, or `count` of them; `each` None shares out all that is left."""

    what: str
    names: tuple[str, ...]
    count: int
    each: Amount | None


@dataclass(frozen=True, slots=True)
class Add:
    """Parts added to another liquid."""

    parts: tuple[Part, ...]
    to: Part


@dataclass(frozen=True, slots=True)
class Titrate:
    """A sample and a titrant; at most one of indicator, pH and burette readings says where it ends."""

    sample: Part
    titrant: str
    indicator: str | None
    until_ph: float | None
    used_ml: float | None


@dataclass(frozen=True, slots=True)
class Exchange:
    """Carbon dioxide exchanged with the air, or driven off by boiling."""

    part: Part
    boiled: bool


@dataclass(frozen=True, slots=True)
class Temper:
    """A liquid brought to a temperature."""

    part: Part
    temperature_c: float


Sentence = Take | Dilute | Mix | Split | Add | Titrate | Exchange | Temper
