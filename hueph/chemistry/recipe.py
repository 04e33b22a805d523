"""Recipes: a small TOML of named solutions and steps, checked line by line."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hueph._types import PathLike
from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.glassware import parse_tool
from hueph.chemistry.sentences import SentenceError, check_name, parse_sentence
from hueph.chemistry.solutions import Label, parse_label
from hueph.chemistry.species import SpeciesTable, TableEntryError, load_species, nearest
from hueph.chemistry.steps import Sentence
from hueph.chemistry.toml_lines import LineMap, parse_toml, read_toml_text
from hueph.errors import InputError, RecipeError

__all__ = ["Bottle", "Measuring", "Recipe", "RecipeStep", "load_recipe", "parse_one_liner", "parse_recipe"]

# A plus with a blank missing between two amounts, "5 mL acid+5 mL salt"; not that of 1e+5.
_GLUED_PLUS = re.compile(r"(?<=[\w ])(?<!\d[eE])\s*\+\s*(?=\d)")

_TOP_KEYS = (
    "title", "note", "temperature", "drop_ml", "air", "co2_ppm", "water", "activity", "pkw", "test_acid",
    "test_base", "solutions", "steps", "measuring", "acid", "reagent",
)  # fmt: skip
_MEASURING_KEYS = ("volumes", "vessel", "burette", "drop_percent", "label_percent", "temperature_c", "exact")


@dataclass(frozen=True, slots=True)
class Measuring:
    """How well things are measured.

    Attributes
    ----------
    volumes, vessel, burette : tuple of str
        Kind and class of what measures portions, final volumes and titrant.
    drop_share_std : float
        Standard uncertainty of the size of a drop, as a share of it (all drops alike).
    label_limit : float
        Limit of error of a labelled concentration, as a share of it (rectangular).
    temperature_std_c : float
    exact : bool
        True leaves every uncertainty out.
    """

    volumes: tuple[str, str] = ("pipette", "B")
    vessel: tuple[str, str] = ("vessel", "B")
    burette: tuple[str, str] = ("burette", "B")
    drop_share_std: float = 0.10
    label_limit: float = 0.02
    temperature_std_c: float = 1.0
    exact: bool = False


@dataclass(frozen=True, slots=True)
class Bottle:
    """A named solution as it stands on the bench."""

    name: str
    line: int
    label: Label


@dataclass(frozen=True, slots=True)
class RecipeStep:
    """A named step: the sentence as written and as understood."""

    name: str
    line: int
    text: str
    sentence: Sentence


@dataclass(frozen=True)
class Recipe:
    """A checked recipe.

    Attributes
    ----------
    source : str
        File name, for messages.
    table : SpeciesTable
        The shipped one with the recipe's own acids and reagents.
    """

    source: str
    table: SpeciesTable
    title: str = ""
    temperature_c: float = 25.0
    drop_ml: float = 0.05
    air_open: bool = False
    co2_atm: float = 420e-6
    water: str = "air"
    activity: str = "davies"
    pkw: float | None = None
    test_acid: str = "0.1 M HCl"
    test_base: str = "0.1 M NaOH"
    measuring: Measuring = field(default_factory=Measuring)
    bottles: tuple[Bottle, ...] = ()
    steps: tuple[RecipeStep, ...] = ()

    def conditions(self) -> Conditions:
        """Return the nominal conditions of every solve; what the air did is in the mixture already."""
        return Conditions(activity=self.activity, pkw=self.pkw)

    def fail(self, line: int, text: str) -> RecipeError:
        """Return the error for a line, ready to raise."""
        return RecipeError(f"reading {self.source}, line {line}: {' '.join(text.split())}")


def load_recipe(path: PathLike) -> Recipe:
    """Read and check a recipe file.

    Raises
    ------
    RecipeError
        The file cannot be read, or a line is wrong; the sentence names the line.
    """
    return parse_recipe(read_toml_text(path, "a recipe"), Path(path).name)


def parse_recipe(text: str, name: str = "the recipe") -> Recipe:
    """Check the text of a recipe.

    Raises
    ------
    RecipeError
        A line is wrong; the sentence names it.

    Examples
    --------
    >>> recipe = parse_recipe('[solutions]\\nacid = "0.1 M acetic acid"\\n[steps]\\ntube = "take 2 mL acid"')
    >>> recipe.steps[0].name
    'tube'
    """
    document = parse_toml(text.removeprefix("\ufeff"), name)
    return _Reader(document, LineMap(text.removeprefix("\ufeff")), name).recipe()


def parse_one_liner(text: str, *, temperature_c: float = 25.0) -> Recipe:
    """Read steps from one line: sentences parted by semicolons, portions joined by plus signs, or one label.

    Raises
    ------
    RecipeError
        A step is wrong; each step counts as a line.

    Examples
    --------
    >>> len(parse_one_liner("5 mL 0.1 M acetic acid + 5 mL 0.1 M sodium acetate; take 2 mL of it").steps)
    2
    """
    blank = Recipe("the command line", load_species(), temperature_c=temperature_c)
    steps: list[RecipeStep] = []
    for line, piece in enumerate(text.rstrip().removesuffix(";").split(";"), start=1):
        named = re.match(r"\s*([\w -]+?)\s*=\s*(.+)", piece)
        name, sentence = (named[1], named[2]) if named else (f"step {line}", piece.strip())
        if re.match(r"[-+\d.]", sentence):
            # Amounts are poured: several are a mixture, one is taken. A label alone is a bottle looked at.
            is_amount = re.match(r"\S+?\s*(?:m?l|µl|drops?)\b", sentence, re.I)
            sentence = _GLUED_PLUS.sub(" + ", sentence)
            is_mixture = is_amount and " + " in sentence
            sentence = f"{'mix' if is_mixture else 'take' if is_amount else 'take 1 mL of'} {sentence}"
        try:
            steps.append(RecipeStep(name, line, piece.strip(), parse_sentence(sentence)))
        except SentenceError as error:
            raise blank.fail(line, str(error)) from error
    return Recipe(blank.source, blank.table, temperature_c=temperature_c, steps=tuple(steps))


class _Reader:
    """Turns a parsed document into a `Recipe`, naming the line of whatever is wrong."""

    def __init__(self, document: dict[str, Any], lines: LineMap, name: str) -> None:
        self.document, self.lines, self.name = document, lines, name

    def error(self, path: tuple[str, ...], text: str) -> RecipeError:
        where = f"reading {self.name}, line {self.lines.line(*path)}"
        return RecipeError(f"{where}: {' '.join(text.split())}")

    def recipe(self) -> Recipe:
        self._only((), self.document, _TOP_KEYS)
        try:
            table = load_species().extend(self.document)
        except TableEntryError as error:
            raise self.error(error.path, str(error)) from error
        bottles = self._bottles(table)
        steps = self._steps({bottle.name: bottle.line for bottle in bottles})
        if not steps and not bottles:
            raise self.error(
                (), "a recipe needs something under [solutions] and [steps], found nothing under either"
            )
        pkw = self._number("pkw", 14.0, 11.0, 16.0) if "pkw" in self.document else None
        return Recipe(
            source=self.name,
            table=table,
            title=self._text(("title",), self.document["title"]) if "title" in self.document else "",
            temperature_c=self._temperature(),
            drop_ml=self._number("drop_ml", 0.05, 0.005, 0.2),
            air_open=self._choice("air", "closed", ("closed", "open")) == "open",
            co2_atm=self._number("co2_ppm", 420.0, 0.0, 1e6) * 1e-6,
            water=self._choice("water", "air", ("air", "boiled", "pure")),
            activity=self._choice("activity", "davies", ("davies", "ideal")),
            pkw=pkw,
            test_acid=self._test_label("test_acid", "0.1 M HCl", table),
            test_base=self._test_label("test_base", "0.1 M NaOH", table),
            measuring=self._measuring(),
            bottles=bottles,
            steps=steps,
        )

    def _only(self, path: tuple[str, ...], entry: dict[str, Any], allowed: tuple[str, ...]) -> None:
        for key in entry:
            if key not in allowed:
                hint = nearest(key, list(allowed)) or f"; known are {', '.join(allowed)}"
                raise self.error((*path, key), f"the key {key!r} is not known here{hint}")

    def _text(self, path: tuple[str, ...], value: Any) -> str:
        if not isinstance(value, str) or not value.strip():
            raise self.error(path, f"{path[-1]!r} must be a text in quotes, found {_show(value)}")
        return value.strip()

    def _value(self, path: tuple[str, ...], value: Any, low: float, high: float) -> float:
        good = isinstance(value, int | float) and not isinstance(value, bool)
        if not good or not (math.isfinite(value) and low <= value <= high):
            raise self.error(
                path, f"{path[-1]!r} must be a number from {low:g} to {high:g}, found {_show(value)}"
            )
        return float(value)

    def _number(self, key: str, default: float, low: float, high: float) -> float:
        return self._value((key,), self.document.get(key, default), low, high)

    def _choice(self, key: str, default: str, allowed: tuple[str, ...]) -> str:
        value = self.document.get(key, default)
        if value not in allowed:
            options = " or ".join(f'"{item}"' for item in allowed)
            raise self.error((key,), f"{key!r} must be {options}, found {_show(value)}")
        return str(value)

    def _temperature(self) -> float:
        value = self.document.get("temperature", 25.0)
        if isinstance(value, str):
            match = re.fullmatch(r"\s*([-+]?\d+\.?\d*)\s*(?:°\s*)?C?\s*", value)
            if match is None:
                raise self.error(
                    ("temperature",), f"a temperature such as 22 °C was expected, found {_show(value)}"
                )
            value = float(match[1])
        return self._value(("temperature",), value, 0.0, 50.0)

    def _test_label(self, key: str, default: str, table: SpeciesTable) -> str:
        text = self._text((key,), self.document.get(key, default))
        try:
            parse_label(text, table)
        except SentenceError as error:
            raise self.error((key,), str(error)) from error
        return text

    def _section(self, key: str) -> dict[str, Any]:
        section = self.document.get(key, {})
        if not isinstance(section, dict):
            raise self.error((key,), f"{key!r} must be a section, written [{key}], found {_show(section)}")
        return section

    def _check_name(self, path: tuple[str, ...], name: str) -> None:
        try:
            check_name(name)
        except SentenceError as error:
            raise self.error(path, str(error)) from error

    def _bottles(self, table: SpeciesTable) -> tuple[Bottle, ...]:
        bottles = []
        for name, value in self._section("solutions").items():
            path = ("solutions", name)
            self._check_name(path, name)
            text = self._text(path, value)
            try:
                bottles.append(Bottle(name, self.lines.line(*path), parse_label(text, table)))
            except SentenceError as error:
                raise self.error(path, f"solution {name!r}: {error}") from error
        return tuple(bottles)

    def _steps(self, taken: dict[str, int]) -> tuple[RecipeStep, ...]:
        steps = []
        for name, value in self._section("steps").items():
            path = ("steps", name)
            self._check_name(path, name)
            if name in taken:
                raise self.error(path, f"{name!r} is already the name of the solution in line {taken[name]}")
            text = self._text(path, value)
            try:
                steps.append(RecipeStep(name, self.lines.line(*path), text, parse_sentence(text)))
            except SentenceError as error:
                raise self.error(path, f"step {name!r}: {error}") from error
        return tuple(steps)

    def _measuring(self) -> Measuring:
        section = self._section("measuring")
        self._only(("measuring",), section, _MEASURING_KEYS)
        tools: dict[str, tuple[str, str]] = {}
        for key in ("volumes", "vessel", "burette"):
            if key not in section:
                continue
            text = self._text(("measuring", key), section[key])
            if key != "volumes" and text.casefold().split()[-1] in ("a", "b"):
                text = f"{key} {text}"
            try:
                tools[key] = parse_tool(text)
            except InputError as error:
                raise self.error(("measuring", key), str(error)) from error
        exact = section.get("exact", False)
        if not isinstance(exact, bool):
            raise self.error(("measuring", "exact"), f"'exact' must be true or false, found {_show(exact)}")
        value = self._value
        return Measuring(
            **tools,
            drop_share_std=value(("measuring", "drop_percent"), section.get("drop_percent", 10.0), 0.0, 50.0)
            / 100.0,
            label_limit=value(("measuring", "label_percent"), section.get("label_percent", 2.0), 0.0, 50.0)
            / 100.0,
            temperature_std_c=value(
                ("measuring", "temperature_c"), section.get("temperature_c", 1.0), 0.0, 5.0
            ),
            exact=exact,
        )


def _show(value: Any) -> str:
    """Show a found value in one short line."""
    if value == "":
        return "nothing"
    text = repr(value) if not isinstance(value, dict) else "a table"
    return text if len(text) <= 60 else text[:57] + "..."
