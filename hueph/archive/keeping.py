"""Turn what was measured into records: readings, calibrations, comparisons, expectations."""

from __future__ import annotations

import atexit
import functools
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from hueph._threads import side_by_side
from hueph._types import PathLike
from hueph._words import counted
from hueph.archive.densities import pack_posterior
from hueph.archive.kept_files import file_name, keep_chart, keep_original, keep_recipe, keep_recipes
from hueph.archive.pictures import embedded, pictures_of
from hueph.archive.program import program_identity
from hueph.archive.records import Content, Draft, Labels, Link, Record
from hueph.archive.store import Archive, open_archive
from hueph.chart import Chart, chart_sha256
from hueph.interval import format_ph

if TYPE_CHECKING:
    from hueph.expecting import ExpectRequest
    from hueph.photo import Photo
    from hueph.results import PhotoReadings, Reading

__all__ = [
    "Keeper",
    "add_calibration",
    "add_comparison",
    "add_expectation",
    "add_reading",
]

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Keeper:
    """Records photographs as they are read; can be sent to worker processes.

    Attributes
    ----------
    target : str
        Archive folder or URL; it exists.
    labels : Labels
    corrects : int or None
        Record that these readings correct.
    asked : tuple of ExpectRequest
        What was expected in which tube.
    """

    target: str
    labels: Labels = field(default_factory=Labels)
    corrects: int | None = None
    asked: tuple[ExpectRequest, ...] = ()

    def __call__(
        self,
        photo: Photo,
        readings: PhotoReadings,
        chart: Chart,
        *,
        tubes: Sequence[Box] | None = None,
        strip: Sequence[float] | None = None,
    ) -> None:
        """Add one record, see `add_reading`."""
        links = () if self.corrects is None else (Link(self.corrects, "corrects"),)
        add_reading(
            _opened(self.target),
            photo,
            readings,
            chart,
            labels=self.labels,
            tubes=tubes,
            strip=strip,
            links=links,
            asked=self.asked,
        )


@functools.cache
def _opened(target: str) -> Archive:
    """Return an archive that stays open until this process ends: closing it writes all through again."""
    archive = open_archive(target)
    atexit.register(archive.close)
    return archive


def add_reading(
    archive: Archive,
    photo: Photo,
    readings: PhotoReadings,
    chart: Chart,
    *,
    labels: Labels | None = None,
    tubes: Sequence[Box] | None = None,
    strip: Sequence[float] | None = None,
    links: Sequence[Link] = (),
    asked: Sequence[ExpectRequest] = (),
) -> Record:
    """Record the readings of one photograph together with its untouched file and the chart.

    Parameters
    ----------
    archive : Archive
    photo : Photo
        As it was read; its file must still be there, unchanged.
    readings : PhotoReadings
    chart : Chart
    labels : Labels, optional
    tubes, strip : optional
        Outlines given by hand, as `hueph.read_photo` takes them.
    links : sequence of Link
        Records that this one corrects.
    asked : sequence of ExpectRequest
        What was expected in which tube (`hueph.attach_expected`); recipe files are stored too.

    Returns
    -------
    Record

    Raises
    ------
    ArchiveError
        The file was changed or removed after it was read, or the archive cannot be written.
    """
    name = file_name(photo.file)
    original, pictures = side_by_side(
        lambda: keep_original(archive, photo.file, readings.sha256 or photo.sha256),
        lambda: pictures_of(photo, readings),
    )
    contents = [original, keep_chart(archive, chart), *(content for content, _ in pictures)]
    payload = _without_folder(readings.to_dict(), photo.file, name)
    payload["chart"]["sha256"] = chart_sha256(chart)
    for entry, reading in zip(payload["tubes"], readings.tubes, strict=True):
        entry |= _more_of(reading)
    payload["by_hand"] = {
        "tubes": None if tubes is None else [[float(value) for value in box] for box in tubes],
        "strip": None if strip is None else [float(value) for value in strip],
    }
    if asked:
        payload["asked"], recipes = keep_recipes(archive, asked, name)
        contents += recipes
    draft = Draft(
        kind="reading",
        payload=payload,
        labels=labels or Labels(),
        contents=tuple(contents),
        links=tuple(links),
        taken=photo.taken,
        program=program_identity(),
        summary=f"{name}, {_summary(readings)}",
        embedded=tuple(data for _, data in pictures),
    )
    return archive.add(draft)


def add_calibration(
    archive: Archive,
    chart: Chart,
    *,
    pictures: Sequence[PathLike] = (),
    payload: dict[str, Any] | None = None,
    check: dict[str, Any] | None = None,
    labels: Labels | None = None,
) -> Record:
    """Record a chart that was made from a picture, or a print that was compared with its chart.

    Parameters
    ----------
    archive : Archive
    chart : Chart
        As written (`hueph.write_chart`).
    pictures : sequence of path
        The scans or photographs it was made from, or compared with.
    payload : dict, optional
        What else the calibration found, JSON-ready.
    check : dict, optional
        What `hueph.check_drift` found, JSON-ready; then no chart was made.
    labels : Labels, optional

    Returns
    -------
    Record
    """
    contents = [keep_original(archive, os.fspath(picture)) for picture in pictures]
    contents.append(keep_chart(archive, chart))
    known: dict[str, Any] = {
        "chart": {"name": chart.name, "sha256": chart_sha256(chart)},
        "patches": len(chart.patches),
    }
    found = f"{len(chart.patches)} patches"
    if check is not None:
        known["check"] = {name: check[name] for name in ("verdict", "reason", "patches")}
        found = f"checked: {check['verdict']}"
    return archive.add(
        Draft(
            kind="calibration",
            payload=(payload or {}) | known,
            labels=labels or Labels(),
            contents=tuple(contents),
            program=program_identity(),
            summary=f"chart {chart.name}, {found}",
        )
    )


def add_comparison(
    archive: Archive,
    payload: dict[str, Any],
    readings: Sequence[Record],
    *,
    labels: Labels | None = None,
    figure: bytes = b"",
    contents: Sequence[Content] = (),
) -> Record:
    """Record a comparison of readings that are in the archive already.

    Parameters
    ----------
    archive : Archive
    payload : dict
        What ``hueph compare --json`` prints: "pairs" and whatever else, JSON-ready.
    readings : sequence of Record
        The records compared, in order.
    labels : Labels, optional
    figure : bytes
        A picture (JPEG or PNG) of the comparison.
    contents : sequence of Content
        Further files, stored already.

    Returns
    -------
    Record
    """
    kind = "image/png" if figure.startswith(b"\x89PNG") else "image/jpeg"
    about = embedded(figure, "overlay", f"comparison.{kind.split('/')[1]}", kind)
    verdicts = [str(pair.get("verdict", "")) for pair in payload.get("pairs", [])]
    return archive.add(
        Draft(
            kind="comparison",
            payload=payload,
            labels=labels or Labels(),
            contents=(*contents, *((about,) if figure else ())),
            embedded=(figure,) if figure else (),
            links=tuple(Link(reading.number, "uses") for reading in readings),
            program=program_identity(),
            summary=f"{len(verdicts)} pairs: {', '.join(verdicts)}",
        )
    )


def add_expectation(
    archive: Archive, recipe: PathLike, *, coverage: float = 0.95, labels: Labels | None = None
) -> Record:
    """Record the pH that a recipe should have, with the recipe's file.

    Parameters
    ----------
    archive : Archive
    recipe : path
        Recipe file of ``hueph expect``.
    coverage : float
    labels : Labels, optional

    Returns
    -------
    Record

    Raises
    ------
    RecipeError
        The recipe breaks a rule.
    """
    from hueph.chemistry.expectation import expect_recipe

    made = expect_recipe(recipe)
    kept = keep_recipe(archive, recipe)
    steps = made.to_dict(coverage)
    summary = ", ".join(f"{step['step']} {step['ph']:.2f}" for step in steps["steps"])
    return archive.add(
        Draft(
            kind="expectation",
            payload=steps,
            labels=labels or Labels(),
            contents=(kept,),
            program=program_identity(),
            summary=f"{kept.name}: {summary}",
        )
    )


def _without_folder(payload: dict[str, Any], file: str, name: str) -> dict[str, Any]:
    """Replace the path of the photograph by its name, also inside messages: folders name people."""
    payload["photo"]["file"] = name
    strip = payload["strip"]
    strip["message"] = str(strip.get("message", "")).replace(file, name)
    return payload


def _more_of(reading: Reading) -> dict[str, Any]:
    """Return what a reading holds beyond its contract form: spread, core, posterior, budget."""
    return {
        "core": [[round(x, 1), round(y, 1)] for x, y in reading.core],
        "ph_std": None if reading.ph_std is None else round(reading.ph_std, 4),
        "posterior": pack_posterior(reading.grid, reading.posterior),
        "budget": {name: round(value, 4) for name, value in reading.budget.items()},
    }


def _summary(readings: PhotoReadings) -> str:
    """Return the readings in a line."""
    words = []
    for reading in readings.tubes:
        interval = reading.interval
        if interval is None:
            words.append("no reading")
        elif reading.ph is not None:
            words.append(format_ph(reading.ph))
        elif interval.low is None and interval.high is not None:
            words.append(f"below {format_ph(interval.high)}")
        elif interval.high is None and interval.low is not None:
            words.append(f"above {format_ph(interval.low)}")
        else:
            words.append(f"{interval}")
    count = counted(len(words), "tube")
    return f"{count}: pH {', '.join(words)}" if words else "no tubes"
