"""`hueph compare`: what changed between tubes, and whether the buffer held."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any

import click

from hueph._system import system_sentence
from hueph.cli import DONE, FLAGGED, verbose_option
from hueph.cli._archive_options import label_options, prepare_archive, where_to_keep_option
from hueph.cli._archive_options import labels as archive_labels
from hueph.cli._options import coverage_option, json_option, refuse_options, strict_option, was_given
from hueph.cli._outputs import check_outputs, output_file
from hueph.errors import InputError

if TYPE_CHECKING:
    from hueph.comparing.photos import Comparison
    from hueph.comparing.running import ExperimentResult

__all__ = ["compare"]


def _read_pairs(ctx: click.Context, param: click.Parameter, value: tuple[str, ...]) -> Any:
    """Read pairs; a text that is none is wrong usage (option callback)."""
    if not value:
        return ()
    from hueph.comparing.pairing import parse_pairs

    try:
        return tuple(parse_pairs(value))
    except InputError as error:
        raise click.BadParameter(str(error)) from error


def _read_labels(ctx: click.Context, param: click.Parameter, value: tuple[str, ...]) -> Any:
    """Read lists of labels (option callback)."""
    if not value:
        return ()
    from hueph.comparing.pairing import parse_labels

    try:
        return tuple(parse_labels(text) for text in value)
    except InputError as error:
        raise click.BadParameter(str(error)) from error


def _read_number(ctx: click.Context, param: click.Parameter, value: float | None) -> float | None:
    """Turn away what is no number: it passes every comparison with a limit (option callback)."""
    if value is not None and math.isnan(value):
        raise click.BadParameter("nan is not a change of pH.")
    return value


@click.command(short_help="State the change in pH between tubes, and whether the buffer held.")
@click.argument("photos", metavar="BEFORE [AFTER...]", nargs=-1, required=True)
@click.option(
    "--chart", metavar="CHART", help="Chart file, or the name of a shipped chart; without it, colours only."
)
@click.option(
    "--pair",
    "pairs",
    multiple=True,
    metavar="N:M",
    callback=_read_pairs,
    help="Tube N before belongs to tube M after (repeatable). Default: by position.",
)
@click.option(
    "--labels",
    multiple=True,
    metavar="A,B,...",
    callback=_read_labels,
    help="Labels of the tubes, left to right; equal labels are paired. Once for all photographs, or once each.",
)
@click.option(
    "--hold",
    type=click.FloatRange(0.01, 7.0),
    callback=_read_number,
    default=0.5,
    show_default=True,
    help="Largest change of pH that still counts as held.",
)
@click.option(
    "--expected",
    type=click.FloatRange(-14.0, 14.0),
    callback=_read_number,
    help="Change of pH that the recipe expects, such as -0.2.",
)
@click.option("--csv", "csv_file", metavar="FILE", help="Also write a table, a row a pair.")
@click.option(
    "--figure", metavar="FILE", help="Also draw before and after with the card between (.png, .jpg)."
)
@click.option("--details", is_flag=True, help="For an experiment file: every pair at length.")
@where_to_keep_option
@label_options
@json_option
@coverage_option
@strict_option
@verbose_option
@click.pass_context
def compare(
    ctx: click.Context,
    /,
    photos: tuple[str, ...],
    chart: str | None,
    pairs: tuple[tuple[int, int], ...],
    labels: tuple[tuple[str, ...], ...],
    hold: float,
    expected: float | None,
    csv_file: str | None,
    figure: str | None,
    details: bool,
    as_json: bool,
    coverage: float,
    strict: bool,
    target: str | None,
    **about: str | None,
) -> int:
    """State the change in pH from tube to tube, and whether the buffer held.

    BEFORE and AFTER are photographs of the same chart; more of them are a series, each compared with the
    first. One photograph needs --pair. A single file ending in .toml is an experiment: which tube is which
    preparation, and what was added.

    Example: hueph compare before.jpg after.jpg --chart mychart.toml --figure change.png
    """
    from hueph.comparison_report import comparison_json, comparison_text, experiment_text

    result: Comparison | ExperimentResult
    options: dict[str, Any]
    plans = [name for name in photos if name.casefold().endswith(".toml")]
    if plans and len(photos) > 1:
        raise click.UsageError(
            f"{plans[0]} is an experiment file, which names its photographs: give it alone"
        )
    written: list[tuple[str, str | None]] = [("--csv", csv_file), ("--figure", figure)]
    if plans:
        refuse_options(
            ctx,
            ("chart", "pairs", "labels", "hold", "expected"),
            "cannot be used with an experiment file, which states it itself",
        )
        prepare_archive(target, about)
        wanted = coverage if was_given(ctx, "coverage") else None
        result = _experiment(photos[0], wanted, written)
        options = {"experiment": True, "coverage": wanted}
        text = experiment_text(result, details=details)
    else:
        refuse_options(
            ctx, ("details",), "is for an experiment file: every pair of photographs is shown at length"
        )
        if pairs and labels:
            raise click.UsageError(
                "--pair and --labels both say which tubes belong together: give one of them"
            )
        prepare_archive(target, about)
        result = _photos(photos, chart, pairs, labels, coverage, hold, expected, written)
        text = comparison_text(result)
        options = {"experiment": False, "pairs": pairs, "labels": labels, "coverage": coverage}
        options |= {"hold": hold, "expected": expected}
    _write(result, csv_file, figure)
    if target is not None:
        _record(target, result, photos, chart, figure, about, options)
    if as_json:
        click.echo(comparison_json(result))
    else:
        from hueph.report import NOTICE

        click.echo(f"{text}\n\n{NOTICE}")
    flagged = any(pair.flags or pair.notes for pair in result.pairs)
    return FLAGGED if strict and flagged else DONE


def _experiment(path: str, coverage: float | None, written: list[tuple[str, str | None]]) -> ExperimentResult:
    """Carry out an experiment file, when nothing that it reads would be written over."""
    from hueph.comparing.experiment import load_experiment
    from hueph.comparing.running import run_experiment

    plan = load_experiment(path)
    recipe = [] if plan.recipe is None else [str(plan.recipe)]
    read = [name for entry in plan.photos.values() for name in (str(entry.file), entry.chart)]
    check_outputs(written, [path, *recipe, *read])
    return run_experiment(plan, coverage=coverage)


def _photos(
    photos: tuple[str, ...],
    chart: str | None,
    pairs: tuple[tuple[int, int], ...],
    labels: tuple[tuple[str, ...], ...],
    coverage: float,
    hold: float,
    expected: float | None,
    written: list[tuple[str, str | None]],
) -> Comparison:
    """Compare photographs, when none would be written over."""
    from hueph.comparing.photos import compare_photos

    known, file = None, None
    if chart is not None:
        from hueph.chart import load_chart
        from hueph.shipped import find_chart

        file = find_chart(chart)
        known = load_chart(file)
    check_outputs(written, [*photos, *([] if file is None else [str(file)])])
    return compare_photos(
        photos, known, pairs=pairs, labels=labels, coverage=coverage, hold_ph=hold, expected_delta=expected
    )


def _write(result: Comparison | ExperimentResult, csv_file: str | None, figure: str | None) -> None:
    """Write table and figure before anything is printed, so that a failure leaves no half answer."""
    if csv_file is not None:
        from hueph.comparison_report import write_comparison

        try:
            with (
                output_file(csv_file) as path,
                open(path, "w", encoding="utf-8", errors="surrogateescape", newline="") as stream,
            ):
                write_comparison(stream, result)
        except OSError as error:
            raise InputError(f"cannot write the table {csv_file}: {system_sentence(error)}") from error
    if figure is not None:
        from hueph.comparison_figure import write_comparison_figure

        write_comparison_figure(result, figure)


def _record(
    target: str,
    result: Comparison | ExperimentResult,
    named: tuple[str, ...],
    chart: str | None,
    figure: str | None,
    about: dict[str, str | None],
    options: dict[str, Any],
) -> None:
    """Record photographs and comparison, and how they were compared."""
    from hueph._optional import require

    require("sqlalchemy", purpose="keeping an archive", extra="archive")
    from hueph.archive.comparing import record_comparison
    from hueph.archive.store import open_archive
    from hueph.chart import load_chart
    from hueph.comparing.photos import Comparison
    from hueph.shipped import find_chart

    if isinstance(result, Comparison):
        photos, recipes = list(result.photos), []
        charts = [] if chart is None else [chart]
        given = options["labels"] or ((),)
        names = dict(zip((one.sha256 for one in photos), itertools.cycle(given)))
    else:
        plan = result.experiment
        photos = list(result.photos.values())
        recipes = [named[0], *([] if plan.recipe is None else [str(plan.recipe)])]
        charts = [entry.chart for entry in plan.photos.values()]
        names = {one.sha256: plan.photos[key].labels for key, one in result.photos.items()}
    known = [load_chart(find_chart(name)) for name in dict.fromkeys(charts)]
    picture = _figure(result, figure)
    with open_archive(target, create=True) as archive:
        record = record_comparison(
            archive,
            photos,
            {one.sha256: one for one in known},
            result.to_dict(),
            labels=archive_labels(**about),
            names=names,
            recipes=recipes,
            figure=picture,
            options=options,
        )
    click.echo(f"record {record.number}  {record.summary}", err=True)


def _figure(result: Comparison | ExperimentResult, figure: str | None) -> bytes:
    """Return the figure that was written, or one drawn for the record."""
    if figure is not None:
        with open(figure, "rb") as stream:
            return stream.read()
    import tempfile

    from hueph.comparison_figure import write_comparison_figure

    with tempfile.TemporaryDirectory() as folder:
        path = f"{folder}/comparison.jpg"
        write_comparison_figure(result, path)
        with open(path, "rb") as stream:
            return stream.read()
