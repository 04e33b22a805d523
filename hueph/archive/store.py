"""The archive: add records, find them, get them and their files back."""

from __future__ import annotations

import contextlib
import datetime
import gc
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, select, update

from hueph._types import PathLike
from hueph.archive.chain import link_hash, text_sha256
from hueph.archive.connect import DATABASE_NAME, Place, connect, sentences
from hueph.archive.filters import Filter
from hueph.archive.originals import Contents, insert_parts, open_contents
from hueph.archive.records import Content, Draft, Entry, Link, Record, parse_record
from hueph.archive.rows import CHAIN_REMOVED, insert_record, locked_head
from hueph.archive.schema import chain, record, record_body, record_link
from hueph.errors import ArchiveError

__all__ = ["Archive", "open_archive"]

_PAGE = 500
_WHOLE = record.outerjoin(record_body, record_body.c.number == record.c.number)
_BODY_COLUMNS = (
    record.c.number,
    record.c.hash,
    record.c.previous,
    record.c.body_sha256,
    record_body.c.body,
)


def open_archive(target: PathLike, *, create: bool = False, read_only: bool | None = None) -> Archive:
    """Open an archive.

    Parameters
    ----------
    target : path or str
        A folder, or a URL ``postgresql://user@host/database``.
    create : bool
        Make it when it is not there.
    read_only : bool, optional
        Default: when the folder may not be written.

    Returns
    -------
    Archive
        To be closed, or used in a ``with`` statement.

    Raises
    ------
    ArchiveError
        There is none, or it cannot be opened.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, open_archive(folder, create=True) as archive:
    ...     archive.length
    0
    """
    if read_only is None:
        read_only = not create and not _may_write(os.fspath(target))
    place = connect(target, create=create, read_only=read_only)
    return Archive(place, open_contents(place, read_only=read_only))


def _may_write(target: str) -> bool:
    """Say whether a folder and the database in it may be written."""
    if "://" in target:
        return True
    database = Path(target) / DATABASE_NAME
    effective = os.access in os.supports_effective_ids
    return not database.exists() or all(
        os.access(path, os.W_OK, effective_ids=effective) for path in (target, database)
    )


def _now() -> str:
    """Return the time as a record states it."""
    return datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class Archive:
    """Append-only records and the files they name; made by `open_archive`.

    Any number of programs may read and add at the same time. Every addition is one transaction: it is
    there whole or not at all, whenever the program is killed.

    Attributes
    ----------
    name : str
        Folder or URL, without a password.
    contents : Contents
        The files, by hash.
    """

    def __init__(self, place: Place, contents: Contents, *, clock: Callable[[], str] = _now) -> None:
        self.place = place
        self.name = place.name
        self.contents = contents
        self._clock = clock

    def __enter__(self) -> Archive:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self.place.engine.dispose()

    @property
    def length(self) -> int:
        """Number of records."""
        return self.head()[0]

    def head(self) -> tuple[int, str]:
        """Return number and link of the last record; the link is what to write down elsewhere."""
        with self.reading("reading the chain") as connection:
            row = connection.execute(select(chain.c.length, chain.c.head)).one_or_none()
        if row is None:
            raise ArchiveError(CHAIN_REMOVED)
        return int(row[0]), str(row[1])

    @contextlib.contextmanager
    def reading(self, doing: str) -> Iterator[Connection]:
        """Open a transaction that reads; errors become sentences."""
        with sentences(f"{doing} of the archive {self.name}"), self.place.engine.connect() as connection:
            yield connection

    @contextlib.contextmanager
    def writing(self, doing: str) -> Iterator[Connection]:
        """Open the one transaction that may write now; errors become sentences and undo it."""
        with (
            sentences(f"{doing} in the archive {self.name}"),
            self.place.writing_engine.begin() as connection,
        ):
            yield connection

    def store(self, data: bytes, **about: Any) -> Content:
        """Store the bytes of a file for a record to come.

        Parameters
        ----------
        data : bytes
        about : Any
            The other fields of `Content`: role, name, media_type ...

        Returns
        -------
        Content

        Raises
        ------
        ArchiveError
            Disk full, not permitted, or the stored file of this hash is damaged.
        """
        with sentences(f"keeping the file {about.get('name', '')} in the archive {self.name}"):
            sha256 = self.contents.put(data)
        return Content(sha256=sha256, size=len(data), **about)

    def add(self, draft: Draft) -> Record:
        """Add one record.

        Parameters
        ----------
        draft : Draft
            Its contents are stored already (`store`).

        Returns
        -------
        Record
            When the same was added before (the same photograph, labels, chart, options, program and
            results), the record there is.

        Raises
        ------
        ArchiveError
            Not possible; nothing was added.
        """
        return self.add_all([draft])[0]

    def add_all(self, drafts: Iterable[Draft]) -> list[Record]:
        """Add several records in one transaction: all of them or none.

        Parameters
        ----------
        drafts : iterable of Draft

        Returns
        -------
        list of Record

        Raises
        ------
        ArchiveError
            Not possible; none was added.
        """
        with self.writing("adding a record") as connection:
            length, link = locked_head(connection)
            added: list[Record] = []
            for draft in drafts:
                fingerprint = draft.fingerprint()
                known = None if draft.is_repeatable else self._known(connection, fingerprint)
                if known is not None:
                    added.append(known)
                    continue
                links = self._resolved(connection, draft.links, length)
                body = draft.body(length + 1, self._clock(), links)
                body_sha256 = text_sha256(body)
                next_link = link_hash(length + 1, link, body_sha256)
                new = parse_record(length + 1, next_link, link, body_sha256, body)
                for data in draft.embedded:
                    insert_parts(connection, data)
                insert_record(connection, new, fingerprint)
                length, link = length + 1, next_link
                added.append(new)
            connection.execute(update(chain).values(length=length, head=link))
        return added

    def _known(self, connection: Connection, fingerprint: str) -> Record | None:
        """Return the record that says the same already."""
        query = select(*_BODY_COLUMNS).select_from(_WHOLE).where(record.c.fingerprint == fingerprint).limit(1)
        row = connection.execute(query).one_or_none()
        return None if row is None else parse_record(*row)

    def _resolved(self, connection: Connection, links: Sequence[Link], length: int) -> tuple[Link, ...]:
        """Fill in the hashes of the records that are pointed to."""
        found = []
        for link in links:
            query = select(record.c.hash).where(record.c.number == link.number)
            known = connection.execute(query).scalar_one_or_none()
            if known is None:
                raise ArchiveError(_no_such_record(link.number, length))
            found.append(Link(link.number, link.relation, known))
        return tuple(found)

    def record(self, number: int) -> Record:
        """Return one record.

        Raises
        ------
        ArchiveError
            There is none of this number, or it cannot be read.
        """
        with self.reading("reading a record") as connection:
            row = connection.execute(
                select(*_BODY_COLUMNS).select_from(_WHOLE).where(record.c.number == number)
            ).one_or_none()
        if row is None:
            raise ArchiveError(f"{_no_such_record(number, self.length)}")
        return parse_record(*row)

    def records(self, where: Filter | None = None, *, last: int | None = None) -> Iterator[Record]:
        """Yield whole records in order, a page at a time, so that memory stays flat.

        Parameters
        ----------
        where : Filter, optional
            Default: all.
        last : int, optional
            None after this number: others may add meanwhile.
        """
        for row in self.rows(_BODY_COLUMNS, where, last=last):
            yield parse_record(*row)

    def rows(
        self, columns: Sequence[ColumnElement[Any]], where: Filter | None = None, *, last: int | None = None
    ) -> Iterator[Any]:
        """Yield columns of the record table in order, a page at a time; the first must be the number."""
        conditions = [] if where is None else where.conditions()
        conditions += [] if last is None else [record.c.number <= last]
        seen = 0
        while True:
            query = select(*columns).select_from(_WHOLE).where(record.c.number > seen, *conditions)
            with self.reading("reading the records") as connection:
                page = connection.execute(query.order_by(record.c.number).limit(_PAGE)).all()
            yield from page
            if len(page) < _PAGE:
                return
            seen = page[-1][0]

    def entries(self, where: Filter | None = None, *, limit: int = 0) -> list[Entry]:
        """Return the lines of a listing, oldest first.

        Parameters
        ----------
        where : Filter, optional
            Default: all.
        limit : int
            Only so many of the newest; 0 for all.

        Returns
        -------
        list of Entry
        """
        columns = [record.c[name] for name in Entry._fields]
        query = select(*columns).where(*([] if where is None else where.conditions()))
        newest_first = query.order_by(record.c.number.desc()).limit(limit)
        with self.reading("listing the records") as connection, _uncollected():
            rows = connection.execute(newest_first if limit else query.order_by(record.c.number))
            entries = [Entry._make(row) for row in rows]
        return entries[::-1] if limit else entries

    def count(self, where: Filter | None = None) -> int:
        """Return how many records there are."""
        query = select(func.count()).select_from(record)
        with self.reading("counting the records") as connection:
            found = connection.execute(query.where(*([] if where is None else where.conditions())))
            return int(found.scalar_one())

    def pointing_to(self, number: int) -> list[tuple[int, str]]:
        """Return number and relation of the records that point to a record, in order."""
        query = select(record_link.c.number, record_link.c.relation).where(record_link.c.target == number)
        with self.reading("following links") as connection:
            rows = connection.execute(query.order_by(record_link.c.number)).all()
        return [(int(row[0]), str(row[1])) for row in rows]

    def values(self, column: str) -> list[str]:
        """Return the different values of a label that are not empty, sorted."""
        query = select(record.c[column]).where(record.c[column] != "").distinct().order_by(record.c[column])
        with self.reading("listing labels") as connection:
            return [str(value) for value in connection.execute(query).scalars()]

    def data(self, sha256: str) -> bytes:
        """Return the bytes of a stored file.

        Raises
        ------
        ArchiveError
            It is not there.
        """
        with sentences(f"reading a file of the archive {self.name}"):
            return b"".join(self.contents.blocks(sha256))


@contextlib.contextmanager
def _uncollected() -> Iterator[None]:
    """Pause the garbage collector: it looks again and again at a hundred thousand tuples, none in a cycle."""
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()


def _no_such_record(number: int, length: int) -> str:
    if 1 <= number <= length:
        return (
            f"record {number} is missing from the archive, which states records 1 to {length}: it was removed; "
            "run hueph archive verify"
        )
    held = f"it has records 1 to {length}" if length else "it is empty"
    return f"there is no record {number} in the archive: {held}; see hueph archive list"
