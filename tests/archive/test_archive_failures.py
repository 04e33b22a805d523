"""Killed, out of space, not allowed, all at once: nothing earlier is lost, nothing is half there."""

from __future__ import annotations

import errno
import os
import pickle
import sqlite3
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from archive_killing import kill_while_adding
from conftest import private_picture
from sqlalchemy import event

from hueph.archive.keeping import Keeper
from hueph.archive.records import Draft, Labels
from hueph.archive.store import Archive, open_archive
from hueph.archive.verify import verify_archive
from hueph.chart import Chart
from hueph.errors import ArchiveError

ROOT = Path(__file__).resolve().parents[2]
FULL = "the disk is full; nothing was added and what was there is untouched; free some space and repeat"


@pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")
def test_killed_at_random_instants(target: str, tmp_path: Path, chart: Chart, make_readings: Any) -> None:
    """Twenty kills here; tests/benchmarks/bench_archive.py does five hundred."""
    folder = tmp_path / "photographs"
    folder.mkdir()
    picture = private_picture(folder / "a.jpg", size=(320, 240)).read_bytes()
    outcome = kill_while_adding(target, picture, chart, make_readings, folder, kills=20)
    assert outcome.kills == 20
    # Kills fell before and after additions were complete.
    assert outcome.records >= outcome.acknowledged >= 10
    assert (outcome.lost, outcome.halves, outcome.is_sound) == (0, 0, True)


WRITER = """
import sys
from hueph.archive.records import Draft
from hueph.archive.store import open_archive
with open_archive(sys.argv[1], create=True) as archive:
    for number in range(15):
        data = f"{sys.argv[2]} {number}".encode()
        content = archive.store(data, role="original", name="x", media_type="text/plain")
        archive.add(Draft("note", {"who": sys.argv[2], "number": number}, contents=(content,)))
"""


def test_two_writers_at_once(target: str) -> None:
    """Both also try to make the archive."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, target, who], env=environment, stderr=subprocess.PIPE)
        for who in ("a", "b")
    ]
    for writer in writers:
        assert writer.communicate(timeout=120)[1] == b""
        assert writer.returncode == 0
    with open_archive(target) as archive:
        said = [(record.payload["who"], record.payload["number"]) for record in archive.records()]
        assert verify_archive(archive).findings == []
    assert sorted(said) == [(who, number) for who in "ab" for number in range(15)]
    for who in "ab":
        assert [number for name, number in said if name == who] == list(range(15))


def test_waits_for_another_that_makes_the_same_archive(tmp_path: Path) -> None:
    """SQLite refuses a second change of the journal's mode at once, whatever the busy timeout."""
    folder = tmp_path / "archive"
    folder.mkdir()
    other = sqlite3.connect(folder / "archive.sqlite", isolation_level=None, check_same_thread=False)
    other.execute("CREATE TABLE first (a)")
    other.execute("BEGIN IMMEDIATE")
    timer = threading.Timer(0.3, other.rollback)
    timer.start()
    try:
        with open_archive(folder, create=True) as archive:
            assert archive.length == 0
    finally:
        timer.join()
        other.close()


def test_what_is_added_meanwhile_is_no_damage(
    filled: Archive, add: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reading, its files and links appear while an archive is checked, a page of two records at a time."""
    monkeypatch.setattr("hueph.archive.store._PAGE", 2)
    steps = []

    def meanwhile() -> None:
        if len(steps) < 5:
            steps.append(add(filled, 40 + len(steps), experiment="feed"))

    result = verify_archive(filled, recompute_readings=False, step=meanwhile)
    assert (len(steps), result.records, result.findings) == (5, 5, [])
    assert verify_archive(filled, recompute_readings=False).records == 10


def test_full_disk_while_writing_a_file(
    filled: Archive, add: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    if filled.place.folder is None:
        pytest.skip("a server keeps no files")

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("hueph.archive.originals.os.fsync", full)
    with pytest.raises(
        ArchiveError, match=rf"keeping the file photo-30\.jpg in the archive .* failed: {FULL}"
    ):
        add(filled, 30)
    monkeypatch.undo()
    assert filled.length == 5
    assert not list(filled.place.folder.rglob(".part*"))
    assert verify_archive(filled, recompute_readings=False).findings == []


def test_full_disk_while_committing(tmp_path: Path) -> None:
    """SQLite's own limit of pages stands for the end of the disk."""
    with open_archive(tmp_path / "a", create=True) as archive:
        archive.add(Draft("note", {"text": "first"}))

        @event.listens_for(archive.place.engine, "begin")
        def limit(connection: Any) -> None:
            connection.exec_driver_sql("PRAGMA max_page_count = 1")  # clamped to what there is

        with pytest.raises(ArchiveError, match=FULL):
            archive.add(Draft("note", {"text": "x" * 100_000}))
    with open_archive(tmp_path / "a") as archive:
        assert [record.payload for record in archive.records()] == [{"text": "first"}]
        assert verify_archive(archive).findings == []


@pytest.fixture
def small_disk() -> Iterator[Path]:
    """A file system of two megabytes."""
    folder = Path(tempfile.mkdtemp(prefix="hueph-small-"))
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)]
    try:
        done = subprocess.run(mount, capture_output=True).returncode == 0
    except FileNotFoundError:
        done = False
    if not done:
        folder.rmdir()
        pytest.skip("a small file system may not be mounted here")
    yield folder
    # Lazily: something on the machine may just be looking into it.
    subprocess.run(["umount", "--lazy", str(folder)], check=True)
    folder.rmdir()


def test_disk_that_is_really_full(small_disk: Path, add: Callable[..., Any]) -> None:
    """Add until nothing fits any more: what was added stays, the rest is refused with one sentence."""
    with open_archive(small_disk / "a", create=True) as archive:
        added, refused = 0, ""
        for number in range(100):
            try:
                add(archive, number)
            except ArchiveError as error:
                refused = str(error)
                break
            added += 1
        assert added > 2
        assert FULL in refused
    with open_archive(small_disk / "a") as archive:
        assert archive.length == added
        result = verify_archive(archive, recompute_readings=False)
        assert result.is_sound


def test_read_only_folder(tmp_path: Path, chart: Chart) -> None:
    """Reading works, writing is refused with one sentence; root may write anywhere, so be nobody."""
    with tempfile.TemporaryDirectory(prefix="hueph-ro-") as outside:
        folder = Path(outside) / "archive"
        with open_archive(folder, create=True) as archive:
            archive.add(Draft("note", {"text": "there"}))
            assert verify_archive(archive).is_sound
        os.chmod(outside, 0o755)
        for path in [folder, *folder.rglob("*")]:
            os.chmod(path, 0o555 if path.is_dir() else 0o444)
        root = os.geteuid() == 0
        if root:
            os.seteuid(65534)
        try:
            with open_archive(folder) as archive:
                assert archive.record(1).payload == {"text": "there"}
                assert verify_archive(archive).is_sound
                with pytest.raises(ArchiveError, match="it may not be written; nothing was added"):
                    archive.add(Draft("note", {"text": "more"}))
            with pytest.raises(ArchiveError, match="may not be written"):
                open_archive(Path(outside) / "new", create=True)
        finally:
            if root:
                os.seteuid(0)
            for path in [folder, *folder.rglob("*")]:
                os.chmod(path, 0o755)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs two users")
def test_a_reader_waits_while_a_writer_closes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who may only read cannot make the files that SQLite shares; the last writer removes its own one by one."""
    monkeypatch.setattr("hueph.archive.connect.SETTLING_S", 60)
    with tempfile.TemporaryDirectory(prefix="hueph-ro-") as outside:
        folder = Path(outside) / "archive"
        with open_archive(folder, create=True) as archive:
            archive.add(Draft("note", {"text": "there"}))
        log = folder / "archive.sqlite-wal"
        log.write_bytes(b"left for a moment" * 10)
        for path in (Path(outside), folder, log):
            os.chmod(path, 0o755)
        closing = f"import os, time; time.sleep(0.3); os.unlink({str(log)!r})"
        with subprocess.Popen([sys.executable, "-c", closing]) as writer:
            os.seteuid(65534)
            try:
                with open_archive(folder) as archive:
                    assert archive.record(1).payload == {"text": "there"}
            finally:
                os.seteuid(0)
        assert writer.returncode == 0
        assert not log.exists()


def test_stale_part_files_are_swept(tmp_path: Path) -> None:
    with open_archive(tmp_path / "a", create=True) as archive:
        archive.contents.put(b"x")
    old, new = (tmp_path / "a" / "contents" / f".part-{name}" for name in ("old", "new"))
    old.write_bytes(b"half")
    new.write_bytes(b"half")
    os.utime(old, (0, 0))
    with open_archive(tmp_path / "a") as archive:
        assert verify_archive(archive).is_sound
    assert not old.exists()
    assert new.exists()


def test_keeper_travels_to_worker_processes() -> None:
    keeper = Keeper("somewhere", Labels("Ada"), 3)
    assert pickle.loads(pickle.dumps(keeper)) == keeper
