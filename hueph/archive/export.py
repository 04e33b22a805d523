"""Write an archive, or some of its experiments, as a bag that a colleague can check and import."""

from __future__ import annotations

import datetime
import json
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hueph import __version__
from hueph._checks import check_listed
from hueph._types import PathLike
from hueph._words import counted
from hueph.archive.bag import BagWriter
from hueph.archive.crate import CRATE_NAME, Crate
from hueph.archive.privacy import path_free, private_free
from hueph.archive.records import WITHHELD, Content, Record
from hueph.archive.selecting import Selection, select_records
from hueph.archive.store import Archive
from hueph.archive.table import table_header, table_rows
from hueph.errors import ArchiveError, InputError

__all__ = ["RECORDS_NAME", "TABLE_NAME", "Export", "export_archive"]

RECORDS_NAME, TABLE_NAME = "records.jsonl", "readings.csv"
_FOLDERS = {"original": "originals", "chart": "charts", "recipe": "recipes"}


@dataclass(frozen=True, slots=True)
class Export:
    """What was written.

    Attributes
    ----------
    folder : Path
    records, files, size : int
        `size` in bytes.
    left_out : tuple of str
        What could not go out, a sentence each.
    """

    folder: Path
    records: int
    files: int
    size: int
    left_out: tuple[str, ...]

    def __str__(self) -> str:
        counts = f"{counted(self.records, 'record')}, {counted(self.files, 'file')}"
        return f"{self.folder}: {counts}, {self.size / 1e6:.1f} MB"

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form."""
        return {
            "folder": str(self.folder),
            "records": self.records,
            "files": self.files,
            "size": self.size,
            "left_out": list(self.left_out),
        }


def export_archive(
    archive: Archive,
    folder: PathLike,
    *,
    experiments: Sequence[str] = (),
    with_private_data: bool = False,
    paper: str = "a4",
) -> Export:
    """Write a bag (RFC 8493) with RO-Crate metadata: records, files, a table, reports.

    Parameters
    ----------
    archive : Archive
    folder : path
        Must not exist; it appears only when the bag is complete.
    experiments : sequence of str
        Only these, with the notes on them. Of the other records the bag holds the hashes, so that the
        chain can be checked, but nothing else. Default: everything.
    with_private_data : bool
        False: originals go without position, serial numbers, names and other private fields; their
        pixels, profile, time and orientation stay, so that readings can still be recomputed.
    paper : str
        "a4" or "letter", of the PDF.

    Returns
    -------
    Export

    Raises
    ------
    ArchiveError
        The folder exists or cannot be written, or a file of the archive is damaged.
    InputError
        No such experiment, or a folder inside the archive.
    """
    target = Path(folder)
    if archive.place.folder is not None and target.resolve().is_relative_to(archive.place.folder.resolve()):
        raise InputError(
            f"cannot write the bag {target}: it must lie outside of the archive; name another folder"
        )
    # What others add from here on does not go out.
    number, link = archive.head()
    check_listed(experiments, "experiments")
    selection = select_records(archive, experiments)
    left_out: list[str] = []
    with BagWriter(target) as bag:
        date = datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%d")
        crate = Crate(
            name=f"Evidence: {', '.join(experiments) or 'pH readings from photographs'}",
            description=f"{number} hash-chained records of pH readings from photographs; last link {link}.",
            date=date,
        )
        count = _write_records(archive, bag, selection, number)
        for record in archive.records(last=number):
            if selection.holds(record.number) and record.kind != WITHHELD:
                paths = _write_files(archive, bag, crate, record, with_private_data, left_out)
                crate.add_record(record, selection.labels_of(record), paths)
        bag.add(TABLE_NAME, _table(archive, selection, number))
        _write_reports(archive, bag, crate, experiments or archive.values("experiment"), paper)
        for name, kind in ((RECORDS_NAME, "application/jsonl"), (TABLE_NAME, "text/csv")):
            crate.add_file(name, kind, bag.sizes[name], bag.hash_of(name))
        bag.add(CRATE_NAME, crate.blocks())
        bag.finish(
            {
                "Bagging-Date": date,
                "Bag-Software-Agent": f"hueph {__version__}",
                "External-Description": crate.description,
                "Chain-Length": str(number),
                "Chain-Last-Link": link,
            }
        )
        return Export(target, count, bag.files, bag.size, tuple(left_out))


def _write_records(archive: Archive, bag: BagWriter, selection: Selection, last: int) -> int:
    """Write every record's line of the chain; bodies only of those selected."""
    count = 0

    def lines() -> Iterator[bytes]:
        nonlocal count
        for record in archive.records(last=last):
            is_meant = selection.holds(record.number) and record.kind != WITHHELD
            count += is_meant
            line = {
                "number": record.number,
                "previous": record.previous,
                "body_sha256": record.body_sha256,
                "hash": record.hash,
                "body": record.body if is_meant else None,
            }
            yield json.dumps(line).encode() + b"\n"

    bag.add(RECORDS_NAME, lines())
    return count


def _table(archive: Archive, selection: Selection, last: int) -> Iterator[bytes]:
    """Yield the table of everything selected."""
    yield table_header()
    for record in archive.records(last=last):
        if selection.holds(record.number) and record.kind != WITHHELD:
            yield from table_rows(record, selection.labels_of(record))


def _write_files(
    archive: Archive,
    bag: BagWriter,
    crate: Crate,
    record: Record,
    with_private_data: bool,
    left_out: list[str],
) -> dict[str, str]:
    """Write the files of a record, each once, and return where each content went."""
    paths: dict[str, str] = {}
    for item in record.contents:
        wanted = item.sha256
        if not with_private_data and item.private_free:
            wanted = item.private_free
        if wanted == "none":
            left_out.append(
                f"{item.name} of record {record.number}, as it is not certain that it holds nothing private; "
                "ask for it with --with-private-data"
            )
            continue
        suffix = re.sub(r"[^a-z0-9.]", "", os.path.splitext(item.name)[1].lower())
        path = f"{_FOLDERS.get(item.role, 'pictures')}/{wanted}{suffix}"
        paths[item.sha256] = path
        if bag.has(path):
            continue
        if not archive.contents.has(item.sha256) and not archive.contents.has(wanted):
            left_out.append(f"{item.name} of record {record.number}, which the archive does not have")
            del paths[item.sha256]
            continue
        found = bag.add(path, _bytes_of(archive, item, wanted))
        if found != wanted:
            raise ArchiveError(
                f"cannot export {item.name} of record {record.number}: its stored bytes were changed; "
                "run hueph archive verify"
            )
        crate.add_file(path, item.media_type, bag.sizes[path], found, name=item.name, role=item.role)
    return paths


def _bytes_of(archive: Archive, item: Content, wanted: str) -> Iterator[bytes]:
    """Yield the bytes that go out for a content."""
    if wanted == item.sha256 or archive.contents.has(wanted):
        yield from archive.contents.blocks(wanted)
        return
    data = archive.data(item.sha256)
    clean = path_free(data) if item.role == "recipe" else private_free(data)
    yield b"" if clean is None else clean.data


def _write_reports(
    archive: Archive, bag: BagWriter, crate: Crate, experiments: Sequence[str], paper: str
) -> None:
    """Write a page and a PDF for each experiment."""
    from hueph.archive.reporting import report_html, report_pdf

    if paper not in ("a4", "letter"):
        raise InputError(f"the paper must be a4 or letter, got {paper!r}")
    for number, experiment in enumerate(experiments, start=1):
        stem = re.sub(r"[^a-z0-9]+", "-", experiment.lower()).strip("-")[:40]
        name = f"reports/{number:03d}-{stem}".rstrip("-")
        for suffix, kind, data in (
            (".html", "text/html", report_html(archive, experiment).encode()),
            (".pdf", "application/pdf", report_pdf(archive, experiment, paper=paper)),
        ):
            digest = bag.add(name + suffix, [data])
            crate.add_file(name + suffix, kind, len(data), digest, name=f"report: {experiment}")
