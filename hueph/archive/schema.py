"""The tables of an archive, and the migrations that make them.

The same tables in SQLite and PostgreSQL. Each migration runs in one transaction together with the row
that records it; what a migration once did is never changed, a new one is added instead.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import (
    BigInteger,
    Column,
    Connection,
    Engine,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    insert,
    inspect,
    select,
    text,
)

from hueph.archive.chain import GENESIS
from hueph.errors import ArchiveError

__all__ = [
    "MIGRATIONS",
    "chain",
    "content",
    "content_part",
    "migrate",
    "migration",
    "pending",
    "record",
    "record_body",
    "record_content",
    "record_link",
]

_metadata = MetaData()


def _table(name: str, *columns: Column[int] | Column[str] | Column[bytes] | Column[str | None]) -> Table:
    return Table(name, _metadata, *columns)


def _text(name: str) -> Column[str]:
    return Column(name, Text, nullable=False)


migration = _table("migration", Column("version", Integer, primary_key=True), _text("name"), _text("applied"))
# One row: how long the chain is and its last link.
chain = _table(
    "chain",
    Column("id", Integer, primary_key=True),
    Column("length", Integer, nullable=False),
    _text("head"),
    Column("imported", Integer, nullable=False),
)
record = _table(
    "record",
    Column("number", Integer, primary_key=True),
    _text("hash"),
    _text("previous"),
    _text("body_sha256"),
    _text("fingerprint"),
    *(
        _text(name)
        for name in (
            "kind", "received", "taken", "who", "experiment", "sample", "step", "original", "chart",
            "summary",
        )
    ),
)  # fmt: skip
# The JSON texts, apart: listing and filtering would otherwise have to pass over them.
record_body = _table("record_body", Column("number", Integer, primary_key=True), _text("body"))
content = _table(
    "content", Column("sha256", Text, primary_key=True), Column("size", BigInteger, nullable=False)
)
record_content = _table(
    "record_content",
    Column("number", Integer, primary_key=True),
    Column("position", Integer, primary_key=True),
    _text("role"),
    _text("sha256"),
    _text("private_free"),
)
record_link = _table(
    "record_link",
    Column("number", Integer, primary_key=True),
    Column("position", Integer, primary_key=True),
    Column("target", Integer, nullable=False),
    _text("relation"),
)
# The bytes of originals, where there is no folder to keep them in.
content_part = _table(
    "content_part",
    Column("sha256", Text, primary_key=True),
    Column("part", Integer, primary_key=True),
    Column("data", LargeBinary, nullable=False),
)


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the schema."""

    version: int
    name: str
    statements: Callable[[str], list[str]]


def _tables(dialect: str) -> list[str]:
    blob = "BYTEA" if dialect == "postgresql" else "BLOB"
    return [
        "CREATE TABLE chain (id INTEGER PRIMARY KEY CHECK (id = 1), length INTEGER NOT NULL, "
        "head TEXT NOT NULL, imported INTEGER NOT NULL)",
        f"INSERT INTO chain (id, length, head, imported) VALUES (1, 0, '{GENESIS}', 0)",
        "CREATE TABLE record (number INTEGER PRIMARY KEY, hash TEXT NOT NULL UNIQUE, previous TEXT NOT NULL, "
        "body_sha256 TEXT NOT NULL, fingerprint TEXT NOT NULL, kind TEXT NOT NULL, received TEXT NOT NULL, "
        "taken TEXT NOT NULL, who TEXT NOT NULL, experiment TEXT NOT NULL, sample TEXT NOT NULL, "
        "step TEXT NOT NULL, original TEXT NOT NULL, chart TEXT NOT NULL, summary TEXT NOT NULL)",
        "CREATE TABLE record_body (number INTEGER PRIMARY KEY, body TEXT NOT NULL)",
        "CREATE TABLE content (sha256 TEXT PRIMARY KEY, size BIGINT NOT NULL)",
        "CREATE TABLE record_content (number INTEGER NOT NULL, position INTEGER NOT NULL, "
        "role TEXT NOT NULL, sha256 TEXT NOT NULL, private_free TEXT NOT NULL, "
        "PRIMARY KEY (number, position))",
        "CREATE TABLE record_link (number INTEGER NOT NULL, position INTEGER NOT NULL, "
        "target INTEGER NOT NULL, relation TEXT NOT NULL, PRIMARY KEY (number, position))",
        f"CREATE TABLE content_part (sha256 TEXT NOT NULL, part INTEGER NOT NULL, data {blob} NOT NULL, "
        "PRIMARY KEY (sha256, part))",
    ]


# What records state may not be changed by accident; whoever removes these guards is found by verify.
_GUARDED = ("record", "record_body", "record_content", "record_link", "content")


def _guards(dialect: str) -> list[str]:
    refusal = "the archive is append-only: add a correction instead"
    if dialect == "postgresql":
        made = [
            "CREATE FUNCTION hueph_refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{refusal}'; END $$"
        ]
        return made + [
            f"CREATE TRIGGER {table}_is_append_only BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION hueph_refuse_change()"
            for table in _GUARDED
        ]
    return [
        f"CREATE TRIGGER {table}_is_append_only_{verb.lower()} BEFORE {verb} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{refusal}'); END"
        for table in _GUARDED
        for verb in ("UPDATE", "DELETE")
    ]


def _indexes(dialect: str) -> list[str]:
    by_column = [
        f"CREATE INDEX record_{column} ON record ({column}, number)"
        for column in ("experiment", "who", "sample", "kind", "received")
    ]
    return [
        *by_column,
        "CREATE INDEX record_fingerprint ON record (fingerprint)",
        "CREATE INDEX record_original ON record (original)",
        "CREATE INDEX record_content_sha256 ON record_content (sha256)",
        "CREATE INDEX record_content_private_free ON record_content (private_free)",
        "CREATE INDEX record_link_target ON record_link (target)",
    ]


MIGRATIONS = (
    Migration(1, "tables", _tables),
    Migration(2, "append-only guards", _guards),
    Migration(3, "indexes for listing", _indexes),
)
# Any number, the same for every program that migrates an archive on one server.
_MIGRATION_LOCK = 7_020_417


def applied(connection: Connection) -> int:
    """Return the version of the schema there is, 0 for an empty database."""
    if not inspect(connection).has_table("migration"):
        return 0
    versions = connection.execute(select(migration.c.version)).scalars().all()
    return max(versions, default=0)


def pending(connection: Connection) -> tuple[Migration, ...]:
    """Return the migrations that have not run yet, without running any.

    Raises
    ------
    ArchiveError
        The archive was made by a newer hueph.
    """
    version = applied(connection)
    if version > MIGRATIONS[-1].version:
        raise ArchiveError(
            f"the archive was made by a newer hueph: its schema is version {version}, "
            f"this one knows {MIGRATIONS[-1].version}; update hueph"
        )
    return tuple(step for step in MIGRATIONS if step.version > version)


def migrate(engine: Engine, *, until: int | None = None) -> None:
    """Run the pending migrations, each in one transaction with the row that records it.

    Parameters
    ----------
    engine : Engine
        Whose transactions lock for writing (`hueph.archive.connect`).
    until : int, optional
        Last version to reach. Default: the newest.

    Raises
    ------
    ArchiveError
        The archive was made by a newer hueph.
    """
    last = MIGRATIONS[-1].version if until is None else until
    while True:
        with engine.begin() as connection:
            if engine.dialect.name == "postgresql":
                connection.execute(text(f"SELECT pg_advisory_xact_lock({_MIGRATION_LOCK})"))
            # Asked inside the transaction: another program may just have done it.
            steps = [step for step in pending(connection) if step.version <= last]
            if not steps:
                return
            step = steps[0]
            if step.version == 1:
                connection.execute(
                    text(
                        "CREATE TABLE IF NOT EXISTS migration (version INTEGER PRIMARY KEY, "
                        "name TEXT NOT NULL, applied TEXT NOT NULL)"
                    )
                )
            for statement in step.statements(engine.dialect.name):
                connection.exec_driver_sql(statement)
            now = datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            connection.execute(insert(migration).values(version=step.version, name=step.name, applied=now))
