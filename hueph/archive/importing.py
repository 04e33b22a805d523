"""Take a bag into an archive: everything is checked before anything is stored."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import select, update

from hueph._types import PathLike
from hueph.archive.bag import check_bag
from hueph.archive.chain import GENESIS, link_hash, text_sha256
from hueph.archive.connect import sentences
from hueph.archive.export import RECORDS_NAME
from hueph.archive.originals import insert_parts
from hueph.archive.records import EMBEDDED_ROLES, Record, fingerprint_of, parse_record
from hueph.archive.schema import chain, record
from hueph.archive.store import Archive, insert_record, locked_head
from hueph.errors import ArchiveError

__all__ = ["import_archive"]

# Where the files of records lie in a bag; pictures are stored with their record.
_FOLDERS = ("originals", "charts", "recipes")


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
    bag = Path(folder)
    manifest = check_bag(bag)
    lines = bag / "data" / RECORDS_NAME
    if f"data/{RECORDS_NAME}" not in manifest:
        raise ArchiveError(f"cannot take in {bag}: it holds no {RECORDS_NAME}; it is not an export of hueph")
    for _ in _checked(lines):
        pass
    _refuse_other_chain(archive, lines)
    _store_files(archive, bag, manifest)
    added = 0
    with archive.writing("taking in a bag") as connection:
        length, link = locked_head(connection)
        for new in _checked(lines):
            if new.number <= length:
                continue
            if new.number == length + 1 and new.previous != link:
                raise ArchiveError(_other_chain(bag, length))
            for item in new.contents:
                path = bag / "data" / "pictures" / f"{item.sha256}{Path(item.name).suffix}"
                if item.role in EMBEDDED_ROLES and path.is_file():
                    insert_parts(connection, path.read_bytes())
            insert_record(connection, new, fingerprint_of(new))
            length, link, added = new.number, new.hash, added + 1
        if added:
            connection.execute(update(chain).values(length=length, head=link, imported=length))
    return added


def _other_chain(bag: Path, length: int) -> str:
    return (
        f"cannot take in {bag}: its records do not continue the {length} records of this archive; "
        "take it into a new archive: hueph archive import BAG --archive NEW"
    )


def _refuse_other_chain(archive: Archive, lines: Path) -> None:
    """Compare the bag's first records with those there are, before any file is stored."""
    length, link = archive.head()
    if not length:
        return
    for new in _checked(lines):
        if new.number == length:
            if new.hash != link:
                raise ArchiveError(_other_chain(lines.parent.parent, length))
            return
    # The bag is shorter: it must be the beginning of what is there.
    last = None
    for each in _checked(lines):
        last = each
    if last is not None:
        with archive.reading("comparing with the bag") as connection:
            known = connection.execute(
                select(record.c.hash).where(record.c.number == last.number)
            ).scalar_one_or_none()
        if known != last.hash:
            raise ArchiveError(_other_chain(lines.parent.parent, length))


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


def _store_files(archive: Archive, bag: Path, manifest: dict[str, str]) -> None:
    """Store the files of records; each is named by its hash."""
    for name, sha256 in manifest.items():
        parts = Path(name).parts
        if len(parts) != 3 or parts[1] not in _FOLDERS:
            continue
        if Path(name).stem != sha256:
            raise ArchiveError(f"cannot take in {bag}: {name} is not named by its hash {sha256[:12]}...")
        with sentences(f"taking {name} into the archive {archive.name}"):
            archive.contents.put((bag / name).read_bytes())
