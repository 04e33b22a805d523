"""The rows of a record, written inside the one transaction that may write."""

from __future__ import annotations

from sqlalchemy import Connection, insert, select
from sqlalchemy import exists as sql_exists

from hueph.archive.records import WITHHELD, Record, columns_of
from hueph.archive.schema import chain, content, record, record_body, record_content, record_link
from hueph.errors import ArchiveError

__all__ = ["CHAIN_REMOVED", "insert_record", "locked_head"]

CHAIN_REMOVED = "the archive's chain was removed from its database; run hueph archive verify"


def locked_head(connection: Connection) -> tuple[int, str]:
    """Return length and last link, locked until this transaction ends (SQLite is locked from its start)."""
    row = connection.execute(select(chain.c.length, chain.c.head).with_for_update()).one_or_none()
    if row is None:
        raise ArchiveError(CHAIN_REMOVED)
    return int(row[0]), str(row[1])


def insert_record(connection: Connection, new: Record, fingerprint: str) -> None:
    """Insert the rows of a record."""
    connection.execute(
        insert(record).values(
            number=new.number,
            hash=new.hash,
            previous=new.previous,
            body_sha256=new.body_sha256,
            fingerprint=fingerprint,
            **columns_of(new),
        )
    )
    if new.kind != WITHHELD:
        connection.execute(insert(record_body).values(number=new.number, body=new.body))
    for item in new.contents:
        is_new = not connection.execute(
            select(sql_exists().where(content.c.sha256 == item.sha256))
        ).scalar_one()
        if is_new:
            connection.execute(insert(content).values(sha256=item.sha256, size=item.size))
    if new.contents:
        connection.execute(
            insert(record_content),
            [
                {
                    "number": new.number,
                    "position": position,
                    "role": item.role,
                    "sha256": item.sha256,
                    "private_free": item.private_free,
                }
                for position, item in enumerate(new.contents)
            ],
        )
    if new.links:
        connection.execute(
            insert(record_link),
            [
                {"number": new.number, "position": position, "target": link.number, "relation": link.relation}
                for position, link in enumerate(new.links)
            ],
        )
