"""One record as text for a person, and its files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from hueph._types import PathLike
from hueph._whole_file import written_whole
from hueph.archive.compared import expected_of, pair_lines, unmatched_of
from hueph.archive.connect import sentences
from hueph.archive.records import WITHHELD, Record
from hueph.archive.store import Archive
from hueph.interval import Interval, format_ph
from hueph.report import expected_lines

__all__ = ["record_text", "write_files"]


def record_text(record: Record, later: Sequence[tuple[Record, str]]) -> str:
    """Return a record as lines.

    Parameters
    ----------
    record : Record
    later : sequence of (Record, str)
        Records that point to it, and how.

    Returns
    -------
    str
    """
    if record.kind == WITHHELD:
        return (
            f"record {record.number}: left out of the export this archive came from\nlink      {record.hash}"
        )
    labels = record.labels
    lines = [f"record {record.number}: {record.kind}", f"received  {record.received}"]
    lines += [f"taken     {record.taken} (camera)"] if record.taken else []
    lines += [
        f"{name:<9} {value}"
        for name, value in (
            ("who", labels.who),
            ("experiment", labels.experiment),
            ("sample", labels.sample),
            ("step", labels.step),
        )
        if value
    ]
    lines += [f"{link.relation:<9} record {link.number}" for link in record.links]
    lines += _said(record)
    for item in record.contents:
        private = f" (export leaves out: {', '.join(item.removed)})" if item.removed else ""
        lines.append(f"file      {item.role} {item.name} {item.size} bytes {item.sha256[:16]}{private}")
    program = record.program
    if program:
        lines.append(
            f"program   hueph {program.get('version')}, weights {program.get('weights_sha256', '')[:16]}"
        )
    lines.append(f"link      {record.hash}")
    for other, relation in later:
        words = {"notes": "note", "corrects": "corrected by", "uses": "used by"}.get(relation, relation)
        lines.append(f"{words:<9} record {other.number}: {other.payload.get('text') or other.summary}")
    return "\n".join(lines)


def _said(record: Record) -> list[str]:
    """Return what a record says."""
    payload = record.payload
    if record.kind == "comparison":
        lines = [f"title     {payload['title']}"] if payload.get("title") else []
        return lines + [line for pair in payload["pairs"] for line in pair_lines(pair)]
    if record.kind == "expectation":
        lines = [f"title     {payload['title']}"] if payload.get("title") else []
        return lines + [_step_line(step) for step in payload["steps"]]
    if record.kind == "calibration":
        return [f"says      {record.summary}", *_found(payload)]
    if record.kind != "reading":
        return [f"says      {payload.get('text') or record.summary}"]
    chart = payload["chart"]
    lines = [f"photo     {payload['photo']['file']}", f"chart     {chart['name']} {chart['sha256'][:16]}"]
    names = record.labels.tube_names(len(payload["tubes"]))
    for tube, name in zip(payload["tubes"], names, strict=True):
        lines.append(_tube_line(tube, name))
        expected = expected_of(tube)
        if expected is not None:
            lines += [f"      {line}" for line in expected_lines(expected)]
    for number, expected in unmatched_of(payload):
        lines += [f"tube {number}", *(f"      {line}" for line in expected_lines(expected))]
    return lines


def _found(payload: dict[str, Any]) -> list[str]:
    """Return what a calibration found, by the names that its JSON has; tables are left to --json."""
    lines = []
    for name, value in payload.items():
        if name in ("name", "patches") or value in ("", None):
            continue  # they stand in the summary
        if isinstance(value, str | int | float):
            lines.append(f"          {name.replace('_', ' ')}: {value}")
        elif name == "check":
            lines.append(f"          {value['verdict']}: {value['reason']}")
        elif name in ("warnings", "summary"):
            lines += [f"          {'! ' if name == 'warnings' else ''}{text}" for text in value]
    return lines


def _tube_line(tube: dict[str, Any], name: str) -> str:
    """Return one tube as a line: number, name, pH, range, flags."""
    if tube["range"] is None:
        words = "no reading"
    else:
        interval = Interval(tube["range"][0], tube["range"][1], tube["coverage"])
        words = f"pH {interval}" if tube["ph"] is None else f"pH {format_ph(tube['ph'])} ({interval})"
    flags = f"  [{', '.join(tube['flags'])}]" if tube["flags"] else ""
    return f"tube {tube['tube']:<4} {name + ' ' if name else ''}{words}{flags}"


def _step_line(step: dict[str, Any]) -> str:
    """Return one step of a recipe as a line: name, pH, range, what was done."""
    low, high = step.get("range") or (None, None)
    spread = "" if low is None or high is None else f" ({low:.2f} to {high:.2f})"
    return f"step      {step['step']}: pH {step['ph']:.2f}{spread}  {step.get('text', '')}".rstrip()


def write_files(archive: Archive, record: Record, folder: PathLike) -> list[Path]:
    """Write the files of a record under their names into a folder, made when missing.

    Parameters
    ----------
    archive : Archive
    record : Record
    folder : path
        Files of the same name are replaced.

    Returns
    -------
    list of Path
    """
    target, written = Path(folder), []
    with sentences(f"writing the files of record {record.number} into {target}"):
        target.mkdir(parents=True, exist_ok=True)
        for item in record.contents:
            # A name from an import is not to be trusted with a place.
            name = Path(item.name)
            path = target / f"record-{record.number}-{name.name}"
            if path in written:  # two files of one name, from two folders
                path = target / f"record-{record.number}-{name.stem}-{item.sha256[:8]}{name.suffix}"
            with written_whole(path) as part:
                part.write_bytes(archive.data(item.sha256))
            written.append(path)
    return written
