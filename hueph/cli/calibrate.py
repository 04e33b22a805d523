"""`hueph calibrate`: a chart file from pictures of a printed chart or with standards, or how far one has drifted."""

from __future__ import annotations

import datetime
import json
from typing import TYPE_CHECKING, Any

import click

from hueph.cli import verbose_option
from hueph.cli._archive_options import (
    label_options,
    prepare_archive,
    record_calibration,
    where_to_keep_option,
)
from hueph.cli._options import json_option, refuse_options
from hueph.cli._outputs import check_outputs
from hueph.cli._standards import calibrate_standards, standards_options

if TYPE_CHECKING:
    from hueph.charting import Calibration, DriftReport
    from hueph.standards import LabelledPhoto

__all__ = ["calibrate"]

# Parameters about a chart that is made from pictures of it.
_ABOUT_A_NEW_CHART = ("name", "indicator", "batch", "date", "note", "card", "preview")
# Those that help to find its patches.
_ABOUT_PATCHES = ("reverse", "corners", "allow_alike")


def _ph_values(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[float, ...] | None:
    """Turn LIST into numbers (option callback)."""
    if value is None:
        return None
    from hueph.charting import parse_ph_list

    try:
        return parse_ph_list(value)
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


def _corner_points(ctx: click.Context, param: click.Parameter, value: str | None) -> list[list[float]] | None:
    """Turn eight numbers into four points (option callback)."""
    if value is None:
        return None
    try:
        numbers = [float(part) for part in value.replace(" ", "").split(",")]
    except ValueError:
        numbers = []
    if len(numbers) != 8 or not all(abs(number) < 1e7 for number in numbers):
        raise click.BadParameter(
            "must be 8 numbers x1,y1,x2,y2,x3,y3,x4,y4: the corners of the rectangle around all patches in pixels "
            f"of the upright picture, from its top-left clockwise, got {value!r}"
        )
    return [numbers[k : k + 2] for k in range(0, 8, 2)]


@click.command(short_help="Make a chart file from a scan or photograph of a printed chart.")
@click.argument("images", metavar="[IMAGE...]", nargs=-1)
@click.option(
    "--ph",
    metavar="LIST",
    callback=_ph_values,
    help="pH of the patches in reading order, rising: 4,4.5,5 or 4:10:0.5 (first, last, step).",
)
@click.option("-o", "--output", metavar="CHART", help="Chart file to write (TOML).")
@click.option("--name", default="", help="Name of the chart. Default: the picture's name.")
@click.option("--indicator", default="", help="Indicator the chart is for.")
@click.option("--batch", default="", help="Batch of the print or the indicator.")
@click.option("--date", default=None, metavar="DATE", help="Date of the calibration. Default: today.")
@click.option("--note", default="", help="Anything worth keeping.")
@click.option(
    "--card", metavar="CARD", help="IMAGE shows a print of hueph's own card with this chart file (no --ph)."
)
@click.option("--reverse", is_flag=True, help="The chart is printed from high pH to low.")
@click.option(
    "--corners",
    metavar="X1,Y1,...,X4,Y4",
    callback=_corner_points,
    help="Corners of the rectangle around all patches, pixels, from the top-left clockwise (one image only).",
)
@click.option("--preview", metavar="FILE", help="Also write a picture that shows the patches found.")
@click.option("--allow-alike", is_flag=True, help="Accept neighbouring patches of one colour.")
@click.option("--force", is_flag=True, help="Replace CHART when it exists.")
@click.option(
    "--check",
    "old",
    metavar="OLD",
    help="Instead of writing, say how far the print of chart OLD has drifted.",
)
@standards_options
@where_to_keep_option
@label_options
@json_option
@verbose_option
@click.pass_context
def calibrate(
    ctx: click.Context,
    /,
    images: tuple[str, ...],
    ph: tuple[float, ...] | None,
    output: str | None,
    date: str | None,
    card: str | None,
    old: str | None,
    preview: str | None,
    force: bool,
    as_json: bool,
    target: str | None,
    who: str | None,
    experiment: str | None,
    sample: str | None,
    step: str | None,
    labelled: tuple[LabelledPhoto, ...],
    table: str | None,
    printed: str | None,
    trust_labels: bool,
    **details: Any,
) -> None:
    """Make a chart file from pictures of a printed chart: artwork, a flat scan, or photographs.

    Patches are found by themselves in rows, columns and grids, touching or apart. Several pictures of
    the same chart are merged and their scatter becomes the uncertainty. Look at --preview once.

    \b
    hueph calibrate scan.png --ph 4:10:0.5 -o chart.toml --preview check.png
    hueph calibrate a.jpg b.jpg c.jpg --ph 6,6.4,6.8,7.2,7.6,8 -o chart.toml
    hueph calibrate --check chart.toml photo.jpg
    hueph calibrate --standard buffers.jpg=4.01,6.86,9.18 --chart chart.toml -o refined.toml
    """
    _check_usage(ctx)
    said = {"who": who, "experiment": experiment, "sample": sample, "step": step}
    if printed is not None and output is not None:
        prepare_archive(target, said)
        report, photos, text = calibrate_standards(
            labelled, table, printed, output, trust_labels=trust_labels, force=force, as_json=as_json
        )
        record_calibration(target, output, photos, report.to_dict(), said)
    elif old is not None:
        from hueph.shipped import find_chart

        file = str(find_chart(old))
        prepare_archive(target, said)
        drift, text = _check(images, file, as_json, details)
        record_calibration(target, file, images, drift, said, is_check=True)
    else:
        assert output is not None  # asked for by `_check_usage`
        _check_free(images, output, preview, force)
        prepare_archive(target, said)
        details["date"] = date or datetime.date.today().isoformat()
        made = _of_card(images, card, details) if card is not None else _of_chart(images, ph or (), details)
        text = _write(made, output, preview, force, as_json)
        record_calibration(target, output, images, made.to_dict(), said)
    click.echo(text)


def _check_usage(ctx: click.Context) -> None:
    """Turn away what is missing, and options that would change nothing, before any work is done."""
    given = ctx.params
    if given["labelled"] or given["table"] is not None:
        if given["images"] or given["ph"] is not None or given["old"] is not None:
            raise click.UsageError(
                "standards refine a chart that is there: leave out IMAGE, --ph and --check, "
                "and name the photographs as --standard PHOTO=4.01,6.86,9.18"
            )
        why = "cannot be used with standards: the chart given with --chart keeps what it says of itself"
        refuse_options(ctx, (*_ABOUT_A_NEW_CHART, *_ABOUT_PATCHES), why)
        if given["printed"] is None or given["output"] is None:
            raise click.UsageError("calibrating with standards needs --chart CHART and -o REFINED")
        return
    if given["printed"] is not None or given["trust_labels"]:
        raise click.UsageError("--chart and --trust-labels go with --standard or --standards")
    if not given["images"]:
        raise click.UsageError("Missing argument 'IMAGE...'.")
    if given["corners"] is not None and len(given["images"]) > 1:
        raise click.UsageError("--corners fits one image; give the images one by one or leave it out")
    if given["old"] is not None:
        why = "cannot be used with --check, which compares with the chart file OLD and writes none"
        refuse_options(ctx, ("ph", "output", "force", "allow_alike", *_ABOUT_A_NEW_CHART), why)
    elif given["output"] is None or (given["ph"] is None) == (given["card"] is None):
        raise click.UsageError(
            "a new chart needs -o CHART and --ph LIST or --card CARD (or give --check OLD)"
        )
    elif given["card"] is not None:
        why = "cannot be used with --card: the markers of a card say where its patches are, and their order"
        refuse_options(ctx, _ABOUT_PATCHES, why)


def _check_free(images: tuple[str, ...], output: str, preview: str | None, force: bool) -> None:
    """See that both files can be written and replace no image."""
    from hueph.charting.files import check_free

    check_outputs([("-o", output), ("--preview", preview)], images)
    check_free(output, force=force)
    if preview:
        check_free(preview, force=force)


def _of_chart(images: tuple[str, ...], ph: tuple[float, ...], details: dict[str, Any]) -> Calibration:
    """Calibrate a chart whose patches have to be found."""
    from hueph.charting import calibrate_pictures

    return calibrate_pictures(images, ph, **details)


def _of_card(images: tuple[str, ...], card: str, details: dict[str, Any]) -> Calibration:
    """Calibrate a print of hueph's own card, whose markers say where everything is."""
    from hueph.chart import load_chart
    from hueph.charting import calibrate_card
    from hueph.shipped import find_chart

    known = {key: value for key, value in details.items() if key not in _ABOUT_PATCHES}
    return calibrate_card(load_chart(find_chart(card)), images, **known)


def _write(made: Calibration, output: str, preview: str | None, force: bool, as_json: bool) -> str:
    """Write the chart, and the picture of its patches; return what to say of it."""
    from hueph.chart import write_chart

    if preview:
        from hueph.charting import save_preview

        save_preview(made, preview, force=force)
    chart = write_chart(made.chart, output, force=force)
    if as_json:
        return json.dumps({"file": output, **made.to_dict(), "sha256": chart.sha256}, indent=2)
    for warning in made.warnings:
        click.echo(f"note: {warning}", err=True)
    return f"wrote {output}\n{made}"


def _check(
    images: tuple[str, ...], chart: str, as_json: bool, details: dict[str, Any]
) -> tuple[dict[str, Any], str]:
    """Compare pictures with a chart file; return the drift, and what to say of it."""
    from hueph.chart import load_chart
    from hueph.charting import check_drift

    report: DriftReport = check_drift(
        load_chart(chart), images, reverse=details["reverse"], corners=details["corners"]
    )
    found = report.to_dict()
    return found, json.dumps(found, indent=2) if as_json else str(report)
