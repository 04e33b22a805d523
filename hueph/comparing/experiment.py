"""Experiment files: which tube of which photograph is which preparation, and what was added.

::

    title = "Citrate and phosphate against acid"
    chart = "sample-universal-strip"
    recipe = "buffers.toml"

    [photos]
    start = "start.jpg"
    acid = { file = "acid.jpg", labels = ["citrate", "phosphate", "water"] }

    [samples.citrate]
    start = "start:1"
    step = "A"
    additions = [
        { add = "5 drops of 0.1 M HCl", seen = "acid:citrate" },
    ]
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hueph._types import PathLike
from hueph.buffering import HOLD_PH
from hueph.chemistry.sentences import SentenceError, parse_sentence
from hueph.chemistry.species import nearest
from hueph.chemistry.steps import Add, Amount
from hueph.chemistry.toml_lines import LineMap, parse_toml, read_toml_text
from hueph.errors import RecipeError

__all__ = ["Addition", "Experiment", "PhotoEntry", "Sample", "TubeRef", "load_experiment"]

_TOP_KEYS = ("title", "note", "chart", "recipe", "coverage", "hold", "drop_ml", "photos", "samples")
_PHOTO_KEYS = ("file", "chart", "labels")
_SAMPLE_KEYS = ("start", "step", "volume_ml", "water", "note", "additions")
_ADDITION_KEYS = ("add", "seen", "step")


@dataclass(frozen=True, slots=True)
class TubeRef:
    """A tube by photograph and number or label, as written."""

    photo: str
    tube: str

    def __str__(self) -> str:
        return f"{self.photo}:{self.tube}"


@dataclass(frozen=True, slots=True)
class PhotoEntry:
    """A photograph: its name in the file, its path, its chart and the labels of its tubes."""

    name: str
    line: int
    file: Path
    chart: str
    labels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Addition:
    """What was added, in which tubes the result was seen, and the recipe's step for it, if any."""

    text: str
    seen: tuple[TubeRef, ...]
    step: str
    line: int


@dataclass(frozen=True, slots=True)
class Sample:
    """One preparation followed through the experiment.

    Attributes
    ----------
    name : str
    line : int
    start : tuple of TubeRef
        Several are replicates, or portions with different indicators.
    step : str
        Step or portion of the recipe it starts as, "" without.
    volume_ml : float or None
    is_water : bool
        Plain water: the yardstick of the others.
    additions : tuple of Addition
        One after the other, each on top of those before.
    """

    name: str
    line: int
    start: tuple[TubeRef, ...]
    step: str
    volume_ml: float | None
    is_water: bool
    additions: tuple[Addition, ...]


@dataclass(frozen=True, slots=True)
class Experiment:
    """A checked experiment file.

    Attributes
    ----------
    title, source : str
        `source` is the file's name, for messages.
    recipe : Path or None
    coverage, hold_ph, drop_ml : float
    photos : dict of str to PhotoEntry
    samples : tuple of Sample
    """

    title: str
    source: str
    recipe: Path | None
    coverage: float
    hold_ph: float
    drop_ml: float
    photos: dict[str, PhotoEntry]
    samples: tuple[Sample, ...]

    def fail(self, line: int, text: str) -> RecipeError:
        """Return the error for a line, ready to raise."""
        return RecipeError(f"reading {self.source}, line {line}: {text}")


def load_experiment(path: PathLike) -> Experiment:
    """Read and check an experiment file.

    Parameters
    ----------
    path : path
        Paths within the file are relative to its folder.

    Returns
    -------
    Experiment

    Raises
    ------
    RecipeError
        The file cannot be read, or a line is wrong; the sentence names the line.
    """
    name, text = Path(path).name, read_toml_text(path, "an experiment file")
    return _Reader(parse_toml(text, name), text, Path(path)).experiment()


def _table_lines(text: str, first: int) -> list[int]:
    """Lines of the inline tables that follow from line `first` on; quotes and comments are passed over."""
    found = []
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n")[first - 1 :], start=first):
        bare = re.sub(r"\"(\\.|[^\"\\])*\"|'[^']*'|#.*", "", line)
        found += [number] * bare.count("{")
    return found


class _Reader:
    """Turns a parsed document into an `Experiment`, naming the line of whatever is wrong."""

    def __init__(self, document: dict[str, Any], text: str, path: Path) -> None:
        self.document, self.lines, self.path = document, LineMap(text), path
        self.raw = text
        # Set while the additions of a sample are read: the map knows no lines within a list.
        self.here: int | None = None

    def error(self, path: tuple[str, ...], text: str) -> RecipeError:
        line = self.lines.line(*path) if self.here is None else self.here
        return RecipeError(f"reading {self.path.name}, line {line}: {text}")

    def experiment(self) -> Experiment:
        if "photos" not in self.document and ("steps" in self.document or "solutions" in self.document):
            raise RecipeError(
                f"reading {self.path.name}: this is a recipe; an experiment file has sections [photos] and "
                f'[samples] and names its recipe, recipe = "{self.path.name}"'
            )
        self.only((), self.document, _TOP_KEYS)
        photos = self.photos()
        samples = tuple(self.sample(name, entry, photos) for name, entry in self.section("samples").items())
        self.once(samples, photos)
        recipe = self.document.get("recipe")
        return Experiment(
            title=self.text((), "title", self.document, "an experiment"),
            source=self.path.name,
            recipe=None if recipe is None else self.path.parent / self.text((), "recipe", self.document, ""),
            coverage=self.number((), "coverage", self.document, 0.95, 0.01, 0.9999),
            hold_ph=self.number((), "hold", self.document, HOLD_PH, 0.01, 7.0),
            drop_ml=self.number((), "drop_ml", self.document, 0.05, 0.005, 0.2),
            photos=photos,
            samples=samples,
        )

    def only(self, path: tuple[str, ...], entry: dict[str, Any], allowed: tuple[str, ...]) -> None:
        for key in entry:
            if key not in allowed:
                hint = nearest(key, list(allowed)) or f"; known are {', '.join(allowed)}"
                raise self.error((*path, key), f"the key {key!r} is not known here{hint}")

    def section(self, key: str) -> dict[str, Any]:
        section = self.document.get(key)
        if not isinstance(section, dict) or not section:
            raise self.error((key,), f"an experiment needs a section [{key}] with at least one entry")
        return section

    def text(self, path: tuple[str, ...], key: str, entry: dict[str, Any], default: str) -> str:
        value = entry.get(key, default)
        if not isinstance(value, str) or (key in entry and not value.strip()):
            raise self.error((*path, key), f"{key!r} must be a text in quotes, found {value!r}")
        return value.strip()

    def number(
        self, path: tuple[str, ...], key: str, entry: dict[str, Any], default: float, low: float, high: float
    ) -> float:
        value = entry.get(key, default)
        good = isinstance(value, int | float) and not isinstance(value, bool)
        if not good or not low <= value <= high:
            raise self.error(
                (*path, key), f"{key!r} must be a number from {low:g} to {high:g}, found {value!r}"
            )
        return float(value)

    def photos(self) -> dict[str, PhotoEntry]:
        found: dict[str, PhotoEntry] = {}
        chart = self.text((), "chart", self.document, "")
        for name, value in self.section("photos").items():
            path = ("photos", name)
            entry = {"file": value} if isinstance(value, str) else value
            if not isinstance(entry, dict):
                raise self.error(
                    path, f"the photograph {name!r} must be a file name in quotes, found {value!r}"
                )
            self.only(path, entry, _PHOTO_KEYS)
            file = self.text(path, "file", entry, "")
            if not file or ":" in name:
                rule = "needs a file" if not file else "may have no colon in its name"
                raise self.error(path, f"the photograph {name!r} {rule}")
            own = self.text(path, "chart", entry, chart)
            if not own:
                raise self.error(
                    path, f"no chart is named for the photograph {name!r}: write chart = ... at the top"
                )
            labels = entry.get("labels", [])
            if not isinstance(labels, list) or not all(isinstance(label, str) for label in labels):
                raise self.error(
                    path, f"the labels of {name!r} must be a list of texts, one a tube, left to right"
                )
            for label in labels:
                if labels.count(label) > 1 and label != "-":
                    raise self.error(path, f"the label {label!r} of {name!r} stands there twice")
                if label.strip().isdigit():
                    raise self.error(
                        path, f"the label {label!r} of {name!r} could be a tube's number; use a word"
                    )
            found[name] = PhotoEntry(
                name, self.lines.line(*path), self.path.parent / file, self.chart_path(own), tuple(labels)
            )
        return found

    def chart_path(self, chart: str) -> str:
        """A chart file beside the experiment file, else the name of a shipped chart."""
        beside = self.path.parent / chart
        return str(beside) if beside.is_file() else chart

    def sample(self, name: str, entry: Any, photos: dict[str, PhotoEntry]) -> Sample:
        path = ("samples", name)
        if not isinstance(entry, dict):
            raise self.error(path, f"the sample {name!r} must be a section, written [samples.{name}]")
        self.only(path, entry, _SAMPLE_KEYS)
        water = entry.get("water", False)
        if not isinstance(water, bool):
            raise self.error((*path, "water"), f"'water' must be true or false, found {water!r}")
        additions = entry.get("additions", [])
        if not isinstance(additions, list) or not all(isinstance(one, dict) for one in additions):
            raise self.error(
                (*path, "additions"),
                '\'additions\' must be a list such as [{ add = "5 drops of 0.1 M HCl", seen = "acid:1" }]',
            )
        volume = None
        if "volume_ml" in entry:
            volume = self.number(path, "volume_ml", entry, 1.0, 0.01, 10_000.0)
        start, step = self.refs(path, "start", entry, photos), self.text(path, "step", entry, "")
        made = []
        first = self.lines.line(*path, "additions")
        places = _table_lines(self.raw, first) + [first] * len(additions)
        for one, self.here in zip(additions, places, strict=False):
            made.append(self.addition(path, one, photos))
        self.here = None
        return Sample(name, self.lines.line(*path), start, step, volume, water, tuple(made))

    def once(self, samples: tuple[Sample, ...], photos: dict[str, PhotoEntry]) -> None:
        """Turn away a tube that would be two things at once."""
        owner: dict[tuple[str, str], str] = {}
        for sample in samples:
            seen = [(self.lines.line("samples", sample.name, "start"), "start", sample.start)]
            seen += [(one.line, one.text, one.seen) for one in sample.additions]
            for line, what, refs in seen:
                for ref in refs:
                    labels = photos[ref.photo].labels
                    number = str(labels.index(ref.tube) + 1) if ref.tube in labels else ref.tube.lstrip("0")
                    role = f"the start of {sample.name}" if what == "start" else f"{sample.name} after {what}"
                    known = owner.setdefault((ref.photo, number), role)
                    if known != role or not number:
                        rule = f"is {known} already" if number else "is no tube: they are counted from 1"
                        raise RecipeError(
                            f"reading {self.path.name}, line {line}: the tube {str(ref)!r} {rule}"
                        )

    def addition(
        self, path: tuple[str, ...], entry: dict[str, Any], photos: dict[str, PhotoEntry]
    ) -> Addition:
        where = (*path, "additions")
        self.only(where, entry, _ADDITION_KEYS)
        text = self.text(where, "add", entry, "")
        try:
            sentence = parse_sentence(f"add {text} to it")
        except SentenceError as error:
            raise self.error(where, f"what was added, {text!r}: {error}") from error
        parts = sentence.parts if isinstance(sentence, Add) else ()
        if not parts or not all(isinstance(part.amount, Amount) for part in parts):
            raise self.error(
                where, f'what was added must be an amount, such as "5 drops of 0.1 M HCl"; found {text!r}'
            )
        step = self.text(where, "step", entry, "")
        seen = self.refs(where, "seen", entry, photos)
        return Addition(text, seen, step, self.here or self.lines.line(*where))

    def refs(
        self, path: tuple[str, ...], key: str, entry: dict[str, Any], photos: dict[str, PhotoEntry]
    ) -> tuple[TubeRef, ...]:
        """Tubes as ``"photo:tube"``, one or a list."""
        value = entry.get(key)
        texts = [value] if isinstance(value, str) else value
        if not isinstance(texts, list) or not texts or not all(isinstance(text, str) for text in texts):
            raise self.error(
                (*path, key),
                f'{key!r} must name a tube as "photo:tube", or several in a list; found {value!r}',
            )
        found = []
        for text in texts:
            photo, colon, tube = (part.strip() for part in text.partition(":"))
            if not colon or not tube:
                raise self.error(
                    (*path, key), f"a tube is written photo:number or photo:label, found {text!r}"
                )
            if photo not in photos:
                hint = nearest(photo, list(photos)) or f"; there are {', '.join(photos)}"
                raise self.error((*path, key), f"{text!r} names no photograph of [photos]{hint}")
            labels = photos[photo].labels
            if not tube.isdigit() and tube not in labels:
                hint = nearest(tube, list(labels)) or "; use its number, or list labels at the photograph"
                raise self.error(
                    (*path, key), f"the photograph {photo!r} has no tube labelled {tube!r}{hint}"
                )
            ref = TubeRef(photo, tube)
            if ref in found:
                raise self.error((*path, key), f"{text!r} stands there twice")
            found.append(ref)
        return tuple(found)
