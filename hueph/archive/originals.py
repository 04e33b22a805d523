"""Where bytes are kept: originals, charts and recipes as files named by their hash, the rest in the database.

Originals are stored before the record that names them, so that no record ever lacks its files. An add that
is interrupted in between leaves bytes that no record names; they do no harm, and the next add reuses them.
Crops and annotated pictures, small and many, go into the database in the transaction of their record: each
file would have to be written through to the disk on its own, which takes longer than all the rest. On a
server everything is in the database.
"""

from __future__ import annotations

import contextlib
import hashlib
import heapq
import os
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Protocol

from sqlalchemy import Connection, Engine, func, select
from sqlalchemy.dialects import postgresql, sqlite

from hueph.archive.beside import sync_folder
from hueph.archive.connect import CONTENTS_NAME, Place, sentences
from hueph.archive.schema import content_part
from hueph.errors import ArchiveError

__all__ = [
    "Contents",
    "DatabaseContents",
    "FolderContents",
    "MixedContents",
    "insert_parts",
    "open_contents",
    "stream_sha256",
]

_BLOCK = 1 << 20
# A part file older than this belongs to a program that was killed, seconds.
_STALE_S = 3600
_PART_PREFIX = ".part-"


class Contents(Protocol):
    """Bytes by their SHA-256."""

    def put(self, data: bytes) -> str:
        """Store bytes for good and return their hash."""

    def has(self, sha256: str) -> bool:
        """Say whether bytes of this name are stored, right or wrong."""

    def blocks(self, sha256: str) -> Iterator[bytes]:
        """Yield what is stored, piece by piece."""

    def path(self, sha256: str) -> contextlib.AbstractContextManager[Path]:
        """Lend a file that holds the bytes."""

    def names(self) -> Iterator[str]:
        """Yield the name of everything stored, in rising order."""


def stream_sha256(blocks: Iterator[bytes]) -> tuple[str, int]:
    """Return hash and size of bytes that come in pieces."""
    digest, size = hashlib.sha256(), 0
    for block in blocks:
        digest.update(block)
        size += len(block)
    return digest.hexdigest(), size


def open_contents(place: Place, *, read_only: bool = False) -> Contents:
    """Return where an archive keeps its bytes."""
    rows = DatabaseContents(place.engine)
    if place.folder is None:
        return rows
    files = FolderContents(place.folder / CONTENTS_NAME)
    if not read_only:
        files.sweep()
    return MixedContents(files, rows)


def insert_parts(connection: Connection, data: bytes) -> None:
    """Insert bytes as rows in a transaction that is open; bytes that are there already stay."""
    sha256 = hashlib.sha256(data).hexdigest()
    rows = [
        {"sha256": sha256, "part": number, "data": data[start : start + _BLOCK]}
        for number, start in enumerate(range(0, max(len(data), 1), _BLOCK))
    ]
    if connection.dialect.name == "postgresql":
        connection.execute(postgresql.insert(content_part).on_conflict_do_nothing(), rows)
    else:
        connection.execute(sqlite.insert(content_part).on_conflict_do_nothing(), rows)


def _missing(sha256: str) -> ArchiveError:
    return ArchiveError(
        f"the archive has no file {sha256[:12]}...: it was removed, or left out of an export; "
        "run hueph archive verify"
    )


class FolderContents:
    """Files in a folder, each named by its hash, in sub-folders by the first two letters.

    Parameters
    ----------
    folder : Path
        Made on the first `put`.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def _file(self, sha256: str) -> Path:
        return self._folder / sha256[:2] / sha256

    def put(self, data: bytes) -> str:
        """Store bytes: a temporary file, written through, checked, then renamed.

        Raises
        ------
        ArchiveError
            What lies there under this name is something else, or what was written reads back wrong.
        OSError
            Disk full, not permitted.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        file = self._file(sha256)
        if file.exists():
            # Never repaired in silence: a wrong file is evidence of its own.
            if stream_sha256(self.blocks(sha256))[0] != sha256:
                raise ArchiveError(
                    f"the stored file {sha256[:12]}... is no longer what its name says; "
                    "run hueph archive verify and keep a copy of the archive as it is"
                )
            return sha256
        self._make_folder(file.parent)
        handle, part = tempfile.mkstemp(dir=self._folder, prefix=_PART_PREFIX)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            with open(part, "rb") as stream:
                if stream_sha256(_read(stream))[0] != sha256:
                    raise ArchiveError(
                        f"what was written to {self._folder} reads back wrong; check the disk before going on"
                    )
            os.chmod(part, 0o444)
            os.replace(part, file)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(part)
            raise
        sync_folder(file.parent)
        return sha256

    def _make_folder(self, folder: Path) -> None:
        """Make a sub-folder whose name survives a power cut."""
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            sync_folder(self._folder)

    def has(self, sha256: str) -> bool:
        """Say whether there is a file of this name."""
        return self._file(sha256).is_file()

    def blocks(self, sha256: str) -> Iterator[bytes]:
        """Yield the file piece by piece.

        Raises
        ------
        ArchiveError
            It is not there.
        """
        try:
            with open(self._file(sha256), "rb") as stream:
                yield from _read(stream)
        except FileNotFoundError as error:
            raise _missing(sha256) from error

    @contextlib.contextmanager
    def path(self, sha256: str) -> Iterator[Path]:
        """Lend the stored file itself; it must not be written."""
        if not self.has(sha256):
            raise _missing(sha256)
        yield self._file(sha256)

    def names(self) -> Iterator[str]:
        """Yield every stored name, a sub-folder at a time."""
        if not self._folder.is_dir():
            return
        for folder in sorted(entry for entry in self._folder.iterdir() if entry.is_dir()):
            yield from sorted(entry.name for entry in folder.iterdir())

    def sweep(self) -> None:
        """Remove what killed programs left half written, long after."""
        with contextlib.suppress(OSError):
            for part in self._folder.glob(f"{_PART_PREFIX}*"):
                if time.time() - part.stat().st_mtime > _STALE_S:
                    part.unlink()


class DatabaseContents:
    """Rows of a table, a megabyte each.

    Parameters
    ----------
    engine : Engine
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def put(self, data: bytes) -> str:
        """Store bytes in one transaction; bytes that are there already stay.

        Raises
        ------
        ArchiveError
            What is there under this name is something else.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        if self.has(sha256):
            if stream_sha256(self.blocks(sha256))[0] != sha256:
                raise ArchiveError(
                    f"the stored file {sha256[:12]}... is no longer what its name says; "
                    "run hueph archive verify"
                )
            return sha256
        with self._engine.begin() as connection:
            insert_parts(connection, data)
        return sha256

    def has(self, sha256: str) -> bool:
        """Say whether there are rows of this name."""
        query = select(func.count()).where(content_part.c.sha256 == sha256)
        with self._engine.connect() as connection:
            return bool(connection.execute(query).scalar_one())

    def blocks(self, sha256: str) -> Iterator[bytes]:
        """Yield the rows in order, one query each.

        Raises
        ------
        ArchiveError
            There are none.
        """
        number = 0
        while True:
            query = select(content_part.c.data).where(
                content_part.c.sha256 == sha256, content_part.c.part == number
            )
            with self._engine.connect() as connection:
                data = connection.execute(query).scalar_one_or_none()
            if data is None:
                if number == 0:
                    raise _missing(sha256)
                return
            yield bytes(data)
            number += 1

    @contextlib.contextmanager
    def path(self, sha256: str) -> Iterator[Path]:
        """Lend a temporary file that holds the bytes."""
        with tempfile.TemporaryDirectory(prefix="hueph-") as folder:
            file = Path(folder) / sha256
            with sentences("writing a temporary file"), open(file, "wb") as stream:
                for block in self.blocks(sha256):
                    stream.write(block)
            yield file

    def names(self) -> Iterator[str]:
        """Yield every stored name, a thousand at a time."""
        last = ""
        while True:
            query = (
                select(content_part.c.sha256)
                .where(content_part.c.sha256 > last, content_part.c.part == 0)
                .order_by(content_part.c.sha256)
                .limit(1000)
            )
            with self._engine.connect() as connection:
                found = connection.execute(query).scalars().all()
            if not found:
                return
            yield from found
            last = found[-1]


class MixedContents:
    """Files for what is put, rows for what records bring along.

    Parameters
    ----------
    files, rows : Contents
    """

    def __init__(self, files: Contents, rows: Contents) -> None:
        self._files, self._rows = files, rows

    def _home(self, sha256: str) -> Contents:
        return self._rows if not self._files.has(sha256) and self._rows.has(sha256) else self._files

    def put(self, data: bytes) -> str:
        """Store bytes as a file."""
        return self._files.put(data)

    def has(self, sha256: str) -> bool:
        """Say whether there is a file or a row of this name."""
        return self._files.has(sha256) or self._rows.has(sha256)

    def blocks(self, sha256: str) -> Iterator[bytes]:
        """Yield what is stored, piece by piece."""
        return self._home(sha256).blocks(sha256)

    def path(self, sha256: str) -> contextlib.AbstractContextManager[Path]:
        """Lend a file that holds the bytes."""
        return self._home(sha256).path(sha256)

    def names(self) -> Iterator[str]:
        """Yield every stored name, in rising order."""
        return heapq.merge(self._files.names(), self._rows.names())


def _read(stream: BinaryIO) -> Iterator[bytes]:
    """Yield an open file piece by piece."""
    while block := stream.read(_BLOCK):
        yield block
