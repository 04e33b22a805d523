"""`hueph read`: the pH of every tube in photographs."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any, TextIO

import click

from hueph._system import system_sentence
from hueph.cli import DONE, FAILED, FLAGGED, verbose_option
from hueph.cli._archive_options import keeper, label_options, where_to_keep_option
from hueph.cli._options import coverage_option, json_option, strict_option
from hueph.cli._outputs import check_outputs
from hueph.cli._progress import Progress
from hueph.errors import HuephError, InputError

if TYPE_CHECKING:
    from hueph.chart import Chart
    from hueph.expecting import ExpectedTube, ExpectRequest
    from hueph.results import PhotoReadings

__all__ = ["read"]


def _numbers(*names: str) -> Callable[[click.Context, click.Parameter, Any], Any]:
    """Make an option callback that turns text into a fixed count of numbers."""

    def convert(text: str) -> tuple[float, ...]:
        try:
            numbers = tuple(float(part) for part in text.split(","))
        except ValueError:
            numbers = ()
        # The comparison also turns away what is not a number ("nan").
        if len(numbers) != len(names) or not all(abs(number) < 1e7 for number in numbers):
            wanted = f"{len(names)} numbers in pixels of the upright picture, {','.join(names)}"
            raise click.BadParameter(f"must be {wanted}, got {text!r}")
        return numbers

    def callback(ctx: click.Context, param: click.Parameter, value: Any) -> Any:
        if isinstance(value, tuple):
            return tuple(convert(text) for text in value)
        return None if value is None else convert(value)

    return callback


def _expect_words(ctx: click.Context, param: click.Parameter, value: tuple[str, ...]) -> Any:
    """Read what to expect where; a text that cannot be meant is wrong usage (option callback)."""
    if not value:
        return ()
    from hueph.expecting import parse_expect

    try:
        return tuple(parse_expect(text) for text in value)
    except InputError as error:
        raise click.BadParameter(str(error)) from error


@click.command(short_help="Read the pH of every tube in photographs.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True)
@click.option("--chart", required=True, metavar="CHART", help="Chart file, or the name of a shipped chart.")
@json_option
@click.option("--csv", "csv_file", metavar="FILE", help="Also write a table, a row a tube.")
@click.option("--overlay", metavar="DIR", help="Also write annotated pictures into DIR.")
@coverage_option
@click.option("--jobs", type=click.IntRange(min=1), default=1, show_default=True, help="Worker processes.")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Read on the workers of this Dask scheduler (tcp://host:port) instead of worker processes.",
)
@strict_option
@click.option(
    "--tube",
    "tubes",
    multiple=True,
    metavar="X,Y,W,H",
    callback=_numbers("x", "y", "w", "h"),
    help="Outline a tube's liquid by hand: left, top, width, height (repeatable).",
)
@click.option(
    "--strip",
    metavar="X1,Y1,...,X4,Y4",
    callback=_numbers("x1", "y1", "x2", "y2", "x3", "y3", "x4", "y4"),
    help="Outline the strip by hand: corners around all patches, clockwise from the upright card's top left.",
)
@click.option(
    "--expect",
    "requests",
    multiple=True,
    metavar="RECIPE:STEP=TUBE",
    callback=_expect_words,
    help="Compare a tube with the pH that a step of a recipe gives (repeatable).",
)
@click.option("--budget", is_flag=True, help="Also say where each reading's uncertainty comes from (slower).")
@where_to_keep_option
@label_options
@verbose_option
def read(
    photos: tuple[str, ...],
    chart: str,
    as_json: bool,
    csv_file: str | None,
    overlay: str | None,
    coverage: float,
    jobs: int,
    scheduler: str | None,
    strict: bool,
    tubes: tuple[tuple[float, float, float, float], ...],
    strip: tuple[float, ...] | None,
    requests: tuple[ExpectRequest, ...],
    budget: bool,
    target: str | None,
    **labels: str | None,
) -> int:
    """Read the pH of every tube in photographs, with a range that says how sure it is.

    PHOTO is a file, a folder of pictures, or a pattern.

    Example: hueph read bench.jpg --chart mychart.toml --overlay hueph-out

    Example: hueph read bench.jpg --chart mychart.toml --expect recipe.toml:buffer=1 --expect recipe.toml:A=2
    """
    from hueph.batch import find_photos, read_photos

    if scheduler is not None and jobs > 1:
        raise click.UsageError("--jobs and --scheduler exclude each other: the cluster's workers read.")
    names = find_photos(photos)
    try:
        known = _load_chart(chart, names, requests, csv_file, overlay)
    except HuephError as error:
        return _nothing_read(names, error, as_json)
    with _open_table(csv_file) as table:
        try:
            results = read_photos(
                names,
                known,
                coverage=coverage,
                tubes=tubes or None,
                strip=strip,
                overlay_dir=overlay,
                keep=keeper(target, labels, asked=requests),
                expected=_expected(requests, names),
                budget=budget,
                jobs=jobs,
                scheduler=scheduler,
            )
        except HuephError as error:
            return _nothing_read(names, error, as_json)
        failed, flagged = _print_all(results, len(names), as_json, table)
    if failed:
        return FAILED
    return FLAGGED if strict and flagged else DONE


def _load_chart(
    name: str,
    photos: list[str],
    requests: tuple[ExpectRequest, ...],
    csv_file: str | None,
    overlay: str | None,
) -> Chart:
    """Load the chart, and see that nothing which is read would be written over."""
    from hueph.batch import overlay_names
    from hueph.chart import load_chart
    from hueph.shipped import find_chart

    file = find_chart(name)
    known = load_chart(file)
    pictures = [] if overlay is None else overlay_names(photos, overlay)
    written = [("--csv", csv_file), *(("--overlay", picture) for picture in pictures)]
    check_outputs(written, [*photos, str(file), *(request.recipe for request in requests)])
    return known


def _expected(requests: tuple[ExpectRequest, ...], names: list[str]) -> tuple[ExpectedTube, ...]:
    """Work out what is expected, before anything is read."""
    if not requests:
        return ()
    from hueph.expecting import expect_tubes

    return expect_tubes(requests, names)


@contextlib.contextmanager
def _open_table(path: str | None) -> Iterator[TextIO | None]:
    """Open the CSV file before anything is read, with its line of column names."""
    if path is None:
        yield None
        return
    try:
        stream = open(path, "w", encoding="utf-8", errors="surrogateescape", newline="")  # noqa: SIM115
    except OSError as error:
        raise _no_table(path, error) from error
    try:
        _write_rows(stream, [], header=True)
        yield stream
    finally:
        # Every row was flushed when it was written; what could fail here has been said already.
        with contextlib.suppress(OSError):
            stream.close()


def _write_rows(table: TextIO, rows: list[dict[str, Any]], *, header: bool = False) -> None:
    """Write rows so that they stay, whatever comes after them."""
    from hueph.report import write_rows

    try:
        write_rows(table, rows, header=header)
        table.flush()
    except OSError as error:
        raise _no_table(table.name, error) from error


def _no_table(path: str, error: OSError) -> InputError:
    """Return the error for a table that the system does not take."""
    return InputError(f"cannot write the table {path}: {system_sentence(error)}")


def _nothing_read(names: list[str], error: HuephError, as_json: bool) -> int:
    """Report an error that concerns every photograph; in JSON, still one object a photograph."""
    if not as_json:
        raise error
    found = {"type": type(error).__name__, "message": str(error)}
    photo = {"sha256": "", "width": 0, "height": 0}
    strip = {"found": False, "patches": [], "residual_delta_e": None}
    empty = {"chart": {"name": "", "sha256": ""}, "strip": strip, "tubes": [], "error": found}
    click.echo(json.dumps([{"photo": {"file": name} | photo} | empty for name in names]))
    click.echo(f"error: {error}", err=True)
    return FAILED


def _print_all(
    results: Iterable[PhotoReadings], total: int, as_json: bool, table: TextIO | None
) -> tuple[bool, bool]:
    """Print each result as it arrives; say whether any failed and whether any was flagged."""
    from hueph.report import NOTICE, readings_rows

    failed = flagged = begun = stated = False
    progress = Progress(total, "photographs")
    progress.show()
    try:
        for number, readings in enumerate(results):
            progress.clear()
            begun = True
            stated |= _print_one(readings, number, as_json)
            if table is not None:
                _write_rows(table, readings_rows(readings))
            failed |= readings.error is not None
            flagged |= _worth_a_look(readings)
            progress.step()
            progress.show()
    except HuephError as error:
        progress.clear()
        if not (as_json and begun):
            raise
        # What was printed is the beginning of an array: it is closed, and a second document is none.
        click.echo(f"error: {error}", err=True)
        failed = True
    progress.clear()
    if as_json or stated:
        click.echo("]" if as_json else f"\n{NOTICE}")
    return failed, flagged


def _worth_a_look(readings: PhotoReadings) -> bool:
    """Say whether anything was flagged, or is not as its recipe says."""
    return (
        bool(readings.flags or readings.expected_unmatched)
        or any(reading.flags for reading in readings.tubes)
        or any(one.expected is not None and one.expected.verdict != "agree" for one in readings.tubes)
    )


def _print_one(readings: PhotoReadings, number: int, as_json: bool) -> bool:
    """Print one photograph's results, and its error on standard error; say whether there were results."""
    from hueph.report import readings_json, readings_text

    has_results = readings.error is None or bool(readings.tubes)
    if as_json:
        # One array, written piece by piece, so that ten thousand photographs need no memory.
        click.echo(("[" if number == 0 else ",\n") + readings_json(readings), nl=False)
    elif has_results:
        click.echo(("\n" if number else "") + readings_text(readings))
    if readings.error is not None:
        click.echo(f"error: {readings.error[1]}", err=True)
    return has_results
