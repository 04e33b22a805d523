"""Photographs per second with one and two workers and on a cluster, and memory from 10 photographs on.

    python tests/benchmarks/bench_many.py [--photos 40] [--counts 10 50 200] [--write]
    python tests/benchmarks/bench_many.py --only memory --counts 10 100 1000 10000 --write      (ten minutes)

The sample photographs stand for many. The rates are those of the whole call, workers started and all;
for the memory, small copies of a sample are read by the command, `hueph read FOLDER --json`. --write puts
the tables into DEVELOPERS.md.
"""

from __future__ import annotations

import os

# As the command does, before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import itertools
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

from measure import (
    DEVELOPERS,
    ROOT,
    SAMPLE_CHART,
    command_peak_mb,
    enlarged_sample,
    environment,
    hueph_command,
    print_environment,
    verdict,
)
from PIL import Image

from hueph.batch import read_photos
from hueph.chart import Chart, load_chart
from hueph.shipped import find_chart

sys.path.append(str(Path(__file__).resolve().parents[1] / "accuracy"))
import tables

# Memory may grow by this much from the smallest number of photographs to the largest, megabytes.
FLAT_MB = 20.0
SMALL = (640, 480)

Row = tuple[str, str, str, str]


def main() -> None:
    """Measure and print."""
    options = parse()
    print_environment()
    chart = load_chart(find_chart(SAMPLE_CHART))
    if options.only != "memory":
        show("benchmarks-many", rates(chart, options.photos), write=options.write)
    if options.only != "rates":
        show("benchmarks-memory", memory(options.counts), write=options.write)


def show(marker: str, rows: list[Row], *, write: bool) -> None:
    """Print a table, and put it between its markers in DEVELOPERS.md when asked to."""
    text = f"{tables.markdown(('what', 'measured', 'target', ''), rows)}\n\nOn {environment()}."
    print(f"\n{text}", flush=True)
    if write:
        tables.put_between(DEVELOPERS, marker, text)


def parse() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--photos", type=int, default=40, help="for the rates")
    parser.add_argument("--counts", type=int, nargs="+", default=[10, 50, 200], help="for the memory")
    parser.add_argument("--only", choices=("rates", "memory"), help="one half of it")
    parser.add_argument("--write", action="store_true", help="put the tables into DEVELOPERS.md")
    return parser.parse_args()


def rates(chart: Chart, count: int) -> list[Row]:
    """Read the samples again and again with 1 and 2 workers and on a local cluster of 2."""
    samples = sorted(str(path) for path in (ROOT / "samples").glob("*.jpg"))
    names = list(itertools.islice(itertools.cycle(samples), count))
    one = rate(names, chart, jobs=1)
    two = rate(names, chart, jobs=2)
    rows: list[Row] = [
        (f"{count} photographs, 1 worker", f"{one:.1f} a second", "-", ""),
        (f"{count} photographs, 2 workers", f"{two:.1f} a second = {two / one:.2f} x", "-", ""),
    ]
    if find_spec("distributed") is None:
        return [*rows, ("the same on a local Dask cluster", "distributed is not installed", "-", "")]
    with cluster() as address:
        many = rate(names, chart, scheduler=address)
    return [
        *rows,
        (f"{count}, local Dask cluster of 2", f"{many:.1f} a second = {many / one:.2f} x", "-", ""),
    ]


def rate(names: list[str], chart: Chart, *, jobs: int = 1, scheduler: str | None = None) -> float:
    """Return photographs a second of one call."""
    start = time.perf_counter()
    count = sum(1 for _ in read_photos(names, chart, jobs=jobs, scheduler=scheduler))
    return count / (time.perf_counter() - start)


@contextmanager
def cluster() -> Iterator[str]:
    """Start a scheduler and two worker processes on the loopback address."""
    import distributed

    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
        os.environ[name] = "1"
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
    ) as local:
        yield local.scheduler_address


def memory(counts: list[int]) -> list[Row]:
    """Read folders of ever more small photographs; the largest process may not grow with their number."""
    rows: list[Row] = []
    peaks: list[float] = []
    with tempfile.TemporaryDirectory() as scratch:
        picture = Path(scratch) / "small.jpg"
        Image.fromarray(enlarged_sample(SMALL, 0.0)).save(picture, quality=90)
        for count in sorted(counts):
            folder = Path(scratch) / f"{count}"
            folder.mkdir()
            for number in range(count):
                (folder / f"{number:05d}.jpg").symlink_to(picture)
            start = time.perf_counter()
            peaks.append(
                command_peak_mb(hueph_command("read", str(folder), "--chart", SAMPLE_CHART, "--json"))
            )
            seconds = time.perf_counter() - start
            growth = peaks[-1] - peaks[0]
            rows.append(
                (
                    f"{count} small photographs, 1 worker",
                    f"peak {peaks[-1]:.0f} MB, {count / seconds:.1f} a second",
                    "-" if len(peaks) == 1 else f"{peaks[0] + FLAT_MB:.0f} MB",
                    "" if len(peaks) == 1 else verdict(growth, FLAT_MB),
                )
            )
            print(rows[-1])
    return rows


if __name__ == "__main__":
    main()
