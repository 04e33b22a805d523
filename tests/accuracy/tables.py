"""Markdown tables, and putting them between markers of a document."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path


def markdown(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table with columns of even width."""
    cells = [list(head), *[list(row) for row in rows]]
    widths = [max(len(row[col]) for row in cells) for col in range(len(head))]
    lines = [
        "| " + " | ".join(cell.ljust(wide) for cell, wide in zip(row, widths, strict=True)) + " |"
        for row in cells
    ]
    lines.insert(1, "|" + "|".join("-" * (wide + 2) for wide in widths) + "|")
    return "\n".join(lines)


def number(value: float, digits: int = 2) -> str:
    """Return a figure, or a dash where there is none."""
    return "-" if math.isnan(value) else f"{value:.{digits}f}"


def put_between(document: Path, marker: str, text: str) -> None:
    """Replace what stands between ``<!-- marker: begin -->`` and ``<!-- marker: end -->``.

    Raises
    ------
    ValueError
        The document lacks the markers.
    """
    begin, end = f"<!-- {marker}: begin -->", f"<!-- {marker}: end -->"
    old = document.read_text(encoding="utf-8")
    head, found, rest = old.partition(begin)
    _, closed, tail = rest.partition(end)
    if not found or not closed:
        raise ValueError(f"{document} has no lines {begin} and {end}")
    document.write_text(f"{head}{begin}\n{text.strip()}\n{end}{tail}", encoding="utf-8")
