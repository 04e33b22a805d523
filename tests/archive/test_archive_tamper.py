"""Whatever is changed, removed, added or moved is found and named, on SQLite and on PostgreSQL."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import text
from test_archive_store import drop_guards

from hueph.archive.chain import canonical_json, link_hash, text_sha256
from hueph.archive.findings import Finding
from hueph.archive.store import Archive
from hueph.archive.verify import verify_archive
from hueph.errors import ArchiveError

# All columns of a record but its place and its links.
REST = (
    "body_sha256, fingerprint, kind, received, taken, who, experiment, sample, step, original, chart, summary"
)


def change(archive: Archive, *statements: str, **values: Any) -> None:
    """Change the database behind the archive's back."""
    with archive.writing("tampering") as connection:
        drop_guards(connection, archive)
        for statement in statements:
            connection.execute(text(statement), values)


def damages(archive: Archive, **options: Any) -> list[Finding]:
    """Return the damages that verification finds; notes aside."""
    result = verify_archive(archive, recompute_readings=False, **options)
    found = [finding for finding in result.findings if finding.is_damage]
    assert result.is_sound == (not found)
    return found


def change_file(archive: Archive, sha256: str, new: Callable[[bytes], bytes]) -> None:
    """Change the stored bytes of a file."""
    data = new(archive.data(sha256))
    if archive.place.folder is None:
        change(archive, "UPDATE content_part SET data = :data WHERE sha256 = :name", data=data, name=sha256)
        return
    path = archive.place.folder / "contents" / sha256[:2] / sha256
    os.chmod(path, 0o644)
    path.write_bytes(data)


def one_bit(data: bytes) -> bytes:
    """Return bytes of which one bit is another."""
    middle = len(data) // 2
    return data[:middle] + bytes((data[middle] ^ 1,)) + data[middle + 1 :]


def texts(found: list[Finding]) -> str:
    return "\n".join(map(str, found))


def test_untouched_archive_is_sound(filled: Archive) -> None:
    result = verify_archive(filled, recompute_readings=False)
    assert result.findings == []
    assert (result.records, result.notes, result.withheld) == (5, 0, 0)
    assert result.head == filled.head()[1]


def test_changed_byte_of_an_original(filled: Archive) -> None:
    change_file(filled, filled.record(3).of_role("original")[0].sha256, one_bit)
    (found,) = damages(filled)
    assert "was changed" in found.text
    assert "it is the original photo-2.jpg of record 3" in found.text


def test_changed_byte_of_a_chart(filled: Archive) -> None:
    change_file(filled, filled.record(1).of_role("chart")[0].sha256, one_bit)
    (found,) = damages(filled)
    assert "it is the chart four patches of records 1, 2, 3, 5" in found.text


def test_changed_byte_of_a_picture(filled: Archive) -> None:
    sha256 = filled.record(2).of_role("overlay")[0].sha256
    data = one_bit(filled.data(sha256))
    change(filled, "UPDATE content_part SET data = :data WHERE sha256 = :name", data=data, name=sha256)
    (found,) = damages(filled)
    assert "it is a picture (overlay) of record 2" in found.text


def test_removed_file(filled: Archive) -> None:
    sha256 = filled.record(5).of_role("original")[0].sha256
    if filled.place.folder is None:
        change(filled, "DELETE FROM content_part WHERE sha256 = :name", name=sha256)
    else:
        (filled.place.folder / "contents" / sha256[:2] / sha256).unlink()
    (found,) = damages(filled)
    assert found.where == f"file {sha256[:12]}"
    assert "is missing; it is the original photo-9.jpg of record 5" in found.text


def test_changed_reading(filled: Archive) -> None:
    body = filled.record(2).body.replace('"ph":6.2,', '"ph":6.3,')
    assert body != filled.record(2).body
    change(filled, "UPDATE record_body SET body = :body WHERE number = 2", body=body)
    assert [str(found) for found in damages(filled)] == [
        "DAMAGE  record 2: its contents were changed: their hash is not the one recorded"
    ]


def test_changed_reading_with_its_hash(filled: Archive) -> None:
    body = filled.record(2).body.replace('"ph":6.2,', '"ph":6.3,')
    change(
        filled,
        "UPDATE record_body SET body = :body WHERE number = 2",
        "UPDATE record SET body_sha256 = :hash WHERE number = 2",
        body=body,
        hash=text_sha256(body),
    )
    assert [found.where for found in damages(filled)] == ["record 2"]


def test_changed_listing(filled: Archive) -> None:
    change(filled, "UPDATE record SET experiment = 'mine' WHERE number = 1")
    assert [str(found) for found in damages(filled)] == [
        "DAMAGE  record 1: the listing shows another experiment than the record itself"
    ]


def test_deleted_record(filled: Archive) -> None:
    change(filled, "DELETE FROM record WHERE number = 3")
    found = texts(damages(filled))
    assert "record 3: is missing: it was deleted, or its number changed" in found
    assert "states 5 records, there are 4" in found
    with pytest.raises(
        ArchiveError, match="record 3 is missing from the archive, which states records 1 to 5"
    ):
        filled.record(3)


def test_deleted_last_record(filled: Archive) -> None:
    change(filled, "DELETE FROM record WHERE number = 5")
    assert "the archive states 5 records, there are 4" in texts(damages(filled))


def test_deleted_record_with_all_traces(filled: Archive) -> None:
    """Who also mends the numbers and the archive's own statement breaks the chain."""
    change(
        filled,
        "DELETE FROM record WHERE number = 3",
        "DELETE FROM record_body WHERE number = 3",
        "DELETE FROM record_content WHERE number = 3",
        "UPDATE record_body SET number = number - 1 WHERE number > 3",
        "UPDATE record SET number = number - 1 WHERE number > 3",
        "UPDATE record_content SET number = number - 1 WHERE number > 3",
        "UPDATE record_link SET number = number - 1 WHERE number > 3",
        "UPDATE chain SET length = 4",
    )
    assert {"record 3", "record 4"} <= {found.where for found in damages(filled)}


def test_inserted_record(filled: Archive) -> None:
    body = filled.record(2).body
    change(
        filled,
        f"INSERT INTO record (number, hash, previous, {REST}) "
        f"SELECT 6, :link, (SELECT head FROM chain), {REST} FROM record WHERE number = 2",
        "INSERT INTO record_body SELECT 6, body FROM record_body WHERE number = 2",
        link=link_hash(6, filled.head()[1], text_sha256(body)),
    )
    found = texts(damages(filled))
    assert "record 6: its contents belong to another number" in found
    assert "states 5 records, there are 6" in found


def test_inserted_record_in_the_middle(filled: Archive) -> None:
    change(
        filled,
        *(
            f"UPDATE {table} SET number = number {change} WHERE number > {above}"
            for table in ("record", "record_body")
            for change, above in (("+ 100", 2), ("- 99", 100))
        ),
        "INSERT INTO record_body SELECT 3, body FROM record_body WHERE number = 2",
        f"INSERT INTO record (number, hash, previous, {REST}) "
        f"SELECT 3, 'forged', hash, {REST} FROM record WHERE number = 2",
        "UPDATE chain SET length = 6",
    )
    assert {"record 3", "record 4", "record 5", "record 6"} <= {found.where for found in damages(filled)}


def test_swapped_records(filled: Archive) -> None:
    change(
        filled,
        *(
            f"UPDATE {table} SET number = {new} WHERE number = {old}"
            for table in ("record", "record_body")
            for new, old in ((100, 2), (2, 3), (3, 100))
        ),
    )
    assert {"record 2", "record 3"} <= {found.where for found in damages(filled)}


def test_swapped_originals(filled: Archive) -> None:
    one, two = (filled.record(number).of_role("original")[0].sha256 for number in (1, 2))
    first, second = filled.data(one), filled.data(two)
    change_file(filled, one, lambda _: second)
    change_file(filled, two, lambda _: first)
    found = texts(damages(filled))
    assert "the original photo-0.jpg of record 1" in found
    assert "the original photo-1.jpg of record 2" in found


def test_removed_contents_of_a_record(filled: Archive) -> None:
    change(filled, "DELETE FROM record_body WHERE number = 4")
    assert "record 4: its contents were removed" in texts(damages(filled))


def test_changed_lists_of_files_and_links(filled: Archive) -> None:
    change(filled, "DELETE FROM record_content WHERE number = 1 AND position = 1", "DELETE FROM record_link")
    found = texts(damages(filled))
    assert "record 1: the list of its files was changed" in found
    assert "record 4: the list of records it points to was changed" in found


def test_removed_chain_row(filled: Archive) -> None:
    change(filled, "DELETE FROM chain")
    assert "chain: the archive's statement of its length was removed" in texts(damages(filled))
    with pytest.raises(ArchiveError, match="chain was removed"):
        filled.head()


def test_removed_guards_are_mentioned(filled: Archive) -> None:
    change(filled)
    result = verify_archive(filled, recompute_readings=False)
    assert result.is_sound
    assert "guards against changes were removed" in result.findings[0].text


def test_rewritten_chain_is_found_by_a_link_kept_elsewhere(filled: Archive) -> None:
    """Who recomputes every hash is found by a link in a report, or by recomputing the readings."""
    kept = filled.record(4).hash
    assert damages(filled, anchor=kept) == []

    def forge(number: int, data: dict[str, Any]) -> None:
        if number == 2:
            data["labels"]["who"] = "Mallory"

    rewrite(filled, forge)
    assert damages(filled) == []
    (found,) = damages(filled, anchor=kept[:16])
    assert f"the link {kept[:16]} is not in it" in found.text


def rewrite(archive: Archive, forge: Callable[[int, dict[str, Any]], None]) -> None:
    """Forge bodies and recompute everything that depends on them."""
    link = "0" * 64
    hashes: dict[int, str] = {}
    rows = []
    for record in list(archive.records()):
        data = json.loads(record.body)
        forge(record.number, data)
        for pointer in data["links"]:
            pointer["hash"] = hashes[pointer["number"]]
        body = canonical_json(data)
        row = {"n": record.number, "b": body, "s": text_sha256(body), "p": link, "w": data["labels"]["who"]}
        link = hashes[record.number] = link_hash(record.number, link, row["s"])
        rows.append(row | {"h": link})
    statement = "UPDATE record SET body_sha256 = :s, previous = :p, hash = :h, who = :w WHERE number = :n"
    with archive.writing("forging") as connection:
        drop_guards(connection, archive)
        connection.execute(text(statement), rows)
        connection.execute(text("UPDATE record_body SET body = :b WHERE number = :n"), rows)
        connection.execute(text("UPDATE chain SET head = :head"), {"head": link})


def test_link_must_be_one(filled: Archive) -> None:
    with pytest.raises(ArchiveError, match="at least 12 hexadecimal digits, got 'last'"):
        verify_archive(filled, anchor="last")


def test_file_without_a_record_is_no_damage(filled: Archive) -> None:
    filled.contents.put(b"left by a killed program")
    result = verify_archive(filled, recompute_readings=False)
    assert result.is_sound
    assert "is named by no record" in result.findings[0].text


def test_damaged_original_is_not_repaired_in_silence(filled: Archive, add: Callable[..., Any]) -> None:
    change_file(filled, filled.record(1).of_role("original")[0].sha256, one_bit)
    with pytest.raises(ArchiveError, match="is no longer what its name says"):
        add(filled, 0, who="somebody else")
