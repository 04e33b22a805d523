"""What evidence costs: adding a 12-megapixel photograph, listing many records, verifying, being killed.

    python tests/benchmarks/bench_archive.py [--records 100000] [--kills 500] [--rounds 7] [--url URL] [--write]

With --url postgresql://user@host/database (empty), listing, verifying and kills run there instead of in
a folder. Prints the environment, each figure beside its target, and how it grows. Other programs share
the machine, so times are the best of the rounds, adding is also stated as a share of reading, and
listing in a folder, which happens in this process alone, as time of the processor. --write puts the
figures into DEVELOPERS.md, and keeps those of parts that did not run.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from bench_read import made_photos
from measure import print_environment
from PIL import Image

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / name) for name in ("archive", "accuracy", "")]

from archive_killing import kill_while_adding  # noqa: E402  (it lies beside the tests)
from tables import markdown, put_between  # noqa: E402

from hueph.archive.filters import Filter  # noqa: E402
from hueph.archive.keeping import add_reading  # noqa: E402
from hueph.archive.records import Draft, Labels  # noqa: E402
from hueph.archive.store import Archive, open_archive  # noqa: E402
from hueph.chart import load_chart  # noqa: E402
from hueph.interval import Interval  # noqa: E402
from hueph.photo import load_photo  # noqa: E402
from hueph.reading import read_photo  # noqa: E402
from hueph.results import PatchReading, PhotoReadings, Reading  # noqa: E402
from hueph.shipped import find_chart  # noqa: E402

# Targets: adding as a share of reading, listing in seconds, growth of memory in megabytes.
ADD_SHARE, LIST_SECONDS, VERIFY_GROWTH_MB = 0.30, 0.5, 60.0
BATCH = 2000
EXPERIMENTS = 200
PHOTOGRAPHS = (5, 25)
SAMPLE = ROOT / "samples" / "five-tubes.jpg"
HEAD = ("what", "measured", "target")
MARKER = "archive-figures"
Row = tuple[str, str, str]
# What a row is about, by place.
PLACES = {False: "SQLite", True: "PostgreSQL"}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--records", type=int, default=100_000)
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--url", default="", help="an empty PostgreSQL database")
    parser.add_argument("--only", choices=["add", "read", "list", "kill"], help="one part")
    parser.add_argument("--write", action="store_true", help="put the figures into DEVELOPERS.md")
    parser.add_argument("--verify", metavar="ARCHIVE", help=argparse.SUPPRESS)
    parser.add_argument("--read-again", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.verify:
        verify_and_tell(options.verify, read_again=options.read_again)
        return
    print_environment()
    rows: list[Row] = []
    place = PLACES[bool(options.url)]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        if options.only in (None, "add"):
            rows += adding(folder, options.rounds)
        if options.only in (None, "read"):
            rows += reading_again(folder)
        if options.only in (None, "list"):
            rows += listing(options.url or str(folder / "many"), options.records, options.rounds, place)
        if options.only in (None, "kill"):
            rows += killing(options.url or str(folder / "killed"), folder, options.kills, place)
    if options.write:
        write_rows(ROOT / "DEVELOPERS.md", rows)


def write_rows(document: Path, rows: list[Row]) -> None:
    """Put rows into the table of a document; older rows about other things stay."""
    text = document.read_text(encoding="utf-8")
    old = text.partition(f"<!-- {MARKER}: begin -->")[2].partition(f"<!-- {MARKER}: end -->")[0]
    kept: dict[str, Row] = {}
    for line in old.splitlines()[3:]:
        what, measured, target = (cell.strip() for cell in line.strip("|").split("|"))
        kept[what] = (what, measured, target)
    kept |= {row[0]: row for row in rows}
    put_between(document, MARKER, markdown(HEAD, sorted(kept.values())))


def adding(folder: Path, rounds: int) -> list[Row]:
    """Time reading, and reading with recording, in turn, on files that differ in their last byte."""
    chart = load_chart(find_chart("sample-universal-strip"))
    name, photo = next(item for item in made_photos(folder).items() if "phone" in item[0])
    data = photo.read_bytes()
    print(f"photograph: 12 megapixels, {name}")
    reads, adds, waits = [], [], []
    with open_archive(folder / "adding", create=True) as archive:
        for number in range(rounds + 1):
            path = folder / f"{number}.jpg"
            path.write_bytes(data + bytes((number,)))
            start = time.perf_counter()
            loaded = load_photo(path)
            readings = read_photo(loaded, chart)
            read = time.perf_counter() - start
            add = seconds(lambda: add_reading(archive, loaded, readings, chart))  # noqa: B023
            if number:  # the first warms up
                reads.append(read)
                adds.append(add)
                waits.append(written_through(folder, data))
            path.unlink()
    read, add, wait = (min(times) for times in (reads, adds, waits))
    print(f"load and read        {read:.3f} s   ({spread(reads)})")
    verdict(
        f"record               {add:.3f} s   ({spread(adds)})  {add / read:.0%} of reading",
        add / read,
        ADD_SHARE,
        "",
    )
    print(f"  of which a bare write and fsync of the original takes {wait:.3f} s ({spread(waits)})")
    measured = f"{add:.2f} s, {add / read:.0%} of the {read:.2f} s of reading"
    return [
        ("1 recording a 12-megapixel photograph", measured, f"at most {ADD_SHARE:.0%}"),
        ("1 of that, bare write and fsync of the original", f"{wait:.3f} s", ""),
    ]


def reading_again(folder: Path) -> list[Row]:
    """See whether memory grows with the number of photographs that verify reads again."""
    data, chart = SAMPLE.read_bytes(), load_chart(find_chart("sample-universal-strip"))
    rows: list[Row] = []
    with open_archive(folder / "again", create=True) as archive:
        for count in PHOTOGRAPHS:
            for number in range(archive.length, count):
                path = folder / f"again-{number}.jpg"
                path.write_bytes(data + f"{number}".encode())
                loaded = load_photo(path)
                add_reading(archive, loaded, read_photo(loaded, chart), chart)
                path.unlink()
            told = memory_to_verify(str(folder / "again"), "--read-again")
            rows.append((f"1 verify, {count} photographs read again", told.partition(": ")[2], "flat memory"))
    return rows


def written_through(folder: Path, data: bytes) -> float:
    """Return how long the disk takes to keep the bytes for good, the least an addition can cost."""
    import os

    start = time.perf_counter()
    with open(folder / "bare", "wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    return time.perf_counter() - start


def drafts(count: int) -> Iterator[Draft]:
    """Make records as large as those of real photographs, each with other labels."""
    density = [round(float(value), 3) for value in np.exp(-0.5 * np.linspace(-4, 4, 120) ** 2)]
    box = [[100.1, 200.2], [160.1, 200.2], [160.1, 400.2], [100.1, 400.2]]
    tubes = [
        {
            "tube": tube, "liquid": box, "core": box, "ph": 6.213, "ph_std": 0.15, "range": [5.91, 6.49],
            "coverage": 0.95, "bound": None, "flags": ["glare"], "lab": [61.2, 3.1, 44.0], "delta_e": 1.1,
            "posterior": {"low": 5.6, "step": 0.01, "density": density}, "budget": {},
        }
        for tube in range(1, 6)
    ]  # fmt: skip
    strip = {
        "found": True,
        "patches": [{"ph": 4.0 + n / 2, "corners": box} for n in range(13)],
        "message": "",
    }
    for number in range(count):
        payload = {"photo": {"file": f"{number}.jpg"}, "chart": {"name": "universal strip", "sha256": ""},
                   "strip": strip, "tubes": tubes, "flags": [], "options": {"coverage": 0.95}}  # fmt: skip
        labels = Labels(
            f"person {number % 7}", f"experiment {number % EXPERIMENTS}", f"s{number}", str(number % 9)
        )
        yield Draft("reading", payload, labels, summary=f"{number}.jpg, 5 tubes: pH 6.2, 6.2, 6.2, 6.2, 6.2")


def listing(target: str, count: int, rounds: int, place: str) -> list[Row]:
    """Fill an archive in two steps; time listings; see how time, size and memory grow."""
    memory: list[float] = []
    rows: list[Row] = []
    with open_archive(target, create=True) as archive:
        waiting = drafts(count)
        # An archive that an earlier run filled is measured as it is.
        for part in (count // 10, count - count // 10) if archive.length < count else (0,):
            start = time.perf_counter()
            for done in range(0, part, BATCH):
                archive.add_all([next(waiting) for _ in range(min(BATCH, part - done))])
            took = time.perf_counter() - start
            length = archive.length
            size = size_of(archive, length)
            each = f"{1e3 * took / part:.1f} ms each" if part else "filled before"
            print(f"{length} records: {each} in batches{size}")
            listed = time_listings(archive, rounds)
            told = memory_to_verify(target)
            memory.append(float(told.split()[-2]))
            what = f"2 {place}, {length} records"
            if part:
                rows.append((f"{what}: adding in batches", f"{each}{size}", ""))
            several = max(best for name, best in listed if name != "everything")
            unit = "s" if archive.place.folder is None else "s of the processor"
            rows.append(
                (f"{what}: listing a page or by a filter", f"{several:.3f} {unit}", f"{LIST_SECONDS} s")
            )
            rows.append((f"{what}: listing everything", f"{listed[-1][1]:.3f} {unit}", f"{LIST_SECONDS} s"))
            rows.append((f"{what}: verify --quick", told.partition(": ")[2], "flat memory"))
    growth = memory[-1] - memory[0]
    verdict(
        f"peak memory of verify {memory[0]:.0f} MB, then {memory[-1]:.0f} MB",
        growth,
        VERIFY_GROWTH_MB,
        "MB more",
    )
    return rows


def time_listings(archive: Archive, rounds: int) -> list[tuple[str, float]]:
    """Time what the command does: a page, filters, everything; return the best time of each."""
    cases: list[tuple[str, Callable[[], Any]]] = [
        ("newest 100", lambda: archive.entries(limit=100)),
        ("one experiment", lambda: archive.entries(Filter(experiment="experiment 7"))),
        ("one sample", lambda: archive.entries(Filter(sample="s77"))),
        (
            "one person and step, newest 100",
            lambda: archive.entries(Filter(who="person 3", step="4"), limit=100),
        ),
        ("counting one person", lambda: archive.count(Filter(who="person 3"))),
        ("everything", archive.entries),
    ]
    best = []
    clock = time.perf_counter if archive.place.folder is None else time.process_time
    for name, action in cases:
        found = action()
        times = [timed(action, clock) for _ in range(rounds)]
        number = found if isinstance(found, int) else len(found)
        fastest = min(times)
        verdict(f"  list {name} ({number}): {fastest:.3f} s ({spread(times)})", fastest, LIST_SECONDS, "s")
        best.append((name, fastest))
    return best


def seconds(action: Callable[[], Any]) -> float:
    """Return how long an action takes."""
    return timed(action, time.perf_counter)


def spread(times: list[float]) -> str:
    """Return the shortest and the longest time."""
    return f"{min(times):.3f} to {max(times):.3f}"


def verdict(text: str, value: float, limit: float, unit: str) -> None:
    """Print a figure beside its target."""
    print(f"{text}   target {limit:g} {unit}: {'met' if value <= limit else 'MISSED'}")


def timed(action: Callable[[], Any], clock: Callable[[], float]) -> float:
    """Return how long an action takes by a clock."""
    start = clock()
    action()
    return clock() - start


def size_of(archive: Archive, length: int) -> str:
    """Return the size of the database, where it is a file."""
    if archive.place.folder is None:
        return ""
    size = sum(path.stat().st_size for path in archive.place.folder.rglob("*") if path.is_file())
    return f", {size / 1e6:.0f} MB, {size / length / 1e3:.1f} kB a record without files"


def memory_to_verify(target: str, *more: str) -> str:
    """Verify in a process of its own and return what it tells, ending in its peak memory in megabytes."""
    command = [sys.executable, __file__, "--verify", target, *more]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    print(f"  {done.stdout.strip()}")
    return done.stdout.strip()


def verify_and_tell(target: str, *, read_again: bool) -> None:
    """Verify and print time and peak memory (in the process started for it)."""
    from hueph.archive.verify import verify_archive

    with open_archive(target) as archive:
        start = time.perf_counter()
        result = verify_archive(archive, recompute_readings=read_again)
        took = time.perf_counter() - start
    peak = own_peak_mb()
    word = "sound" if result.is_sound else "DAMAGED"
    print(
        f"verify{'' if read_again else ', quick'}: {word}, {result.records} records in {took:.1f} s, peak {peak:.0f} MB"
    )


def own_peak_mb() -> float:
    """Return this process's peak memory; Linux's ru_maxrss would also count the process that started it."""
    status = Path("/proc/self/status")
    if status.exists():
        (line,) = [line for line in status.read_text().splitlines() if line.startswith("VmHWM:")]
        return float(line.split()[1]) / 1e3
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


def killing(target: str, folder: Path, kills: int, place: str) -> list[Row]:
    """Kill an adding program again and again."""
    photographs = folder / "photographs"
    photographs.mkdir()
    picture = photographs / "small.jpg"
    pixels = np.random.default_rng(0).integers(40, 220, (12, 16, 3), dtype=np.uint8)
    Image.fromarray(pixels).resize((640, 480)).save(picture, quality=90)
    chart = load_chart(find_chart("sample-universal-strip"))
    start = time.perf_counter()
    outcome = kill_while_adding(
        target, picture.read_bytes(), chart, hand_made_readings, photographs, kills=kills, seed=7
    )
    took = time.perf_counter() - start
    print(
        f"{outcome.kills} kills in {took:.0f} s: {outcome.acknowledged} records acknowledged, {outcome.records} there, "
        f"{outcome.unnamed_files} files without a record; verify {'sound' if outcome.is_sound else 'DAMAGED'}"
    )
    verdict(f"lost {outcome.lost}, half {outcome.halves}", outcome.lost + outcome.halves, 0, "")
    word = "sound" if outcome.is_sound else "DAMAGED"
    measured = (
        f"{outcome.acknowledged} acknowledged, {outcome.records} there: {outcome.lost} lost, "
        f"{outcome.halves} half, verify {word}"
    )
    return [(f"3 {place}: {outcome.kills} kills during additions", measured, "0 lost, 0 half")]


def hand_made_readings(file: str) -> PhotoReadings:
    """Return readings that need no measuring."""
    grid = np.linspace(4.0, 10.0, 601)
    box = ((100.0, 200.0), (160.0, 200.0), (160.0, 400.0), (100.0, 400.0))
    reading = Reading(
        tube=1, liquid=box, core=box, ph=6.2, ph_std=0.15, interval=Interval(5.9, 6.5, 0.95), bound=None,
        flags=(), lab=(61.2, 3.1, 44.0), delta_e=1.1, grid=grid,
        posterior=np.exp(-0.5 * ((grid - 6.2) / 0.15) ** 2),
    )  # fmt: skip
    patches = tuple(PatchReading(ph, box) for ph in (4.0, 7.0, 10.0))
    readings = PhotoReadings(file, "", 640, 480, "universal strip", "", patches=patches, residual_delta_e=1.0)
    return replace(readings, tubes=(reading,), options={"coverage": 0.95}, version="0")


if __name__ == "__main__":
    main()
