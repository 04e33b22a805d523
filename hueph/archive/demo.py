"""A worked archive, built from the sample photographs, verified, reported and exported."""

from __future__ import annotations

import json
import tempfile
from dataclasses import dataclass
from pathlib import Path

from hueph._types import PathLike
from hueph._words import counted
from hueph.archive.annotating import add_correction, add_note
from hueph.archive.connect import sentences
from hueph.archive.export import export_archive
from hueph.archive.keeping import add_expectation, add_reading
from hueph.archive.records import Labels, Record
from hueph.archive.reporting import write_report
from hueph.archive.store import Archive, open_archive
from hueph.archive.verify import verify_archive
from hueph.chart import Chart, load_chart
from hueph.errors import HuephError, InputError
from hueph.shipped import find_chart

__all__ = ["Demo", "build_demo"]

# The scenario: a hydroponics workshop that buffers its nutrient solution with citrate and phosphate.
EXPERIMENT = "Nutrient line, week 12"
WHO = "workshop bench 2"
# Its second experiment, in a folder of its own among the samples.
ACID_EXPERIMENT = "Acid on the feed line"
ACID_TUBES = {1: "citrate-tube", 2: "phosphate-tube", 3: "thin-tube", 4: "water-tube"}


@dataclass(frozen=True, slots=True)
class Demo:
    """What was built; `lines` tell it to a person."""

    lines: tuple[str, ...]
    is_sound: bool


def build_demo(folder: PathLike, samples: PathLike = "samples") -> Demo:
    """Build an archive from the sample photographs, verify it, write its report, and export it.

    Parameters
    ----------
    folder : path
        New; gets ``archive``, ``bag``, and a report of each experiment as HTML and PDF.
    samples : path
        Folder with ``truth.json`` (which names the pictures and their charts) and the pictures.

    Returns
    -------
    Demo

    Raises
    ------
    InputError
        `samples` is not the folder of the sample photographs.
    ArchiveError
        `folder` cannot be used.
    """
    source, target = Path(samples), Path(folder)
    photos = _photos(source)
    lines: list[str] = []
    with sentences(f"making the folder {target}"):
        target.mkdir(parents=True, exist_ok=True)
    with open_archive(target / "archive", create=True) as archive:
        recipe = source / "recipes" / "nutrient.toml"
        if recipe.is_file():
            made = add_expectation(archive, recipe, labels=Labels(WHO, EXPERIMENT))
            lines.append(f"record {made.number}  {made.summary}")
        readings = []
        for step, (file, chart) in enumerate(photos, start=1):
            record = _read(archive, source / file, chart, step, lines)
            if record is not None:
                readings.append(record)
        if readings:
            note = add_note(archive, readings[0].number, "Lamp moved to the left afterwards.", who=WHO)
            lines.append(f"record {note.number}  {note.summary}")
            labels = Labels(WHO, EXPERIMENT, "tank samples", readings[-1].labels.step)
            corrected = add_correction(
                archive, readings[-1].number, "The bottle was mislabelled.", labels, who=WHO
            )
            lines.append(f"record {corrected.number}  {corrected.summary}")
        _compare(archive, source / "experiment", lines)
        result = verify_archive(archive)
        lines += [str(finding) for finding in result.findings]
        verdict = "sound" if result.is_sound else "DAMAGED"
        lines.append(
            f"verified: {verdict}; {counted(result.records, 'record')}, {counted(result.files, 'file')}, "
            f"{counted(result.recomputed, 'photograph')} read again, "
            f"{counted(result.compared, 'comparison')} made again; last link {result.head}"
        )
        for experiment, stem in ((EXPERIMENT, "report"), (ACID_EXPERIMENT, "report-acid")):
            if experiment in archive.values("experiment"):
                for suffix in ("html", "pdf"):
                    lines.append(f"wrote {write_report(archive, experiment, target / f'{stem}.{suffix}')}")
        bag = export_archive(archive, target / "bag")
        lines.append(f"wrote {bag}")
    return Demo(tuple(lines), result.is_sound)


def _photos(source: Path) -> list[tuple[str, Chart]]:
    """Return the sample pictures with their charts."""
    try:
        scenes = json.loads((source / "truth.json").read_text(encoding="utf-8"))
        return [
            (str(shot["file"]), load_chart(find_chart(scene["chart"])))
            for scene in scenes
            for shot in scene["shots"]
            if (source / str(shot["file"])).is_file()
        ]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"{source} is not the folder of the sample photographs: it must hold truth.json and the "
            "pictures named there; name that folder with --samples"
        ) from error


def _read(archive: Archive, file: Path, chart: Chart, step: int, lines: list[str]) -> Record | None:
    """Read and record one picture; one that cannot be read is told and left out."""
    from hueph.photo import load_photo
    from hueph.reading import read_photo

    try:
        photo = load_photo(file)
        readings = read_photo(photo, chart)
    except HuephError as error:
        lines.append(f"not recorded: {error}")
        return None
    labels = Labels(WHO, EXPERIMENT, file.stem.replace("-", " "), f"sheet {step}")
    record = add_reading(archive, photo, readings, chart, labels=labels)
    lines.append(f"record {record.number}  {record.summary}")
    return record


def _compare(archive: Archive, folder: Path, lines: list[str]) -> None:
    """Run and record the worked experiment: readings beside its recipe, and what acid changed."""
    plan = folder / "experiment.toml"
    if not plan.is_file():
        return
    from hueph.archive.comparing import record_comparison
    from hueph.comparing.running import run_experiment
    from hueph.comparison_figure import write_comparison_figure
    from hueph.expecting import attach_expected, expect_tubes, parse_expect

    recipe = folder / "buffers.toml"
    asked = [parse_expect(f"{recipe}:{step}=start.jpg#{tube}") for tube, step in ACID_TUBES.items()]
    result, expected = run_experiment(plan), expect_tubes(asked)
    charts = [load_chart(entry.chart) for entry in result.experiment.photos.values()]
    with tempfile.TemporaryDirectory() as scratch:
        figure = Path(scratch) / "comparison.jpg"
        write_comparison_figure(result, figure)
        record = record_comparison(
            archive,
            [attach_expected(readings, expected) for readings in result.photos.values()],
            {chart.sha256: chart for chart in charts},
            result.to_dict(),
            labels=Labels(WHO, ACID_EXPERIMENT, "citrate, phosphate, thin phosphate, water"),
            recipes=[plan, recipe],
            figure=figure.read_bytes(),
            asked=asked,
            options={"experiment": True, "coverage": None},
        )
    lines += [f"record {link.number}  {archive.record(link.number).summary}" for link in record.links]
    lines.append(f"record {record.number}  {record.summary}")
