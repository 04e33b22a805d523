"""Check the stored files of an archive: each against its hash, and against the records that name it."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import ColumnElement, func, or_, select

from hueph.archive.findings import Finding, Verification, damage, note
from hueph.archive.originals import stream_sha256
from hueph.archive.schema import record_content
from hueph.archive.store import Archive
from hueph.errors import ArchiveError

__all__ = ["check_files"]

# Numbers of records named in one sentence.
_MOST_NAMED = 5


def check_files(archive: Archive, state: Verification) -> Iterator[Finding]:
    """Hash every stored file, and look for those that are missing, or that no record names."""
    for name in archive.contents.names():
        holders = _holders(
            archive, or_(record_content.c.sha256 == name, record_content.c.private_free == name)
        )
        found, size = stream_sha256(archive.contents.blocks(name))
        state.files += 1
        if found != name:
            yield damage(
                f"file {name[:12]}",
                f"was changed: its {size} bytes hash to {found[:12]}; it is {holders or 'no record has it'}",
            )
        elif not holders:
            yield note(
                f"file {name[:12]}", "is named by no record (left by an interrupted addition); harmless"
            )
    yield from _missing_files(archive)


def _missing_files(archive: Archive) -> Iterator[Finding]:
    """Report files that records name and that are not stored."""
    last = ""
    while True:
        query = (
            select(record_content.c.sha256, func.max(record_content.c.private_free))
            .where(record_content.c.sha256 > last)
            .group_by(record_content.c.sha256)
            .order_by(record_content.c.sha256)
            .limit(500)
        )
        with archive.reading("looking for missing files") as connection:
            page = connection.execute(query).all()
        for sha256, private_free in page:
            if archive.contents.has(sha256):
                continue
            holders = _holders(archive, record_content.c.sha256 == sha256)
            where = f"file {sha256[:12]}"
            if private_free and private_free != "none" and archive.contents.has(private_free):
                yield note(where, f"{holders}: a copy without private fields stands in for it")
            elif private_free == "none":
                yield note(
                    where, f"{holders}: left out of an export, as it could not be freed of private fields"
                )
            else:
                yield damage(where, f"is missing; it is {holders}")
        if len(page) < 500:
            return
        last = page[-1][0]


def _holders(archive: Archive, condition: ColumnElement[bool]) -> str:
    """Say which records name a file, and as what: "the original of record 3 (bench.jpg)"."""
    query = select(record_content.c.number, record_content.c.role).where(condition)
    with archive.reading("looking up a file") as connection:
        rows = connection.execute(query.order_by(record_content.c.number).limit(_MOST_NAMED)).all()
        count = connection.execute(
            select(func.count()).select_from(record_content).where(condition)
        ).scalar_one()
    if not rows:
        return ""
    numbers = ", ".join(str(row[0]) for row in rows) + (
        f" and {count - len(rows)} more" if count > len(rows) else ""
    )
    what = {"original": "the original", "chart": "the chart", "recipe": "the recipe"}.get(
        rows[0][1], f"a picture ({rows[0][1]})"
    )
    name = ""
    if rows[0][1] in ("original", "chart", "recipe"):
        name = _file_name(archive, int(rows[0][0]), rows[0][1])
    return f"{what}{name} of record{'s' if count > 1 else ''} {numbers}"


def _file_name(archive: Archive, number: int, role: str) -> str:
    """Return the name of a record's photograph or chart for a sentence."""
    try:
        known = archive.record(number)
    except ArchiveError:
        return ""
    if role == "chart":
        named = known.payload.get("chart")
        return f" {named.get('name')}" if isinstance(named, dict) else ""
    items = known.of_role(role)
    return f" {items[0].name}" if items else ""
