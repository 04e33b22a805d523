"""Archives to test: in a folder, and on a real PostgreSQL server started for the tests."""

from __future__ import annotations

import contextlib
import itertools
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pytest

pytest.importorskip("sqlalchemy")

from PIL import Image
from PIL.PngImagePlugin import PngInfo

from hueph.archive.annotating import add_note
from hueph.archive.keeping import add_reading
from hueph.archive.records import Labels, Record
from hueph.archive.store import Archive, open_archive
from hueph.chart import Chart, load_chart
from hueph.photo import load_photo
from hueph.results import PhotoReadings
from hueph.shipped import find_chart

# Must be found in no export: what a phone writes into its files.
SECRET = "SECRET-4711"


def absent(reason: str) -> NoReturn:
    """Skip a test whose tool is not installed; where all were installed for the tests, fail instead."""
    if os.environ.get("HUEPH_ALL_TOOLS"):
        pytest.fail(f"HUEPH_ALL_TOOLS promises every tool, but {reason}")
    pytest.skip(reason)


def server_folder() -> Path | None:
    """Return where the programs of a PostgreSQL server are, None when there is none."""
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    found = shutil.which("initdb")
    places += [Path(found).resolve().parent] if found else []
    return next((place for place in places if (place / "postgres").exists()), None)


def someone() -> dict[str, Any]:
    """Return how to start a program as somebody who is not root: the server refuses root."""
    if os.geteuid() != 0:
        return {}
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            user = pwd.getpwnam(name)
            return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
    absent("a PostgreSQL server cannot run as root, and there is no other user")


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """Run a PostgreSQL server on a free port of the loopback address; yield its URL without a database."""
    try:
        import psycopg  # noqa: F401
    except ImportError:
        absent("psycopg is not installed")
    programs = server_folder()
    if programs is None:
        absent("no PostgreSQL server is installed (Debian: apt-get install postgresql)")
    as_someone = someone()
    home = Path(tempfile.mkdtemp(prefix="hueph-pg-"))
    if as_someone:
        os.chown(home, as_someone["user"], as_someone["group"])
    initdb = [str(programs / "initdb"), "-D", str(home / "data"), "-U", "hueph", "-A", "trust", "-E", "UTF8"]
    run = subprocess.run(
        [*initdb, "--locale=C", "--no-sync"], capture_output=True, text=True, cwd=home, **as_someone
    )
    assert run.returncode == 0, run.stderr
    server: subprocess.Popen[bytes] | None = None
    try:
        for _ in range(5):
            port, server = start_server(programs, home, as_someone)
            if wait_for(port, server):
                break
            # It ended at once: another program was given the port in between.
        else:
            pytest.fail((home / "log").read_text(errors="replace"))
        yield f"postgresql://hueph@127.0.0.1:{port}"
        # At once, also when a test that failed left a connection open; what it holds is thrown away.
        server.send_signal(signal.SIGQUIT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            server.wait(timeout=60)
    finally:
        if server is not None and server.poll() is None:
            server.kill()
            server.wait()
        shutil.rmtree(home, ignore_errors=True)


def start_server(
    programs: Path, home: Path, as_someone: dict[str, Any]
) -> tuple[int, subprocess.Popen[bytes]]:
    """Start a server on a port that is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    options = {"listen_addresses": "127.0.0.1", "port": port, "unix_socket_directories": home, "fsync": "off"}
    command = [str(programs / "postgres"), "-D", str(home / "data")]
    command += [word for name, value in options.items() for word in ("-c", f"{name}={value}")]
    with open(home / "log", "wb") as log:
        return port, subprocess.Popen(command, stdout=log, stderr=log, cwd=home, **as_someone)


def wait_for(port: int, server: subprocess.Popen[bytes]) -> bool:
    """Wait until the server takes connections; False when it has ended."""
    import psycopg

    for _ in range(1200):
        if server.poll() is not None:
            return False
        with contextlib.suppress(psycopg.OperationalError):
            psycopg.connect(f"postgresql://hueph@127.0.0.1:{port}/postgres").close()
            return True
        time.sleep(0.1)
    server.kill()
    raise AssertionError("the server did not start")


_names = itertools.count()


@pytest.fixture
def database_url(postgres: str) -> Iterator[str]:
    """A new, empty database."""
    import psycopg

    name = f"archive{next(_names)}"
    with psycopg.connect(f"{postgres}/postgres", autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}".encode())
    yield f"{postgres}/{name}"
    # Removed while its files are in memory only: all of them in the end would take the better part of a minute.
    with psycopg.connect(f"{postgres}/postgres", autocommit=True) as connection:
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)".encode())


@pytest.fixture(autouse=True)
def quick_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Do not wait for the disk: a killed program loses nothing by it, only a power cut would."""
    monkeypatch.setattr("hueph.archive.originals.os.fsync", lambda handle: None)
    monkeypatch.setattr("hueph.archive.connect.SYNCHRONOUS", "OFF")


@pytest.fixture(params=["folder", "postgres"])
def target(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new archive may be made."""
    if request.param == "postgres":
        return str(request.getfixturevalue("database_url"))
    return str(tmp_path / "archive")


@pytest.fixture
def archive(target: str) -> Iterator[Archive]:
    """A new archive."""
    with open_archive(target, create=True) as opened:
        yield opened


@pytest.fixture(scope="session")
def chart() -> Chart:
    return load_chart(find_chart("sample-universal-strip"))


def private_picture(path: Path, seed: int = 0, size: tuple[int, int] = (640, 480)) -> Path:
    """Write a picture with everything private that a phone may write into it."""
    rng = np.random.default_rng(seed)
    small = rng.integers(40, 220, (12, 16, 3), dtype=np.uint8)
    picture = Image.fromarray(small).resize(size)
    exif = Image.Exif()
    exif[0x010E], exif[0x0110], exif[0x0112], exif[0x013B] = SECRET, "Phone 12", 1, SECRET
    details = exif.get_ifd(0x8769)
    details[0x9003], details[0xA431], details[0xA430] = "2026:03:01 10:00:00", SECRET, SECRET
    details[0x927C] = SECRET.encode() * 4
    position = exif.get_ifd(0x8825)
    position[1], position[2], position[3], position[4] = "N", (48.0, 12.0, 34.5), "E", (11.0, 34.0, 56.7)
    position[29] = SECRET
    kind = path.suffix.lower()
    options: dict[str, Any] = {"exif": exif}
    if kind == ".png":
        options["pnginfo"] = PngInfo()
        options["pnginfo"].add_text("Comment", SECRET)
    elif kind == ".jpg":
        options |= {"comment": SECRET.encode(), "quality": 90}
    if kind in (".jpg", ".webp", ".heic"):
        options["xmp"] = f"<x:xmpmeta>{SECRET}</x:xmpmeta>".encode()
    if kind == ".heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
    picture.save(
        path, {".heic": "HEIF", ".jpg": "JPEG", ".tif": "TIFF"}.get(kind, kind[1:].upper()), **options
    )
    if kind == ".jpg":
        with open(path, "ab") as stream:
            stream.write(SECRET.encode())
    return path


Adder = Callable[..., Record]


@pytest.fixture
def add(tmp_path: Path, chart: Chart, make_readings: Callable[..., PhotoReadings]) -> Adder:
    """Add a photograph with readings made by hand."""

    def one(opened: Archive, seed: int = 0, suffix: str = ".jpg", **labels: str) -> Record:
        folder = tmp_path / "home" / "someone"
        folder.mkdir(parents=True, exist_ok=True)
        path = private_picture(folder / f"photo-{seed}{suffix}", seed)
        photo = load_photo(path)
        readings = replace(
            make_readings(photo.file),
            sha256=photo.sha256,
            strip_message=f"the strip of {photo.file} was outlined",
        )
        return add_reading(opened, photo, readings, chart, labels=Labels(**labels))

    return one


@pytest.fixture
def filled(archive: Archive, add: Adder) -> Archive:
    """An archive of five records: readings 1, 2, 3 and 5, a note 4."""
    for number in range(3):
        add(archive, number, who="Ada", experiment="feed", sample=f"s{number}", step=str(number))
    add_note(archive, 2, "stood in the sun", who="Ben")
    add(archive, 9, experiment="other")
    return archive
