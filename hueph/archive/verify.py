"""Check an archive: every file against its hash, every record against the chain, every reading again.

Nothing is held in memory that grows with the archive: records and files are walked a page at a time, and
what belongs together is compared in the database.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from typing import Any

from sqlalchemy import exists as sql_exists
from sqlalchemy import func, inspect, literal_column, select, text

from hueph.archive.chain import link_hash, text_sha256
from hueph.archive.findings import Finding, Verification, damage, note
from hueph.archive.recompare import recompare
from hueph.archive.recompute import explained, recompute
from hueph.archive.records import Record, columns_of, parse_record
from hueph.archive.schema import chain, content, record, record_body, record_content, record_link
from hueph.archive.store import Archive
from hueph.archive.verify_files import check_files
from hueph.errors import ArchiveError, HuephError

__all__ = ["verify_archive"]

_ROW = (record.c.number, record.c.hash, record.c.previous, record.c.body_sha256, record_body.c.body)
_COLUMNS = (
    "kind",
    "received",
    "taken",
    "who",
    "experiment",
    "sample",
    "step",
    "original",
    "chart",
    "summary",
)
# Records whose files and links are read at once.
_RANGE = 500


def verify_archive(
    archive: Archive,
    *,
    recompute_readings: bool = True,
    anchor: str = "",
    found: Callable[[Finding], None] | None = None,
    step: Callable[[], None] | None = None,
    most: int = 1000,
) -> Verification:
    """Check an archive from end to end.

    Parameters
    ----------
    archive : Archive
    recompute_readings : bool
        Read every photograph again from its stored original and compare.
    anchor : str
        A link written down earlier (or its first letters, at least 12): it must still be in the chain.
    found : callable, optional
        Called with each finding as it is made.
    step : callable, optional
        Called before each record, to show progress.
    most : int
        How many findings to keep.

    Returns
    -------
    Verification

    Raises
    ------
    ArchiveError
        The archive cannot be read at all, or the anchor is not written like a link.
    """
    if anchor and (len(anchor) < 12 or set(anchor.lower()) - set("0123456789abcdef")):
        raise ArchiveError(
            f"the link to look for must be at least 12 hexadecimal digits, got {anchor!r}; "
            "it stands in reports and exports, and at the end of hueph archive verify"
        )
    state = Verification()
    for finding in _all(
        archive, state, recompute_readings=recompute_readings, anchor=anchor.lower(), step=step
    ):
        if finding.is_damage:
            state.damages += 1
        else:
            state.notes += 1
        if len(state.findings) < most:
            state.findings.append(finding)
        if found is not None:
            found(finding)
    return state


def _all(
    archive: Archive,
    state: Verification,
    *,
    recompute_readings: bool,
    anchor: str,
    step: Callable[[], None] | None,
) -> Iterator[Finding]:
    """Make every check, in the order in which the findings are easiest to understand."""
    yield from _guards(archive)
    length, head, imported, last = _stated_head(archive)
    anchored = not anchor
    repeated = _Repeated(archive)
    for number, row in _numbered(archive, last):
        if step is not None:
            step()
        if row is None:
            yield damage(f"record {number}", "is missing: it was deleted, or its number changed")
            # Its successor is judged by what it states itself, so that one gap is one finding.
            state.head = ""
            continue
        state.records += 1
        known = yield from _check_row(row, state, imported)
        anchored = anchored or state.head.startswith(anchor)
        if known is not None:
            yield from repeated.check(known)
            if recompute_readings and (
                known.kind == "reading" or (known.kind == "comparison" and known.payload.get("options"))
            ):
                yield from _make_again(archive, known, state)
    yield from _check_head(state, length, head)
    if not anchored:
        yield damage("chain", f"the link {anchor} is not in it: a record up to it was changed or removed")
    yield from check_files(archive, state)
    yield from _check_links(archive)


def _guards(archive: Archive) -> Iterator[Finding]:
    """Report when the guards against changes were taken away."""
    if archive.place.folder is None:
        query = (
            "SELECT count(DISTINCT tgname) FROM pg_trigger "
            "WHERE tgname LIKE '%_is_append_only' AND tgenabled <> 'D'"
        )
        wanted = 5
    else:
        query = "SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND name LIKE '%_is_append_only_%'"
        wanted = 10
    with archive.reading("looking at the guards") as connection:
        there = int(connection.execute(text(query)).scalar_one())
        lost = not inspect(connection).has_table("chain")
    if there < wanted:
        yield note("guards", f"{wanted - there} of {wanted} database guards against changes were removed")
    if lost:
        yield damage("chain", "its table was removed")


def _stated_head(archive: Archive) -> tuple[int, str, int, int]:
    """Return length, last link and length at the last import, as the chain states them, and the last number.

    All as they were at one instant: records that others add from here on are not looked at.
    """
    newest = select(func.coalesce(func.max(record.c.number), 0)).scalar_subquery()
    with archive.reading("reading the chain") as connection:
        last = int(connection.execute(select(newest)).scalar_one())
        row = connection.execute(select(chain.c.length, chain.c.head, chain.c.imported, newest)).first()
    return (-1, "", 0, last) if row is None else (int(row[0]), str(row[1]), int(row[2]), int(row[3]))


def _numbered(archive: Archive, last: int) -> Iterator[tuple[int, Any]]:
    """Yield every number from 1 to the last with its row, or None for one that is not there."""
    columns = (*_ROW, *(record.c[name] for name in _COLUMNS))
    expected = 1
    for row in archive.rows(columns, last=last):
        while expected < row[0]:
            yield expected, None
            expected += 1
        yield row[0], row
        expected = row[0] + 1


def _check_row(row: Any, state: Verification, imported: int) -> Generator[Finding, None, Record | None]:
    """Check a row against the chain; return its record when it can be read."""
    number, link, previous, body_sha256, body = row[:5]
    where = f"record {number}"
    before = state.head
    state.head = str(link)
    if before and previous != before:
        yield damage(where, f"does not follow record {number - 1}: one was changed, moved or removed")
    if link_hash(number, previous, body_sha256) != link:
        yield damage(
            where, "its link does not fit its place, predecessor or contents: it was changed or moved"
        )
    if body is None:
        state.withheld += 1
        if number <= imported:
            yield note(where, "was left out of the export this archive came from; its place is kept")
        else:
            yield damage(where, "its contents were removed")
        return None
    if text_sha256(body) != body_sha256:
        yield damage(where, "its contents were changed: their hash is not the one recorded")
        return None
    try:
        known = parse_record(number, link, previous, body_sha256, body)
    except ArchiveError as error:
        yield damage(where, str(error))
        return None
    if f'"number":{number},' not in body:
        yield damage(where, "its contents belong to another number: it was moved")
    listed = dict(zip(_COLUMNS, row[5:], strict=True))
    wrong = [name for name, value in columns_of(known).items() if listed[name] != value]
    if wrong:
        yield damage(where, f"the listing shows another {', '.join(wrong)} than the record itself")
    return known


class _Repeated:
    """The rows that repeat records' files and links for searching, read for a range of records at once."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._until = 0
        self._files: dict[int, list[tuple[str, str, str]]] = {}
        self._links: dict[int, list[tuple[int, str, str | None]]] = {}

    def check(self, known: Record) -> Iterator[Finding]:
        """Compare with a record; records come in rising order."""
        if known.number > self._until:
            self._load(known.number, known.number + _RANGE - 1)
        where = f"record {known.number}"
        files = [(item.role, item.sha256, item.private_free) for item in known.contents]
        if self._files.get(known.number, []) != files:
            yield damage(where, "the list of its files was changed")
        pointed = self._links.get(known.number, [])
        if [row[:2] for row in pointed] != [(link.number, link.relation) for link in known.links]:
            yield damage(where, "the list of records it points to was changed")
            return
        for link, row in zip(known.links, pointed, strict=True):
            if row[2] != link.hash:
                yield damage(where, f"record {link.number}, which it points to, is no longer the same")

    def _load(self, first: int, last: int) -> None:
        """Read the rows of a range of records."""
        files, links = record_content, record_link
        held = select(files.c.number, files.c.role, files.c.sha256, files.c.private_free)
        pointed = select(links.c.number, links.c.target, links.c.relation, record.c.hash)
        joined = pointed.select_from(links.outerjoin(record, record.c.number == links.c.target))
        self._files, self._links, self._until = {}, {}, last
        with self._archive.reading("checking records") as connection:
            held = held.where(files.c.number.between(first, last)).order_by(files.c.number, files.c.position)
            for number, *file in connection.execute(held):
                self._files.setdefault(number, []).append((file[0], file[1], file[2]))
            joined = joined.where(links.c.number.between(first, last))
            for number, *link in connection.execute(joined.order_by(links.c.number, links.c.position)):
                self._links.setdefault(number, []).append((link[0], link[1], link[2]))


def _make_again(archive: Archive, known: Record, state: Verification) -> Iterator[Finding]:
    """Recompute a reading or a comparison; with another program, a difference is no damage."""
    where = f"record {known.number}"
    try:
        different = (recompute if known.kind == "reading" else recompare)(archive, known)
    except HuephError as error:
        yield note(where, f"could not be recomputed: {error}")
        return
    except (KeyError, IndexError, TypeError, ValueError) as error:
        yield damage(where, f"what it found is not complete ({type(error).__name__}: {error})")
        return
    state.recomputed += known.kind == "reading"
    state.compared += known.kind == "comparison"
    other = explained(known)
    if not other:
        for sentence in different:
            yield damage(where, f"recomputed from the stored original: {sentence}")
    elif different:
        # The pH first: it is what a colleague asks about.
        first = next((text for text in different if ", ph: " in text or ", range: " in text), different[0])
        more = f", and {len(different) - 1} more (--details lists them)" if len(different) > 1 else ""
        said = f"recomputed with another version ({other}), differs by {first}{more}"
        yield Finding(False, where, said, tuple(different))


def _check_head(state: Verification, length: int, head: str) -> Iterator[Finding]:
    """Compare the end of the chain with what the archive states beside it."""
    if length < 0:
        yield damage("chain", "the archive's statement of its length was removed")
    elif state.records != length:
        yield damage("chain", f"the archive states {length} records, there are {state.records}")
    elif state.head != head:
        yield damage("chain", "the archive states another last link than its last record has")


def _check_links(archive: Archive) -> Iterator[Finding]:
    """Report rows about files or links of records that are not there."""
    for table, what in ((record_body, "text"), (record_content, "file"), (record_link, "link")):
        orphan = ~sql_exists(literal_column("1")).where(record.c.number == table.c.number)
        query = select(table.c.number).where(orphan).distinct().order_by(table.c.number).limit(100)
        with archive.reading("checking links") as connection:
            numbers = connection.execute(query).scalars().all()
        for number in numbers:
            yield damage(f"record {number}", f"a {what} of it is listed, but the record is missing")
    orphan = ~sql_exists(literal_column("1")).where(record_content.c.sha256 == content.c.sha256)
    with archive.reading("checking files") as connection:
        names = connection.execute(select(content.c.sha256).where(orphan).limit(100)).scalars().all()
    for name in names:
        yield damage(f"file {name[:12]}", "is listed, but no record names it")
