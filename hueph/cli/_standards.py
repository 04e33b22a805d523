"""The part of `hueph calibrate` that works with standards."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from hueph.cli._outputs import check_outputs
from hueph.errors import InputError

if TYPE_CHECKING:
    from hueph.standards import LabelledPhoto
    from hueph.standards_report import StandardsReport

__all__ = ["calibrate_standards", "standards_options"]


def _labelled(ctx: click.Context, param: click.Parameter, value: tuple[str, ...]) -> Any:
    """Read PHOTO=PH,PH,...; a text that cannot be meant is wrong usage (option callback)."""
    if not value:
        return ()
    from hueph.standards import parse_standard

    try:
        return tuple(parse_standard(text) for text in value)
    except InputError as error:
        raise click.BadParameter(str(error)) from error


def standards_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options about standards to a command."""
    options = (
        click.option(
            "--standard",
            "labelled",
            metavar="PHOTO=PH,PH,...",
            multiple=True,
            callback=_labelled,
            help="Refine --chart with tubes of known pH: left to right, - for a tube that is no standard "
            "(repeatable).",
        ),
        click.option(
            "--standards",
            "table",
            metavar="CSV",
            help="The same from a table with the columns photo, tube, ph, uncertainty.",
        ),
        click.option("--chart", "printed", metavar="CHART", help="Chart that the standards stand beside."),
        click.option(
            "--trust-labels", is_flag=True, help="Keep standards that their colour seems to contradict."
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


def calibrate_standards(
    labelled: tuple[LabelledPhoto, ...],
    table: str | None,
    printed: str,
    output: str,
    *,
    trust_labels: bool,
    force: bool,
    as_json: bool,
) -> tuple[StandardsReport, tuple[str, ...], str]:
    """Refine a chart and write it; return the report, the photographs, and what to say of it."""
    from hueph.chart import load_chart, write_chart
    from hueph.charting.files import check_free
    from hueph.shipped import find_chart
    from hueph.standards import calibrate_with_standards, load_standards_table

    check_free(output, force=force)
    photos = labelled + (() if table is None else load_standards_table(table))
    names = tuple(one.photo for one in photos)
    check_outputs([("-o", output)], [*names, *(() if table is None else (table,))])
    report = calibrate_with_standards(load_chart(find_chart(printed)), photos, trust_labels=trust_labels)
    chart = write_chart(report.chart, output, force=force)
    if as_json:
        text = json.dumps({"file": output, **report.to_dict(), "sha256": chart.sha256}, indent=2)
    else:
        text = f"wrote {output}\n{report}"
    return report, names, text
