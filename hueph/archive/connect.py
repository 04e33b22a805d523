"""From the name of an archive to a database engine, and from its complaints to sentences."""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.pool import NullPool

from hueph._types import PathLike
from hueph.archive.schema import migrate, pending
from hueph.errors import ArchiveError

__all__ = ["DATABASE_NAME", "Place", "connect", "is_url", "sentences"]

DATABASE_NAME = "archive.sqlite"
CONTENTS_NAME = "contents"
# How long a writer waits for another before it gives up, seconds.
PATIENCE_S = 30
# How long who may only read waits for writers to be done with opening or closing, seconds.
SETTLING_S = 3
# Hashes arrive in no order, so that in a large archive every addition touches the indexes all over.
CACHE_KB = 16_000
# A transaction that was acknowledged survives a power cut, not only a killed program.
SYNCHRONOUS = "FULL"
_AS_EFFECTIVE: Any = {"effective_ids": True} if os.access in os.supports_effective_ids else {}
_OWN_NAMES = {
    DATABASE_NAME,
    f"{DATABASE_NAME}-wal",
    f"{DATABASE_NAME}-shm",
    f"{DATABASE_NAME}-journal",
    CONTENTS_NAME,
}
_DISK_FULL = "the disk is full; nothing was added and what was there is untouched; free some space and repeat"
_NOT_WRITABLE = "it may not be written; nothing was added; change its rights or name another place"
_LIKE_A_URL = "the archive must be a folder or a URL like postgresql://user@host/database"
_MAKE_ONE = "make one with: hueph archive add PHOTO --chart CHART --archive ARCHIVE"


@dataclass(frozen=True, slots=True)
class Place:
    """Where an archive is.

    Attributes
    ----------
    name : str
        For messages; never holds a password.
    folder : Path or None
        None for a database server.
    engine : Engine
        Its transactions read.
    writing_engine : Engine
        The same connections; its transactions lock for writing from their start.
    """

    name: str
    folder: Path | None
    engine: Engine
    writing_engine: Engine


def connect(target: PathLike, *, create: bool, read_only: bool) -> Place:
    """Return the engines of an archive, its schema up to date.

    Parameters
    ----------
    target : path or str
        A folder, or a URL ``postgresql://user@host/database``.
    create : bool
        Make the archive when there is none.
    read_only : bool
        Never write, not even to bring the schema up to date.

    Returns
    -------
    Place

    Raises
    ------
    ArchiveError
        There is no archive, or it cannot be opened.
    """
    text = os.fspath(target)
    place = _server(text) if is_url(text) else _folder(Path(text), create=create, read_only=read_only)
    with sentences(f"opening the archive {place.name}"):
        try:
            if read_only:
                with place.engine.connect() as connection:
                    _refuse_pending(connection, place)
            else:
                _bring_up_to_date(place, create=create)
        except BaseException:
            place.engine.dispose()
            raise
    return place


def is_url(target: str) -> bool:
    """Say whether an archive's name is a URL and no folder.

    Raises
    ------
    ArchiveError
        It begins like a URL but is none.
    """
    if target.lower().startswith(("postgresql:", "postgres:")) and "://" not in target:
        raise ArchiveError(f"{_LIKE_A_URL}, got {target.partition(':')[0]}: without the two slashes")
    return "://" in target


def _bring_up_to_date(place: Place, *, create: bool) -> None:
    """Run pending migrations; on a server, only an archive may be migrated unasked."""
    with place.engine.connect() as connection:
        steps = pending(connection)
    if steps and steps[0].version == 1 and place.folder is None and not create:
        raise ArchiveError(f"there is no archive in {place.name} yet; {_MAKE_ONE}")
    if steps:
        migrate(place.writing_engine)


def _refuse_pending(connection: Connection, place: Place) -> None:
    """Say what is wrong when the schema is not the one this program knows."""
    steps = pending(connection)
    if steps and steps[0].version == 1:
        raise ArchiveError(f"there is no archive in {place.name} yet; {_MAKE_ONE}")
    if steps:
        raise ArchiveError(
            f"the archive {place.name} has an older schema and may not be written here; "
            "open it once where it may be written, for example: hueph archive list --archive ARCHIVE"
        )


def _server(text: str) -> Place:
    """Return the engines of an archive on a PostgreSQL server."""
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as error:
        raise ArchiveError(f"{_LIKE_A_URL}, and this one is not written like a URL") from error
    if url.drivername not in ("postgresql", "postgres", "postgresql+psycopg"):
        raise ArchiveError(
            f"the archive must be a folder or a postgresql:// URL, got one of {url.drivername}://"
        )
    shown = url.render_as_string(hide_password=True)
    try:
        engine = create_engine(
            url.set(drivername="postgresql+psycopg"),
            connect_args={"connect_timeout": PATIENCE_S},
            pool_size=2,
        )
    except (ImportError, NoSuchModuleError) as error:
        from hueph._optional import require

        require("psycopg", purpose="an archive on a PostgreSQL server", extra="archive")
        raise ArchiveError(f"cannot open the archive {shown}: {error}") from error

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _: object) -> None:
        with connection.cursor() as cursor:
            cursor.execute(f"SET lock_timeout = '{PATIENCE_S}s'")
        connection.commit()

    return Place(shown, None, engine, engine)


def _folder(folder: Path, *, create: bool, read_only: bool) -> Place:
    """Return the engines of an archive in a folder."""
    name = str(folder)
    database = folder / DATABASE_NAME
    with sentences(f"opening the archive {name}"):
        if folder.is_file():
            raise ArchiveError(
                f"cannot open the archive {name}: an archive is a folder, this is a file; name a folder, new or old"
            )
        if not database.is_file():
            if not create or read_only:
                what = "has no archive in it" if folder.is_dir() else "is not there"
                raise ArchiveError(f"cannot open the archive {name}: the folder {what}; {_MAKE_ONE}")
            _make_folder(folder)
    address = "file:" + str(database.absolute()).replace("%", "%25").replace("?", "%3f").replace("#", "%23")
    query = {"mode": "ro" if read_only else "rwc" if create else "rw", "uri": "true"}
    url = URL.create("sqlite", database=address, query=query)
    if read_only:
        # Connected anew for every look: whether others write may change in between.
        engine = create_engine(url, creator=lambda: _to_read(database, address), poolclass=NullPool)
    else:
        engine = create_engine(url, connect_args={"timeout": PATIENCE_S})

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _: object) -> None:
        # Transactions are begun by the handler below, not by the driver, so that DDL is part of them.
        connection.isolation_level = None
        connection.execute(f"PRAGMA busy_timeout = {PATIENCE_S * 1000}")
        if not read_only:
            _turn_to_write_ahead(connection)
            connection.execute(f"PRAGMA synchronous = {SYNCHRONOUS}")
            connection.execute(f"PRAGMA cache_size = -{CACHE_KB}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("hueph_writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return Place(name, folder, engine, engine.execution_options(hueph_writes=True))


def _to_read(database: Path, address: str) -> sqlite3.Connection:
    """Connect to a database that may not be written, waiting while others open or close it."""
    log = database.with_name(f"{DATABASE_NAME}-wal")
    give_up = time.monotonic() + SETTLING_S
    while True:
        # Without a write-ahead log there is nothing to share, and SQLite need not make files beside it;
        # with one, it needs those that the writers made.
        with contextlib.suppress(FileNotFoundError):
            settled = not (log.exists() and log.stat().st_size)
            how = "?mode=ro&immutable=1" if settled else "?mode=ro"
            connection = sqlite3.connect(address + how, uri=True, timeout=PATIENCE_S, check_same_thread=False)
            try:
                connection.execute("PRAGMA schema_version")
                return connection
            except sqlite3.Error as error:
                connection.close()
                is_passing = isinstance(error, sqlite3.OperationalError) and time.monotonic() < give_up
                if not (is_passing and os.access(database, os.R_OK, **_AS_EFFECTIVE)):
                    raise
        time.sleep(0.02)


def _turn_to_write_ahead(connection: sqlite3.Connection) -> None:
    """Set the journal's mode, waiting for others.

    The mode stays in the file, so that only the first writers of a new archive meet here; SQLite refuses
    the loser at once instead of letting it wait as for any other lock.
    """
    give_up = time.monotonic() + PATIENCE_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                raise
        time.sleep(0.01)


def _make_folder(folder: Path) -> None:
    """Make the folder of a new archive; never move into one that is used for something else."""
    if folder.is_dir():
        others = sorted(entry.name for entry in folder.iterdir() if entry.name not in _OWN_NAMES)
        if others:
            raise ArchiveError(
                f"cannot make an archive in {folder}: the folder must be new or empty, it holds {others[0]}"
                f"{' and more' if len(others) > 1 else ''}; name another folder"
            )
    folder.mkdir(parents=True, exist_ok=True)


@contextlib.contextmanager
def sentences(doing: str) -> Iterator[None]:
    """Turn errors of the database and the file system into an `ArchiveError`.

    Parameters
    ----------
    doing : str
        What is being done and on what, for example "adding a record to the archive lab".
    """
    try:
        yield
    except DBAPIError as error:
        raise ArchiveError(f"{doing} failed: {_database_sentence(str(error.orig))}") from error
    except OSError as error:
        raise ArchiveError(f"{doing} failed: {_system_sentence(error)}") from error


def _system_sentence(error: OSError) -> str:
    """Say what the file system refused and what to do."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return _DISK_FULL
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return _NOT_WRITABLE
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return f"there is no such folder or file{f': {error.filename}' if error.filename else ''}; check its name"
    return f"the system reports: {error.strerror or error}"


def _database_sentence(message: str) -> str:
    """Say what the database refused and what to do."""
    busy = f"another program has been writing to it for {PATIENCE_S} s; try again later"
    damaged = "restore it from an export or a backup"
    known = {
        "database or disk is full": _DISK_FULL,
        "readonly database": _NOT_WRITABLE,
        "unable to open database file": "its database cannot be opened; check the folder and its rights",
        "database is locked": busy,
        "lock timeout": busy,
        "not a database": f"{DATABASE_NAME} is not an archive's database; {damaged}",
        "malformed": f"{DATABASE_NAME} is damaged; {damaged}",
        "disk I/O error": "the disk reports an error; what was recorded before is untouched; check the disk",
        "append-only": "the archive is append-only; add a correction instead",
        "password authentication": "the server refused the password; check the user and the URL",
        "Connection refused": "no server answers there; check host, port and that the server runs",
        "could not translate host name": "the server's name is not known; check the URL",
        "failed to resolve host": "the server's name is not known; check the URL",
        "connection to server on socket": "the URL names no host, and no server answers on this machine; "
        "write postgresql://user@host/database",
        "does not exist": "the server has no such database or user; check the URL",
        "permission denied": "the database user may not do that; ask whoever runs the server",
    }
    for sign, sentence in known.items():
        if sign.lower() in message.lower():
            return sentence
    return f"the database reports: {message.strip().splitlines()[0] if message.strip() else 'no reason'}"
