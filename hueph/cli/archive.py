"""`hueph archive`: keep, list, verify and export evidence."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from hueph._words import counted
from hueph.cli import DONE, FAILED, FLAGGED, verbose_option
from hueph.cli._archive_options import archive_option, keeper, label_options, labels, open_kept
from hueph.cli._archive_sharing import demo, export, import_bag, report
from hueph.cli._options import coverage_option, json_option, strict_option
from hueph.cli._progress import Progress

if TYPE_CHECKING:
    from hueph.archive.findings import Finding
    from hueph.archive.records import Record
    from hueph.archive.store import Archive

__all__ = ["archive"]

# Lines that `list` prints unless told otherwise.
_PAGE = 100
_KINDS = ("reading", "comparison", "calibration", "expectation", "note", "correction")


@click.group(
    context_settings={"help_option_names": ["-h", "--help"]},
    short_help="Keep, list, verify and export evidence.",
)
@verbose_option
def archive() -> None:
    """Keep, list, verify and export evidence.

    An archive is a folder, or a PostgreSQL database for a department. Records are never changed:
    a correction is a new record that points to the old one.

    Example: hueph archive add bench.jpg --chart mychart.toml --archive evidence
    """


@archive.command(short_help="Read photographs and record them.")
@click.argument("photos", metavar="[PHOTO...]", nargs=-1)
@archive_option
@click.option(
    "--chart", metavar="CHART", help="Chart file, or the name of a shipped chart, of the photographs."
)
@click.option(
    "--recipe",
    "recipes",
    metavar="FILE",
    multiple=True,
    help="Record the pH a recipe should have (repeatable).",
)
@click.option(
    "--corrects", type=click.IntRange(min=1), metavar="NUMBER", help="Record that these readings replace."
)
@label_options
@coverage_option
@click.option("--jobs", type=click.IntRange(min=1), default=1, show_default=True, help="Worker processes.")
@json_option
@strict_option
@verbose_option
def add(
    photos: tuple[str, ...],
    target: str,
    chart: str | None,
    recipes: tuple[str, ...],
    corrects: int | None,
    coverage: float,
    jobs: int,
    as_json: bool,
    strict: bool,
    **known: str | None,
) -> int:
    """Read photographs and record them: original, readings, chart, pictures, labels.

    The same photograph, read the same way under the same labels, is recorded once.

    Example: hueph archive add a.jpg b.jpg --chart mychart.toml --experiment "feed line" --archive evidence
    """
    if bool(photos) != (chart is not None):
        raise click.UsageError("photographs need --chart, and --chart needs photographs")
    if not photos and not recipes:
        raise click.UsageError("nothing to add: name photographs with --chart, or a --recipe")
    keep = keeper(target, known, corrects)
    with open_kept(target) as opened:
        added, failed, flagged = _add_photos(opened, photos, chart, coverage, jobs, keep)
        if recipes:
            from hueph.archive.keeping import add_expectation

            for recipe in recipes:
                added.append(add_expectation(opened, recipe, coverage=coverage, labels=labels(**known)))
                click.echo(_line(added[-1]), err=as_json)
    if as_json:
        click.echo(json.dumps([record.to_dict() for record in added]))
    if failed:
        return FAILED
    return FLAGGED if strict and flagged else DONE


def _add_photos(
    opened: Archive, photos: Sequence[str], chart: str | None, coverage: float, jobs: int, keep: Any
) -> tuple[list[Record], bool, bool]:
    """Read and record photographs, printing a line each; say whether any failed or was flagged."""
    added: list[Record] = []
    failed = flagged = False
    if not photos or chart is None:
        return added, failed, flagged
    from hueph.archive.filters import Filter
    from hueph.batch import find_photos, read_photos

    names = find_photos(photos)
    progress = Progress(len(names), "photographs")
    progress.show()
    for readings in read_photos(names, chart, coverage=coverage, jobs=jobs, keep=keep):
        progress.clear()
        if readings.error is not None:
            failed = True
            click.echo(f"error: {readings.error[1]}", err=True)
        else:
            where = Filter(original=readings.sha256, kind="reading", **_said(keep.labels))
            entry = opened.entries(where, limit=1)[0]
            added.append(opened.record(entry.number))
            flagged |= bool(readings.flags) or any(reading.flags for reading in readings.tubes)
            click.echo(_line(added[-1]), err=True)
        progress.step()
        progress.show()
    progress.clear()
    return added, failed, flagged


def _said(known: Any) -> dict[str, str]:
    """Return labels as conditions."""
    return {"who": known.who, "experiment": known.experiment, "sample": known.sample, "step": known.step}


def _line(record: Record) -> str:
    return f"record {record.number}  {record.summary}"


@archive.command("list", short_help="List records.")
@archive_option
@label_options
@click.option("--kind", type=click.Choice(_KINDS), help="Only records of this kind.")
@click.option("--chart", metavar="NAME", help="Only readings with the chart of this name.")
@click.option(
    "--since", metavar="DATE", default="", help="Received from this day or time on (UTC), 2026-03-21."
)
@click.option("--until", metavar="DATE", default="", help="Received before this day or time (UTC).")
@click.option(
    "--limit",
    type=click.IntRange(min=0),
    default=_PAGE,
    show_default=True,
    help="Only the newest; 0 for all.",
)
@json_option
@verbose_option
def list_records(
    target: str, kind: str | None, chart: str | None, since: str, until: str, limit: int, as_json: bool,
    **known: str | None,
) -> None:  # fmt: skip
    """List records, oldest first: number, time received, labels and what was found.

    Example: hueph archive list --experiment "feed line" --archive evidence
    """
    from hueph.archive.filters import Filter

    where = Filter(
        known["who"],
        known["experiment"],
        known["sample"],
        known["step"],
        kind,
        chart,
        since=since,
        until=until,
    )
    with open_kept(target) as opened:
        entries = opened.entries(where, limit=limit)
        total = opened.count(where) if limit and len(entries) == limit else len(entries)
        held = total or opened.length
    if as_json:
        click.echo(json.dumps([entry._asdict() for entry in entries]))
        return
    lines = []
    for entry in entries:
        labelled = " / ".join(
            text for text in (entry.experiment, entry.sample, entry.step, entry.who) if text
        )
        about = f"{labelled}  " if labelled else ""
        lines.append(f"{entry.number:>6}  {entry.received}  {entry.kind:<11}  {about}{entry.summary}")
    if lines:
        click.echo("\n".join(lines))
    if total > len(entries):
        click.echo(f"the newest {len(entries)} of {total}; --limit 0 lists all", err=True)
    elif not entries:
        click.echo(f"none of its {held} records is such" if held else "the archive is empty", err=True)


@archive.command(short_help="Show a record.")
@click.argument("number", type=click.IntRange(min=1))
@archive_option
@click.option("--files", metavar="DIR", help="Also write the original, the chart and the pictures into DIR.")
@json_option
@verbose_option
def show(number: int, target: str, files: str | None, as_json: bool) -> None:
    """Show a record, with the notes on it and the records that correct it.

    Example: hueph archive show 3 --archive evidence --files out
    """
    from hueph.archive.showing import record_text, write_files

    with open_kept(target) as opened:
        record = opened.record(number)
        later = opened.pointing_to(number)
        written = [] if files is None else write_files(opened, record, files)
        if as_json:
            pointing = [{"number": other, "relation": relation} for other, relation in later]
            click.echo(json.dumps(record.to_dict() | {"later": pointing}))
        else:
            click.echo(record_text(record, [(opened.record(other), relation) for other, relation in later]))
        for path in written:
            click.echo(f"wrote {path}", err=True)


@archive.command(short_help="Add a note to a record, or correct its labels.")
@click.argument("number", type=click.IntRange(min=1))
@click.argument("text")
@archive_option
@label_options
@json_option
@verbose_option
def note(
    number: int, text: str, target: str, who: str | None, as_json: bool, **corrected: str | None
) -> None:
    """Add a note to a record; with --experiment, --sample or --step it corrects those labels.

    The record itself stays as it is.

    Example: hueph archive note 3 "the second tube stood in the sun" --who Ada --archive evidence
    """
    from hueph.archive.annotating import add_correction, add_note
    from hueph.archive.records import Labels

    with open_kept(target) as opened:
        changes = {name: value for name, value in corrected.items() if value is not None}
        if changes:
            old = opened.record(number).labels
            kept = {"who": old.who, "experiment": old.experiment, "sample": old.sample, "step": old.step}
            record = add_correction(opened, number, text, Labels(**(kept | changes)), who=who or "")
        else:
            record = add_note(opened, number, text, who=who or "")
    click.echo(json.dumps(record.to_dict()) if as_json else _line(record))


@archive.command(short_help="Check everything.")
@archive_option
@click.option("--quick", is_flag=True, help="Check hashes and chain only; do not read the photographs again.")
@click.option(
    "--link",
    "anchor",
    metavar="LINK",
    default="",
    help="A link written down earlier must still be in the chain.",
)
@click.option(
    "--details", is_flag=True, help="List every value that another version of hueph reads otherwise."
)
@json_option
@verbose_option
def verify(target: str, quick: bool, anchor: str, details: bool, as_json: bool) -> int:
    """Check every file against its hash, every record against the chain, and read every photograph again.

    Exit status 1 when anything was changed, removed, added or moved.

    Example: hueph archive verify --archive evidence
    """
    from hueph.archive.verify import verify_archive

    with open_kept(target) as opened:
        progress = Progress(opened.length, "records")

        def tell(finding: Finding) -> None:
            if not as_json:
                progress.clear()
                click.echo(str(finding))
                if details:
                    click.echo("".join(f"      {text}\n" for text in finding.details), nl=False)

        def step() -> None:
            progress.show()
            progress.step()

        result = verify_archive(
            opened, recompute_readings=not quick, anchor=anchor, found=tell, step=None if quick else step
        )
        progress.clear()
    if as_json:
        click.echo(json.dumps(result.to_dict()))
    else:
        verdict = "sound" if result.is_sound else f"DAMAGED: {counted(result.damages, 'finding')}"
        again = "no photograph" if quick else counted(result.recomputed, "photograph")
        again += " read again"
        if result.compared:
            again += f", {counted(result.compared, 'comparison')} made again"
        click.echo(
            f"{verdict}; {counted(result.records, 'record')}, {counted(result.files, 'file')}, {again}, "
            f"{counted(result.notes, 'note')}\nlast link {result.head}"
        )
    return DONE if result.is_sound else FAILED


for command in (export, import_bag, report, demo):
    archive.add_command(command)
