"""Take a bag into an archive: everything is checked before anything is stored."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select, update

from hueph._types import PathLike
from hueph.archive.bag import check_bag
from hueph.archive.beside import folder_beside, sync_folder
from hueph.archive.chain import GENESIS, link_hash, text_sha256
from hueph.archive.connect import is_url, sentences
from hueph.archive.export import RECORDS_NAME
from hueph.archive.originals import insert_parts
from hueph.archive.records import EMBEDDED_ROLES, Record, fingerprint_of, parse_record
from hueph.archive.rows import insert_record, locked_head
from hueph.archive.schema import chain, record
from hueph.archive.store import Archive, open_archive
from hueph.errors import ArchiveError

__all__ = ["import_archive", "import_into"]

# Where the files of records lie in a bag; pictures are stored with their record.
_FOLDERS = ("originals", "charts", "recipes")


@dataclass(frozen=True, slots=True)
class _Bag:
    """A bag that was checked: where it is, and name to hash of the files that records need as files."""

    folder: Path
    files: dict[str, str]

    @property
    def lines(self) -> Path:
        """The file of the records."""
        return self.folder / "data" / RECORDS_NAME


def import_archive(archive: Archive, folder: PathLike) -> int:
    """Take the records and files of a bag into an archive.

    Parameters
    ----------
    archive : Archive
        New, or one whose records are the first ones of the bag: then the rest is added.
    folder : path
        Bag written by `export_archive`.

    Returns
    -------
    int
        How many records were added.

    Raises
    ------
    ArchiveError
        The bag is damaged, its chain does not hold, or it does not continue the archive. Nothing was
        added then.
    """
    return _take_in(archive, _checked_bag(Path(folder)))


def import_into(target: PathLike, folder: PathLike) -> tuple[int, int]:
    """Take a bag into the archive of a name, which is made when missing.

    A folder that is not there yet appears only when everything is in it: an import that fails, whatever
    the reason, leaves nothing behind.

    Parameters
    ----------
    target : path or str
        A folder, or a URL ``postgresql://user@host/database``.
    folder : path
        Bag written by `export_archive`.

    Returns
    -------
    added, length : int
        How many records were added, and how many there are.

    Raises
    ------
    ArchiveError
        As for `import_archive`, or the archive cannot be opened or made.
    """
    bag = _checked_bag(Path(folder))
    name = os.fspath(target)
    place = Path(name)
    if not is_url(name) and not os.path.lexists(place):
        with sentences(f"making the archive {name}"), folder_beside(place) as part:
            with open_archive(part, create=True) as archive:
                archive.name = name
                added, length = _take_in(archive, bag), archive.length
            try:
                os.rename(part, place)
            except OSError as error:
                if error.errno not in (errno.EEXIST, errno.ENOTEMPTY):
                    raise
                # Another program made it meanwhile.
            else:
                sync_folder(place.absolute().parent)
                return added, length
    with open_archive(target, create=True) as archive:
        return _take_in(archive, bag), archive.length


def _checked_bag(folder: Path) -> _Bag:
    """Check all that can be checked without an archive."""
    manifest = check_bag(folder)
    if f"data/{RECORDS_NAME}" not in manifest:
        raise ArchiveError(
            f"cannot take in {folder}: it holds no {RECORDS_NAME}; it is not an export of hueph"
        )
    files = {}
    for name, sha256 in manifest.items():
        parts = Path(name).parts
        if len(parts) != 3 or parts[1] not in _FOLDERS:
            continue
        if Path(name).stem != sha256:
            raise ArchiveError(f"cannot take in {folder}: {name} is not named by its hash {sha256[:12]}...")
        files[name] = sha256
    bag = _Bag(folder, files)
    for _ in _checked(bag.lines):
        pass
    return bag


def _take_in(archive: Archive, bag: _Bag) -> int:
    """Add what an archive does not have of a bag, and return how many records that were."""
    _refuse_other_chain(archive, bag)
    for name in bag.files:
        with sentences(f"taking {name} into the archive {archive.name}"):
            archive.contents.put((bag.folder / name).read_bytes())
    added = 0
    with archive.writing("taking in a bag") as connection:
        length, link = locked_head(connection)
        for new in _checked(bag.lines):
            if new.number <= length:
                continue
            if new.number == length + 1 and new.previous != link:
                raise ArchiveError(_other_chain(bag.folder, length))
            for item in new.contents:
                path = bag.folder / "data" / "pictures" / f"{item.sha256}{Path(item.name).suffix}"
                if item.role in EMBEDDED_ROLES and path.is_file():
                    insert_parts(connection, path.read_bytes())
            insert_record(connection, new, fingerprint_of(new))
            length, link, added = new.number, new.hash, added + 1
        if added:
            connection.execute(update(chain).values(length=length, head=link, imported=length))
    return added


def _other_chain(folder: Path, length: int) -> str:
    return (
        f"cannot take in {folder}: its records do not continue the {length} records of this archive; "
        "take it into a new archive: hueph archive import BAG --archive NEW"
    )


def _refuse_other_chain(archive: Archive, bag: _Bag) -> None:
    """Compare the bag's first records with those there are, before any file is stored."""
    length, link = archive.head()
    if not length:
        return
    for new in _checked(bag.lines):
        if new.number == length:
            if new.hash != link:
                raise ArchiveError(_other_chain(bag.folder, length))
            return
    # The bag is shorter: it must be the beginning of what is there.
    last = None
    for each in _checked(bag.lines):
        last = each
    if last is not None:
        with archive.reading("comparing with the bag") as connection:
            known = connection.execute(
                select(record.c.hash).where(record.c.number == last.number)
            ).scalar_one_or_none()
        if known != last.hash:
            raise ArchiveError(_other_chain(bag.folder, length))


def _checked(lines: Path) -> Iterator[Record]:
    """Yield the records of a bag, each checked against the chain."""
    previous, number = GENESIS, 0
    with sentences(f"reading {lines}"), open(lines, encoding="utf-8") as stream:
        for text in stream:
            number += 1
            try:
                data = json.loads(text)
                stated = (data["number"], data["previous"], data["body_sha256"], data["hash"], data["body"])
            except (ValueError, KeyError, TypeError) as error:
                raise ArchiveError(f"line {number} of {lines.name} is not that of a record") from error
            place, before, body_sha256, link, body = stated
            fits = place == number and before == previous and link == link_hash(number, previous, body_sha256)
            if not fits or (body is not None and text_sha256(body) != body_sha256):
                raise ArchiveError(
                    f"record {number} of {lines.name} does not fit the chain: "
                    "a record was changed, moved or removed"
                )
            previous = link
            yield parse_record(number, link, before, body_sha256, body)
