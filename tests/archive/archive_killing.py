"""Kill programs at random instants while they add records, and count what is lost (test and benchmark)."""

from __future__ import annotations

import contextlib
import os
import random
import select
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from hueph.archive.keeping import add_reading
from hueph.archive.records import Labels
from hueph.archive.store import Archive, open_archive
from hueph.archive.verify import verify_archive
from hueph.chart import Chart
from hueph.photo import load_photo
from hueph.results import PhotoReadings

# A program is left alive until it has told of so many additions, and then for up to this share of the time
# that another one takes: kills fall into every part of an addition, however slow the machine.
MOST_TOLD, LONGEST_SHARE = 2, 1.2


@dataclass(slots=True)
class Killing:
    """What came of it."""

    kills: int = 0
    acknowledged: int = 0
    records: int = 0
    lost: int = 0
    halves: int = 0
    unnamed_files: int = 0
    is_sound: bool = True


def kill_while_adding(
    target: str,
    picture: bytes,
    chart: Chart,
    make_readings: Callable[[str], PhotoReadings],
    folder: Path,
    *,
    kills: int,
    seed: int = 1,
) -> Killing:
    """Fork, let the child add photographs, kill it, look; again and again; then verify all.

    Parameters
    ----------
    target : str
        Archive, made when missing.
    picture : bytes
        JPEG; every photograph is this one with other bytes after it.
    chart, make_readings
        For the readings.
    folder : path
        For the photographs.
    kills : int
    seed : int

    Returns
    -------
    Killing
        `lost`: records that were acknowledged and are not there. `halves`: records that verify finds
        damaged or whose files are missing.
    """
    rng, outcome = random.Random(seed), Killing()
    with open_archive(target, create=True):
        pass
    known: dict[int, str] = {}
    addition = 0.0
    for number in range(kills):
        reader, writer = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reader)
            _add_until_killed(target, picture, chart, make_readings, folder, number, writer)
        os.close(writer)
        addition, told = _watch(child, reader, rng, addition)
        os.close(reader)
        outcome.kills += 1
        for line in told:
            place, link = line.split()
            known[int(place)] = link
    with open_archive(target) as archive:
        _look(archive, known, outcome)
    return outcome


def _watch(child: int, reader: int, rng: random.Random, addition: float) -> tuple[float, list[str]]:
    """Kill a child some time after it is ready; return how long additions take, seconds, and what it told."""
    _read_line(reader)  # ready
    start, told = time.perf_counter(), []
    for _ in range(rng.randint(0, MOST_TOLD)):
        told.append(_read_line(reader))
    if told:
        addition = (time.perf_counter() - start) / len(told)
    time.sleep(rng.uniform(0.0, LONGEST_SHARE * addition))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    while line := _read_line(reader):
        told.append(line)
    return addition, told


def _read_line(reader: int) -> str:
    """Return a whole line from a pipe, "" at its end; a line cut short by the kill does not count."""
    line = b""
    while True:
        select.select([reader], [], [])
        byte = os.read(reader, 1)
        if not byte:
            return ""
        if byte == b"\n":
            return line.decode() or " "
        line += byte


def _add_until_killed(
    target: str,
    picture: bytes,
    chart: Chart,
    make_readings: Callable[[str], PhotoReadings],
    folder: Path,
    number: int,
    writer: int,
) -> None:
    """Add photographs for ever, telling each record once it is committed."""
    with contextlib.suppress(BaseException):
        archive = open_archive(target)
        os.write(writer, b"ready\n")
        for count in range(10**6):
            path = folder / f"{number}-{count}.jpg"
            path.write_bytes(picture + f"{number} {count}".encode())
            photo = load_photo(path)
            readings = replace(make_readings(photo.file), sha256=photo.sha256)
            record = add_reading(archive, photo, readings, chart, labels=Labels(step=f"{number}-{count}"))
            os.write(writer, f"{record.number} {record.hash}\n".encode())
            path.unlink()
    os._exit(1)


def _look(archive: Archive, known: dict[int, str], outcome: Killing) -> None:
    """Compare what was told with what is there, and verify."""
    there: dict[int, Any] = {entry.number: entry.hash for entry in archive.entries()}
    outcome.acknowledged = len(known)
    outcome.records = len(there)
    outcome.lost = sum(there.get(number) != link for number, link in known.items())
    result = verify_archive(archive, recompute_readings=False)
    outcome.is_sound = result.is_sound
    outcome.halves = result.damages
    outcome.unnamed_files = sum("named by no record" in finding.text for finding in result.findings)
