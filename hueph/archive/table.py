"""The table of an export: a row for each tube of a reading and each pair of a comparison, one for other records."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any

from hueph.archive.records import Labels, Record

__all__ = ["TABLE_COLUMNS", "table_header", "table_rows"]

TABLE_COLUMNS = (
    "record", "kind", "received", "taken", "who", "experiment", "sample", "step", "file", "original_sha256",
    "chart", "chart_sha256", "tube", "tube_name", "ph", "ph_std", "low", "high", "coverage", "bound", "flags",
    "l", "a", "b", "delta_e", "text", "version", "link", "expected_ph", "expected_low", "expected_high",
    "verdict", "difference", "difference_low", "difference_high",
)  # fmt: skip
# Programs that show tables take text that begins like this for a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def table_header() -> bytes:
    """Return the line of column names."""
    return _line(list(TABLE_COLUMNS))


def table_rows(record: Record, labels: Labels) -> Iterator[bytes]:
    """Yield the rows of a record, its labels as last corrected."""
    shared: dict[str, Any] = {
        "record": record.number,
        "kind": record.kind,
        "received": record.received,
        "taken": record.taken,
        "who": labels.who,
        "experiment": labels.experiment,
        "sample": labels.sample,
        "step": labels.step,
        "version": record.program.get("version", ""),
        "link": record.hash,
        "text": record.payload.get("text", "" if record.kind == "reading" else record.summary),
    }
    originals = record.of_role("original")
    if originals:
        shared |= {"file": originals[0].name, "original_sha256": originals[0].sha256}
    chart = record.payload.get("chart")
    if isinstance(chart, dict):
        shared |= {"chart": chart.get("name", ""), "chart_sha256": chart.get("sha256", "")}
    tubes = record.payload.get("tubes") or [] if record.kind == "reading" else []
    for tube, name in zip(tubes, labels.tube_names(len(tubes)), strict=True):
        yield _row(shared | {"tube_name": name} | _tube_cells(tube))
    pairs = record.payload.get("pairs") or [] if record.kind == "comparison" else []
    for pair in pairs:
        yield _row(shared | _pair_cells(pair))
    if not (tubes or pairs):
        yield _row(shared)


def _tube_cells(tube: dict[str, Any]) -> dict[str, Any]:
    """Return the cells of one tube."""
    low, high = tube.get("range") or (None, None)
    expected = tube.get("expected") or {}
    lab = tube.get("lab") or (None, None, None)
    return {
        "tube": tube.get("tube"),
        "ph": tube.get("ph"),
        "ph_std": tube.get("ph_std"),
        "low": low,
        "high": high,
        "coverage": tube.get("coverage"),
        "bound": tube.get("bound"),
        "flags": " ".join(tube.get("flags") or ()),
        "l": lab[0],
        "a": lab[1],
        "b": lab[2],
        "delta_e": tube.get("delta_e"),
        "expected_ph": expected.get("ph"),
        "verdict": expected.get("verdict"),
        "difference": expected.get("difference"),
        **_limits("expected", expected.get("range")),
        **_limits("difference", expected.get("difference_range")),
    }


def _pair_cells(pair: dict[str, Any]) -> dict[str, Any]:
    """Return the cells of one compared pair; the difference is after less before."""
    title = ", after ".join(text for text in (pair.get("label"), pair.get("added")) if text)
    return {
        "verdict": pair.get("colour_verdict") or pair.get("verdict"),
        "difference": pair.get("delta_ph"),
        "coverage": pair.get("coverage"),
        "delta_e": pair.get("delta_e"),
        "flags": " ".join(pair.get("flags") or ()),
        "text": f"{title}: {pair.get('reason', '')}",
        **_limits("difference", pair.get("range")),
    }


def _limits(name: str, limits: list[Any] | None) -> dict[str, Any]:
    low, high = limits or (None, None)
    return {f"{name}_low": low, f"{name}_high": high}


def _row(cells: dict[str, Any]) -> bytes:
    return _line([cells.get(name) for name in TABLE_COLUMNS])


def _line(values: list[Any]) -> bytes:
    """Return one line; text is kept from being taken for a formula."""
    stream = io.StringIO()
    safe = [
        ""
        if value is None
        else f"'{value}"
        if isinstance(value, str) and value.startswith(_FORMULA)
        else value
        for value in values
    ]
    csv.writer(stream, lineterminator="\n").writerow(safe)
    return stream.getvalue().encode("utf-8", "replace")
