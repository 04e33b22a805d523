"""Readings as text for people, as JSON and as rows of a table."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, TextIO

from hueph._words import counted
from hueph.flags import BUDGET_SOURCES, FLAGS, flag_sentence

if TYPE_CHECKING:
    from hueph.results import ExpectedComparison, PhotoReadings, Reading

__all__ = [
    "CSV_COLUMNS",
    "NOTICE",
    "flags_table",
    "readings_json",
    "readings_rows",
    "readings_text",
    "write_rows",
]

NOTICE = "Readings are no basis for medical, drinking-water or safety decisions."

CSV_COLUMNS = (
    "file",
    "sha256",
    "chart",
    "chart_sha256",
    "strip_found",
    "tube",
    "ph",
    "low",
    "high",
    "coverage",
    "bound",
    "flags",
    "l",
    "a",
    "b",
    "delta_e",
    "error",
    "expected_step",
    "expected_source",
    "expected_ph",
    "expected_low",
    "expected_high",
    "verdict",
    "difference",
    "difference_low",
    "difference_high",
    "causes",
    *(f"std_{source.replace('-', '_')}" for source in BUDGET_SOURCES),
)


def readings_text(readings: PhotoReadings) -> str:
    """Return the readings of one photograph as lines for a person.

    Parameters
    ----------
    readings : PhotoReadings

    Returns
    -------
    str
        A heading, a line a tube (below it its budget and what was expected, if asked for, and why it may
        differ), then each flag once with its meaning and remedy; no line end.
    """
    lines = [_heading(readings)]
    for reading in readings.tubes:
        lines.append("  " + reading_line(reading))
        lines += budget_lines(reading)
        if reading.expected is not None:
            lines += expected_lines(reading.expected)
    for number, expected in readings.expected_unmatched:
        lines += [f"  tube {number}", *expected_lines(expected)]
    if not readings.tubes and readings.error is None:
        lines.append("  no tube found")
    for name in _flags_in_order(readings):
        lines.append(f"  {name}: {_sentence(name)}")
    return "\n".join(lines)


def reading_line(reading: Reading) -> str:
    """Return one tube as a line: number, pH, range, flags."""
    text = str(reading)
    if reading.interval is None and reading.flags:
        return text  # its flags are the reason and stand in it already
    return text + (f"  [{', '.join(reading.flags)}]" if reading.flags else "")


def budget_lines(reading: Reading) -> list[str]:
    """Return the lines below a tube that say where its uncertainty comes from; empty without a budget.

    Contributions are standard uncertainties in pH units; they add up as squares. The largest comes with
    what would lessen it.
    """
    if not reading.budget:
        return []
    parts = [
        f"{source} {reading.budget[source]:.2f}" for source in BUDGET_SOURCES if source in reading.budget
    ]
    largest = max(reading.budget, key=lambda source: reading.budget[source])
    meaning, remedy = BUDGET_SOURCES[largest]
    return [
        f"    uncertainty (pH, k = 1) from {', '.join(parts)}",
        f"      most from {largest}, {meaning}; to lessen it: {remedy}",
    ]


def expected_lines(expected: ExpectedComparison) -> list[str]:
    """Return the lines below a tube: what was expected, the verdict, and a line a cause."""
    return [f"    {expected}", *(f"      perhaps {cause}" for cause in expected.causes)]


def _heading(readings: PhotoReadings) -> str:
    """Say which photograph, which chart, and how well the strip was found."""
    parts = [f"chart {readings.chart_name}"] if readings.chart_name else []
    if parts and (count := readings.options.get("standards")):
        parts[0] += f" with {counted(count, 'standard')}"
    if readings.patches:
        strip = f"strip found, {len(readings.patches)} patches"
        if readings.residual_delta_e is not None:
            strip += f", residual {readings.residual_delta_e:.1f} CIEDE2000"
        parts.append(strip)
    elif readings.error is None:
        parts.append(readings.strip_message or "no strip found, so no pH can be stated")
    return ": ".join([readings.file, "; ".join(parts)]) if parts else readings.file


def _flags_in_order(readings: PhotoReadings) -> list[str]:
    """Return every flag of a photograph and its tubes once, in the order of `FLAGS`."""
    present = set(readings.flags)
    for reading in readings.tubes:
        present.update(reading.flags)
    return [name for name in FLAGS if name in present] + sorted(present - set(FLAGS))


def _sentence(name: str) -> str:
    """Return a flag's sentence, also for a record made by a version that knew other flags."""
    return flag_sentence(name) if name in FLAGS else "not a flag of this version of hueph"


def readings_json(readings: PhotoReadings) -> str:
    """Return one photograph as the JSON object that the contract documents.

    Parameters
    ----------
    readings : PhotoReadings

    Returns
    -------
    str
        ASCII only, so that no terminal, pipe or odd file name can break it.
    """
    return json.dumps(readings.to_dict(), allow_nan=False)


def readings_rows(readings: PhotoReadings) -> list[dict[str, Any]]:
    """Return one row a tube, or one row with the error when there is none.

    Parameters
    ----------
    readings : PhotoReadings

    Returns
    -------
    list of dict
        Keys as in `CSV_COLUMNS`; what is not known is "".
    """
    shared = {
        "file": readings.file,
        "sha256": readings.sha256,
        "chart": readings.chart_name,
        "chart_sha256": readings.chart_sha256,
        "strip_found": "yes" if readings.patches else "no",
        "error": "" if readings.error is None else readings.error[1],
    }
    if not readings.tubes:
        return [dict.fromkeys(CSV_COLUMNS, "") | shared | {"flags": " ".join(readings.flags)}]
    blank = dict.fromkeys(CSV_COLUMNS, "") | shared
    rows = [blank | _tube_cells(reading) for reading in readings.tubes]
    return rows + [
        blank | {"tube": number} | _expected_cells(expected)
        for number, expected in readings.expected_unmatched
    ]


def _tube_cells(reading: Reading) -> dict[str, Any]:
    """Return the cells of one tube."""
    tube = reading.to_dict()
    low, high = tube["range"] or (None, None)
    cells = {
        "tube": tube["tube"],
        "ph": tube["ph"],
        "low": low,
        "high": high,
        "coverage": tube["coverage"],
        "bound": tube["bound"],
        "flags": " ".join(tube["flags"]),
        "l": tube["lab"][0],
        "a": tube["lab"][1],
        "b": tube["lab"][2],
        "delta_e": tube["delta_e"],
    }
    cells |= {f"std_{source.replace('-', '_')}": value for source, value in tube.get("budget", {}).items()}
    if reading.expected is not None:
        cells |= _expected_cells(reading.expected)
    return {key: "" if value is None else value for key, value in cells.items()}


def _expected_cells(expected: ExpectedComparison) -> dict[str, Any]:
    """Return the cells of one comparison with what was expected."""
    known = expected.to_dict()
    low, high = known["range"]
    least, most = known["difference_range"] or (None, None)
    cells = {
        "expected_step": known["step"],
        "expected_source": known["source"],
        "expected_ph": known["ph"],
        "expected_low": low,
        "expected_high": high,
        "verdict": known["verdict"],
        "difference": known["difference"],
        "difference_low": least,
        "difference_high": most,
        "causes": "; ".join(known["causes"]),
    }
    return {key: "" if value is None else value for key, value in cells.items()}


def write_rows(stream: TextIO, rows: Iterable[dict[str, Any]], *, header: bool) -> None:
    """Write rows of `readings_rows` as CSV.

    Parameters
    ----------
    stream : text stream
        Opened with ``newline=""``.
    rows : iterable of dict
    header : bool
        Write the line of column names first.
    """
    writer = csv.DictWriter(stream, CSV_COLUMNS, lineterminator="\n")
    if header:
        writer.writeheader()
    writer.writerows(rows)


def flags_table() -> str:
    """Return the flags as the Markdown table that stands in the README.

    Returns
    -------
    str
    """
    lines = ["| flag | meaning | what to do |", "|---|---|---|"]
    for name, (meaning, remedy) in FLAGS.items():
        lines.append(f"| `{name}` | {meaning} | {remedy} |")
    return "\n".join(lines)
