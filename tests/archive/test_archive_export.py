"""Bags: valid for independent libraries, without anything private, and whole after import."""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from conftest import SECRET, absent
from PIL import Image

from hueph.archive import export, importing
from hueph.archive.annotating import add_correction
from hueph.archive.bag import check_bag
from hueph.archive.export import export_archive
from hueph.archive.filters import Filter
from hueph.archive.importing import import_archive, import_into
from hueph.archive.keeping import add_comparison
from hueph.archive.records import Labels
from hueph.archive.rows import insert_record
from hueph.archive.store import Archive, open_archive
from hueph.archive.table import table_header, table_rows
from hueph.archive.verify import verify_archive
from hueph.errors import ArchiveError, InputError

pytest.importorskip("jinja2")
pytest.importorskip("reportlab")

# Of the folder that the photographs lie in.
FOLDER_NAME = "someone"


@pytest.fixture
def bag(filled: Archive, tmp_path: Path) -> Path:
    """A bag of everything."""
    return export_archive(filled, tmp_path / "out" / "bag").folder


def whole(folder: Path) -> bytes:
    """Return the bytes of every file, and its name."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return b"".join(str(path.relative_to(folder)).encode() + path.read_bytes() for path in files)


def test_bag_is_valid_for_an_independent_library(bag: Path) -> None:
    try:
        import bagit
    except ImportError:
        absent("bagit is not installed")
    opened = bagit.Bag(str(bag))
    opened.validate()
    assert opened.info["Chain-Length"] == "5"
    (bag / "data" / "records.jsonl").write_text("{}")
    with pytest.raises(bagit.BagValidationError):
        opened.validate()


def test_metadata_are_valid_for_an_independent_library(bag: Path) -> None:
    try:
        from rocrate import rocrate
    except ImportError:
        absent("rocrate is not installed")
    crate = rocrate.ROCrate(str(bag / "data"))
    root = crate.root_dataset
    assert root["name"] == "Evidence: pH readings from photographs"
    assert root["datePublished"]
    described = {entity.id for entity in crate.get_entities() if entity.type == "File"}
    there = {
        path.relative_to(bag / "data").as_posix() for path in (bag / "data").rglob("*") if path.is_file()
    }
    assert described == there - {"ro-crate-metadata.json"}
    action = crate.get("#record-2")
    assert action.type == "CreateAction"
    assert action["agent"]["name"] == "Ada"
    assert action["instrument"]["name"] == "hueph"
    originals = [entity for entity in action["object"] if entity.id.startswith("originals/")]
    assert [entity["name"] for entity in originals] == ["photo-1.jpg"]
    for entity in crate.get_entities():
        for value in entity.properties().values():
            for pointer in value if isinstance(value, list) else [value]:
                if isinstance(pointer, dict) and "@id" in pointer and "://" not in pointer["@id"]:
                    assert crate.get(pointer["@id"]) is not None, pointer


def test_nothing_private_leaves_unasked(bag: Path) -> None:
    exported = whole(bag)
    assert SECRET.encode() not in exported
    assert FOLDER_NAME.encode() not in exported
    originals = list((bag / "data" / "originals").iterdir())
    assert len(originals) == 4
    for path in originals:
        with Image.open(path) as picture:
            assert dict(picture.getexif().get_ifd(0x8825)) == {}


def test_private_data_leave_when_asked(filled: Archive, tmp_path: Path) -> None:
    folder = export_archive(filled, tmp_path / "bag", with_private_data=True).folder
    exported = whole(folder)
    assert SECRET.encode() in exported
    assert FOLDER_NAME.encode() not in exported
    for record in filled.records(Filter(kind="reading")):
        original = record.of_role("original")[0]
        assert (folder / "data" / "originals" / f"{original.sha256}.jpg").read_bytes() == filled.data(
            original.sha256
        )


def test_import_reproduces_the_archive(filled: Archive, bag: Path, tmp_path: Path) -> None:
    with open_archive(tmp_path / "copy", create=True) as copy:
        assert import_archive(copy, bag) == 5
        assert [record.body for record in copy.records()] == [record.body for record in filled.records()]
        assert copy.head() == filled.head()
        assert copy.entries() == filled.entries()
        result = verify_archive(copy, recompute_readings=False, anchor=filled.head()[1])
        assert result.is_sound
        assert result.notes == 4  # each original has a stand-in
        assert all("a copy without private fields stands in for it" in str(note) for note in result.findings)
        overlay = filled.record(1).of_role("overlay")[0].sha256
        assert copy.data(overlay) == filled.data(overlay)
        assert import_archive(copy, bag) == 0


def test_import_with_private_data_needs_no_stand_in(filled: Archive, tmp_path: Path) -> None:
    folder = export_archive(filled, tmp_path / "bag", with_private_data=True).folder
    with open_archive(tmp_path / "copy", create=True) as copy:
        import_archive(copy, folder)
        assert verify_archive(copy, recompute_readings=False).findings == []


def test_folder_and_server_take_each_others_bags(
    filled: Archive, bag: Path, database_url: str, tmp_path: Path
) -> None:
    with open_archive(database_url, create=True) as server:
        import_archive(server, bag)
        again = export_archive(server, tmp_path / "again").folder
    assert (again / "data" / "records.jsonl").read_bytes() == (bag / "data" / "records.jsonl").read_bytes()
    with open_archive(tmp_path / "folder", create=True) as folder:
        import_archive(folder, again)
        assert folder.head() == filled.head()


def test_later_bag_continues_an_earlier_one(
    filled: Archive, bag: Path, add: Callable[..., Any], tmp_path: Path
) -> None:
    add(filled, 20)
    later = export_archive(filled, tmp_path / "later").folder
    with open_archive(tmp_path / "copy", create=True) as copy:
        import_archive(copy, bag)
        assert import_archive(copy, later) == 1
        assert import_archive(copy, bag) == 0
        assert copy.head() == filled.head()
        assert verify_archive(copy, recompute_readings=False).is_sound


def test_bag_of_another_archive_is_refused(bag: Path, add: Callable[..., Any], tmp_path: Path) -> None:
    with open_archive(tmp_path / "mine", create=True) as mine:
        add(mine, 77)
        before = mine.head()
        with pytest.raises(ArchiveError, match="do not continue the 1 records of this archive"):
            import_archive(mine, bag)
        assert mine.head() == before


def test_what_is_added_meanwhile_stays_out_of_the_bag(
    filled: Archive, add: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stated, write_files = filled.head(), export._write_files

    def meanwhile(archive: Archive, *given: Any) -> dict[str, str]:
        add(archive, 50 + archive.length, experiment="feed", sample="late")
        return write_files(archive, *given)

    monkeypatch.setattr(export, "_write_files", meanwhile)
    made = export_archive(filled, tmp_path / "bag")
    assert (made.records, filled.length) == (5, 10)
    assert "late" not in (made.folder / "data" / "readings.csv").read_text()
    assert len(list((made.folder / "data" / "originals").iterdir())) == 4
    with open_archive(tmp_path / "copy", create=True) as copy:
        assert import_archive(copy, made.folder) == 5
        assert copy.head() == stated


def test_an_import_that_fails_leaves_nothing_behind(
    bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    below = tmp_path / "new"

    def nothing_left(match: str) -> None:
        with pytest.raises(ArchiveError, match=match):
            import_into(below / "deep" / "copy", bag)
        assert not below.exists()

    # Everything is stored, and the disk is full at the last record.
    inserted = []

    def full(*given: Any) -> None:
        inserted.append(given)
        if len(inserted) == 5:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        insert_record(*given)

    monkeypatch.setattr(importing, "insert_record", full)
    nothing_left(r"taking in a bag in the archive .*copy failed: the disk is full")
    monkeypatch.undo()
    with pytest.raises(ArchiveError, match="without the two slashes"):
        import_into("postgresql:lab", bag)
    next((bag / "data" / "originals").iterdir()).write_bytes(b"x")
    nothing_left("the bag is damaged")


def test_a_failed_import_takes_nothing_from_what_was_there(
    bag: Path, add: Callable[..., Any], tmp_path: Path
) -> None:
    with open_archive(tmp_path / "mine", create=True) as mine:
        add(mine, 77)
        before, names = mine.head(), list(mine.contents.names())
    with pytest.raises(ArchiveError, match="do not continue"):
        import_into(tmp_path / "mine", bag)
    (tmp_path / "used").mkdir()
    (tmp_path / "used" / "notes.txt").write_text("mine")
    with pytest.raises(ArchiveError, match="must be new or empty"):
        import_into(tmp_path / "used", bag)
    with open_archive(tmp_path / "mine") as mine:
        assert (mine.head(), list(mine.contents.names())) == (before, names)
        assert verify_archive(mine, recompute_readings=False).is_sound
    assert [path.name for path in (tmp_path / "used").iterdir()] == ["notes.txt"]


def test_an_archive_made_while_importing_is_continued(
    filled: Archive, bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole_way, calls = importing._take_in, []

    def overtaken(*given: Any) -> int:
        if not calls:
            calls.append(given)
            assert import_into(tmp_path / "copy", bag) == (5, 5)
        return whole_way(*given)

    monkeypatch.setattr(importing, "_take_in", overtaken)
    assert import_into(tmp_path / "copy", bag) == (0, 5)
    assert [path.name for path in tmp_path.iterdir() if "copy" in path.name] == ["copy"]
    with open_archive(tmp_path / "copy") as copy:
        assert copy.head() == filled.head()


def test_one_experiment_keeps_the_chain_but_not_the_rest(filled: Archive, tmp_path: Path) -> None:
    made = export_archive(filled, tmp_path / "bag", experiments=["feed"])
    assert made.records == 4
    lines = [json.loads(line) for line in (made.folder / "data" / "records.jsonl").read_text().splitlines()]
    assert [line["body"] is None for line in lines] == [False, False, False, False, True]
    assert len(list((made.folder / "data" / "originals").iterdir())) == 3
    with open_archive(tmp_path / "copy", create=True) as copy:
        import_archive(copy, made.folder)
        result = verify_archive(copy, recompute_readings=False, anchor=filled.head()[1])
        assert result.is_sound
        assert result.withheld == 1
        assert copy.record(5).kind == "withheld"
        assert export_archive(copy, tmp_path / "again").records == 4


def test_corrected_experiment_decides_what_belongs(filled: Archive, tmp_path: Path) -> None:
    add_correction(filled, 5, "belongs here", Labels("Ada", "feed", "s9", "9"))
    add_correction(filled, 1, "does not", Labels("Ada", "other", "s0", "0"))
    made = export_archive(filled, tmp_path / "bag", experiments=["feed"])
    rows = list(csv.DictReader(io.StringIO((made.folder / "data" / "readings.csv").read_text())))
    assert {row["record"] for row in rows if row["kind"] == "reading"} == {"2", "3", "5"}
    assert {row["sample"] for row in rows if row["record"] == "5"} == {"s9"}


def test_unknown_experiment_names_those_there_are(filled: Archive, tmp_path: Path) -> None:
    with pytest.raises(
        InputError, match="there is no experiment 'feeed' in the archive; there are: feed, other"
    ):
        export_archive(filled, tmp_path / "bag", experiments=["feeed"])
    assert list(tmp_path.glob("*bag*")) == []


def test_damaged_bags_are_refused_whole(bag: Path, tmp_path: Path) -> None:
    def refused(change: Callable[[Path], Any], match: str) -> None:
        broken = tmp_path / "broken"
        shutil.rmtree(broken, ignore_errors=True)
        shutil.copytree(bag, broken)
        change(broken)
        with open_archive(tmp_path / "copy", create=True) as copy:
            with pytest.raises(ArchiveError, match=match):
                import_archive(copy, broken)
            assert copy.length == 0
            assert list(copy.contents.names()) == []

    original = next((bag / "data" / "originals").iterdir()).relative_to(bag)
    refused(
        lambda folder: (folder / original).write_bytes(b"x"),
        "the bag is damaged: data/originals/.* was changed",
    )
    refused(lambda folder: (folder / original).unlink(), "is missing")
    refused(lambda folder: (folder / "data" / "more").write_bytes(b"x"), "data/more is not in the manifest")
    refused(lambda folder: (folder / "bagit.txt").unlink(), r"a bag has the files bagit\.txt")
    refused(reorder, r"record 2 of records\.jsonl does not fit the chain")


def reorder(folder: Path) -> None:
    """Swap two records and mend the manifests, as a forger would."""
    import hashlib

    path = folder / "data" / "records.jsonl"
    lines = path.read_text().splitlines()
    lines[1], lines[2] = lines[2], lines[1]
    path.write_text("\n".join(lines) + "\n")
    steps = (
        ("data/records.jsonl", "manifest-sha256.txt"),
        ("manifest-sha256.txt", "tagmanifest-sha256.txt"),
    )
    for listed, manifest in steps:
        new = hashlib.sha256((folder / listed).read_bytes()).hexdigest()
        text = [
            f"{new}  {listed}" if line.endswith(f"  {listed}") else line
            for line in (folder / manifest).read_text().splitlines()
        ]
        (folder / manifest).write_text("\n".join(text) + "\n")


def test_names_cannot_leave_the_bag(bag: Path, tmp_path: Path) -> None:
    manifest = bag / "manifest-sha256.txt"
    manifest.write_text(manifest.read_text() + f"{'0' * 64}  ../outside\n")
    with (
        open_archive(tmp_path / "copy", create=True) as copy,
        pytest.raises(ArchiveError, match="is not a hash and a name"),
    ):
        import_archive(copy, bag)


def test_bag_is_never_half_there(filled: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hueph.archive.export._table", lambda *_: failing())
    with pytest.raises(ArchiveError, match=r"writing the bag .* failed: the disk is full"):
        export_archive(filled, tmp_path / "bag")
    assert [path.name for path in tmp_path.iterdir() if "bag" in path.name] == []


def test_a_bag_that_another_program_finished_first_is_kept(
    filled: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = export._table

    def overtaken(*given: Any) -> Any:
        monkeypatch.setattr(export, "_table", table)
        export_archive(filled, tmp_path / "bag", experiments=["other"])
        return table(*given)

    monkeypatch.setattr(export, "_table", overtaken)
    with pytest.raises(ArchiveError, match="there is something of this name already; name another"):
        export_archive(filled, tmp_path / "bag")
    assert check_bag(tmp_path / "bag")
    lines = (tmp_path / "bag" / "data" / "records.jsonl").read_text().splitlines()
    assert [json.loads(line)["body"] is None for line in lines] == [True] * 4 + [False]
    assert [path.name for path in tmp_path.iterdir() if "bag" in path.name] == ["bag"]


def failing() -> Any:
    """Yield a piece, then report a full disk."""
    import errno

    yield b"first"
    raise OSError(errno.ENOSPC, "No space left on device")


def test_existing_folder_is_left_alone(filled: Archive, tmp_path: Path) -> None:
    (tmp_path / "bag").mkdir()
    with pytest.raises(ArchiveError, match="there is something of this name already"):
        export_archive(filled, tmp_path / "bag")


def test_bag_does_not_go_into_the_archive(filled: Archive) -> None:
    if filled.place.folder is None:
        pytest.skip("a server has no folder")
    with pytest.raises(InputError, match="must lie outside of the archive"):
        export_archive(filled, filled.place.folder / "bag")


def test_damaged_original_is_not_exported(filled: Archive, tmp_path: Path) -> None:
    from test_archive_tamper import change_file, one_bit

    change_file(filled, filled.record(3).of_role("original")[0].sha256, one_bit)
    with pytest.raises(ArchiveError, match=r"photo-2\.jpg of record 3: its stored bytes were changed"):
        export_archive(filled, tmp_path / "bag")


def test_table_cells_are_no_formulas(filled: Archive) -> None:
    line = next(table_rows(filled.record(1), Labels(who="=HYPERLINK(1)"))).decode()
    assert ",'=HYPERLINK(1)," in line


def test_table_holds_every_tube(bag: Path) -> None:
    rows = list(csv.DictReader(io.StringIO((bag / "data" / "readings.csv").read_text())))
    assert [(row["record"], row["tube"]) for row in rows[:4]] == [
        ("1", "1"),
        ("1", "2"),
        ("1", "3"),
        ("1", "4"),
    ]
    assert (rows[0]["ph"], rows[0]["low"], rows[0]["high"]) == ("6.2", "5.9", "6.5")
    assert (rows[2]["ph"], rows[2]["low"], rows[2]["high"], rows[2]["bound"]) == ("", "", "4.3", "below")
    assert rows[3]["flags"] == "off-chart-colour turbid"
    (note,) = [row for row in rows if row["kind"] == "note"]
    assert note["text"] == "stood in the sun"


def test_table_holds_every_pair(filled: Archive) -> None:
    pair = {
        "label": "=citrate", "added": "5 drops", "verdict": "held", "reason": "The buffer held.",
        "delta_ph": -0.2, "range": [-0.7, None], "coverage": 0.95, "delta_e": 2.7, "flags": ["glare"],
    }  # fmt: skip
    colours = {
        "label": "b",
        "verdict": "undecided",
        "colour_verdict": "changed",
        "reason": "x",
        "range": None,
    }
    record = add_comparison(filled, {"pairs": [pair, colours]}, [filled.record(1), filled.record(2)])
    lines = b"".join([table_header(), *table_rows(record, Labels())]).decode()
    one, two = csv.DictReader(io.StringIO(lines))
    assert (one["verdict"], one["difference"], one["difference_low"], one["difference_high"]) == (
        "held",
        "-0.2",
        "-0.7",
        "",
    )
    assert (one["text"], one["flags"]) == ("'=citrate, after 5 drops: The buffer held.", "glare")
    assert (two["verdict"], two["text"], two["record"]) == ("changed", "b: x", str(record.number))


def test_table_holds_what_was_expected(filled: Archive) -> None:
    tube = filled.record(1).payload["tubes"][0] | {
        "expected": {
            "ph": 6.7, "range": [6.6, 6.8], "verdict": "lower", "difference": -0.5, "difference_range": [-0.8, -0.2],
        }
    }  # fmt: skip
    record = replace(filled.record(1), payload=filled.record(1).payload | {"tubes": [tube]})
    (row,) = csv.DictReader(io.StringIO((table_header() + next(table_rows(record, Labels()))).decode()))
    assert [row[name] for name in ("expected_ph", "expected_low", "verdict", "difference", "difference_high")] == [
        "6.7", "6.6", "lower", "-0.5", "-0.2",
    ]  # fmt: skip
