"""Time and memory of reading one 12-megapixel JPEG, against bare decoding in the same run.

    python tests/benchmarks/bench_read.py [--photo PHOTO --chart CHART] [--rounds 7]

Without --photo, a sample photograph is enlarged to 12 megapixels, with fresh noise so that its file is
as hard to decode as a phone's. Prints the environment, the median times, their ratio to a full
cv2.imread of the same file, the peak memory of a cold run, and what dominates a warm one.
"""

from __future__ import annotations

import argparse
import cProfile
import os
import platform
import pstats
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageOps

import hueph
from hueph.chart import Chart, load_chart
from hueph.reading import read_photo
from hueph.shipped import find_chart

ROOT = Path(__file__).resolve().parents[2]
TWELVE_MEGAPIXELS = (4032, 3024)
# Targets: times as multiples of the full decode or in seconds, memory in megabytes.
WARM_RATIO, COLD_SECONDS, PEAK_MB = 4.0, 1.5, 700.0


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--photo", type=Path, help="a JPEG of one's own")
    parser.add_argument("--chart", default="sample-universal-strip", help="its chart")
    parser.add_argument("--rounds", type=int, default=7)
    options = parser.parse_args()
    chart_file = find_chart(options.chart)
    print_environment()
    with tempfile.TemporaryDirectory() as scratch:
        photo = options.photo or make_photo(Path(scratch) / "twelve.jpg")
        with Image.open(photo) as image:
            print(f"photograph: {image.width} x {image.height}, {photo.stat().st_size / 1e6:.1f} MB")
        warm(photo, load_chart(chart_file), options.rounds)
        cold(photo, chart_file, options.rounds)


def print_environment() -> None:
    """Say what this was measured on."""
    machine = f"{platform.machine()}, {os.cpu_count()} cores"
    print(f"Python {platform.python_version()}, {machine}, hueph {hueph.__version__}")
    print(f"numpy {np.__version__}, OpenCV {cv2.__version__}, {cv2.getNumThreads()} OpenCV threads")


def make_photo(path: Path) -> Path:
    """Enlarge a sample to 12 megapixels, with the noise a sensor of that size has (2 of 255)."""
    with Image.open(ROOT / "samples" / "five-tubes.jpg") as opened:
        upright = ImageOps.exif_transpose(opened)
    large = np.asarray(upright.resize(TWELVE_MEGAPIXELS, Image.Resampling.BICUBIC), dtype=np.float32)
    noise = np.random.default_rng(12).normal(0.0, 2.0, large.shape)
    Image.fromarray(np.clip(large + noise, 0, 255).astype(np.uint8)).save(path, quality=92)
    return path


def warm(photo: Path, chart: Chart, rounds: int) -> None:
    """Time decoding and reading in turn, in a process that has done both before."""

    def decode() -> None:
        cv2.imread(str(photo), cv2.IMREAD_COLOR)

    def read() -> None:
        read_photo(photo, chart)

    decode()
    read()
    decodes, reads = [], []
    for _ in range(rounds):
        decodes.append(seconds(decode))
        reads.append(seconds(read))
    base, whole = statistics.median(decodes), statistics.median(reads)
    print(f"full cv2.imread      {base:.3f} s   ({spread(decodes)})")
    verdict(
        f"warm read_photo      {whole:.3f} s   ({spread(reads)})  {whole / base:.2f} x decode",
        whole / base,
        WARM_RATIO,
        "x",
    )
    profile = cProfile.Profile()
    profile.runcall(read)
    print_hot(profile)


def seconds(action: Callable[[], None]) -> float:
    """Run once and return the time it took."""
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def spread(times: list[float]) -> str:
    """Return the fastest and the slowest."""
    return f"{min(times):.3f} to {max(times):.3f}"


def verdict(text: str, value: float, limit: float, unit: str) -> None:
    """Print a figure beside its target."""
    print(f"{text}   target {limit:g} {unit}: {'met' if value <= limit else 'MISSED'}")


def print_hot(profile: cProfile.Profile) -> None:
    """Print the functions of hueph in which most of the time passes, callees included."""
    rows = []
    for (file, _, name), (calls, _, own, total, _) in pstats.Stats(profile).stats.items():  # type: ignore[attr-defined]
        if "hueph" in Path(file).parts:
            rows.append((total, own, calls, f"{Path(file).parent.name}/{Path(file).name}:{name}"))
    print("what dominates a warm read (profiled, so slower): total s, own s, calls")
    for total, own, calls, where in sorted(rows, reverse=True)[:16]:
        print(f"  {total:7.3f} {own:7.3f} {calls:6d}  {where}")


def cold(photo: Path, chart_file: Path, rounds: int) -> None:
    """Time the whole command in fresh processes, and take the largest memory any of them had."""
    read = [sys.executable, "-m", "hueph", "read", str(photo), "--chart", str(chart_file), "--json"]
    help_ = [sys.executable, "-m", "hueph", "--help"]
    bare = [sys.executable, "-c", "pass"]
    for name, command, limit in (
        ("bare interpreter", bare, None),
        ("hueph --help", help_, 0.25),
        ("hueph read, cold", read, COLD_SECONDS),
    ):
        times = [seconds(lambda command=command: run(command)) for _ in range(min(rounds, 5))]  # type: ignore[misc]
        middle = statistics.median(times)
        text = f"{name:20s} {middle:.3f} s   ({spread(times)})"
        if limit is None:
            print(text)
        else:
            verdict(text, middle, limit, "s")
    # Linux counts in kilobytes, macOS in bytes.
    unit = 1e6 if sys.platform == "darwin" else 1e3
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / unit
    verdict(f"peak memory, cold    {peak:.0f} MB", peak, PEAK_MB, "MB")


def run(command: list[str]) -> None:
    """Run a command; its exit status may be anything but a crash."""
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1, 3):
        raise SystemExit(f"{command} ended with {done.returncode}: {done.stderr}")


if __name__ == "__main__":
    main()
