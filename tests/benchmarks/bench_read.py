"""Time and memory of reading one 12-megapixel photograph, against bare decoding in the same run.

    python tests/benchmarks/bench_read.py [--photo PHOTO --chart CHART] [--rounds 7] [--write]

Without --photo, a sample photograph is enlarged to 12 megapixels and saved as JPEG with little grain
(about 1.5 MB), as JPEG with the grain of a phone's small sensor (about 4 MB, slower to decode), and as
HEIC. Each is decoded and read in turn, so that a busy machine slows both alike; ratios of processor
time are the steadier ones. --write puts the table into DEVELOPERS.md.
"""

from __future__ import annotations

import os

# As the command does, before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import cProfile
import pstats
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
from measure import (
    DEVELOPERS,
    SAMPLE_CHART,
    TWELVE_MEGAPIXELS,
    Clock,
    command_peak_mb,
    command_times,
    enlarged_sample,
    environment,
    hueph_command,
    print_environment,
    verdict,
)
from PIL import Image

from hueph.chart import Chart, load_chart
from hueph.reading import read_photo
from hueph.shipped import find_chart

sys.path.append(str(Path(__file__).resolve().parents[1] / "accuracy"))
import tables

# Targets: a warm read as a multiple of the full decode of the JPEG, at first and at last; seconds; megabytes.
WARM_RATIO, LAST_RATIO, COLD_SECONDS, HELP_SECONDS, PEAK_MB = 4.0, 1.5, 1.5, 0.25, 700.0
# Standard deviation of the grain, codes of 255, and the quality of the files.
LITTLE_GRAIN, PHONE_GRAIN, QUALITY = 2.0, 8.0, 92
# Phones smooth the grain away before they write HEIC; this makes a file of about 2 MB.
HEIC_GRAIN, HEIC_QUALITY = 2.0, 60

Row = tuple[str, str, str, str]


def main() -> None:
    """Measure and print."""
    options = parse()
    if options.make:
        make_photos(options.make)
        return
    print_environment()
    rows: list[Row] = []
    with tempfile.TemporaryDirectory() as scratch:
        photos = {options.photo.name: options.photo} if options.photo else made_photos(Path(scratch))
        chart_file = find_chart(options.chart)
        chart = load_chart(chart_file)
        for name, photo in photos.items():
            rows += warm(name, photo, chart, options.rounds)
        for name, photo in photos.items():
            rows += cold(name, [str(photo), "--chart", str(chart_file)], min(options.rounds, 5))
        rows.append(help_time(min(options.rounds, 5)))
        profile(next(iter(photos.values())), chart)
    text = f"{tables.markdown(('what', 'measured', 'target', ''), rows)}\n\nOn {environment()}."
    print(f"\n{text}")
    if options.write:
        tables.put_between(DEVELOPERS, "benchmarks", text)


def parse() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--photo", type=Path, help="a photograph of one's own")
    parser.add_argument("--chart", default=SAMPLE_CHART, help="its chart")
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--make", type=Path, metavar="FOLDER", help="only make the photographs")
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    return parser.parse_args()


def made_photos(folder: Path) -> dict[str, Path]:
    """Return photographs by description, made in a process of its own.

    Hundreds of megabytes used and freed before change how fast this process decodes afterwards.
    """
    subprocess.run([sys.executable, __file__, "--make", str(folder)], check=True)
    names = {"little.jpg": "JPEG, little grain", "phone.jpg": "JPEG, a phone's grain", "phone.heic": "HEIC"}
    return {
        f"{name}, {(folder / file).stat().st_size / 1e6:.1f} MB": folder / file
        for file, name in names.items()
    }


def make_photos(folder: Path) -> None:
    """Write the three files."""
    for file, grain in (("little.jpg", LITTLE_GRAIN), ("phone.jpg", PHONE_GRAIN)):
        Image.fromarray(enlarged_sample(TWELVE_MEGAPIXELS, grain)).save(folder / file, quality=QUALITY)
    picture = Image.fromarray(enlarged_sample(TWELVE_MEGAPIXELS, HEIC_GRAIN))
    pillow_heif.from_pillow(picture).save(folder / "phone.heic", quality=HEIC_QUALITY)


def decoder(photo: Path) -> Callable[[], object]:
    """Return what decodes a whole photograph and does nothing else."""
    if photo.suffix == ".heic":
        return lambda: np.asarray(pillow_heif.open_heif(photo, convert_hdr_to_8bit=False)[0])
    return lambda: cv2.imread(str(photo), cv2.IMREAD_COLOR)


def warm(name: str, photo: Path, chart: Chart, rounds: int) -> list[Row]:
    """Time decoding and reading in turn, in a process that has done both before."""
    decode, reads, decodes = decoder(photo), Clock(), Clock()
    decode()
    read_photo(photo, chart)
    for _ in range(rounds):
        decodes.run(decode)
        reads.run(lambda: read_photo(photo, chart))
    print(f"{name}\n  full decode {decodes}\n  warm read   {reads}")
    ratio, cpu = reads.seconds / decodes.seconds, reads.cpu_seconds / decodes.cpu_seconds
    # Targets are stated for JPEG; HEIC is there to compare.
    is_jpeg = photo.suffix != ".heic"
    return [
        (f"full decode, {name}", f"{decodes.seconds:.3f} s", "-", ""),
        (
            f"warm read, {name}",
            f"{reads.seconds:.3f} s = {ratio:.2f} x decode (processor {cpu:.2f} x)",
            f"{WARM_RATIO:g} x, later {LAST_RATIO:g} x" if is_jpeg else "-",
            f"{verdict(ratio, WARM_RATIO)}, {verdict(ratio, LAST_RATIO)}" if is_jpeg else "",
        ),
    ]


def cold(name: str, words: list[str], rounds: int) -> list[Row]:
    """Time the whole command in fresh processes, and the memory of one."""
    command = hueph_command("read", *words, "--json")
    middle, peak = statistics.median(command_times(command, rounds)), command_peak_mb(command)
    return [
        (
            f"cold command, {name}",
            f"{middle:.2f} s",
            f"{COLD_SECONDS:g} s",
            verdict(middle, COLD_SECONDS),
        ),
        (f"its peak memory, {name}", f"{peak:.0f} MB", f"{PEAK_MB:g} MB", verdict(peak, PEAK_MB)),
    ]


def help_time(rounds: int) -> Row:
    """Time the start of the command, beside that of the interpreter alone."""
    own = statistics.median(command_times(hueph_command("--help"), rounds))
    bare = statistics.median(command_times([sys.executable, "-c", "pass"], rounds))
    measured = f"{own:.3f} s (interpreter alone {bare:.3f} s)"
    return "`hueph --help`", measured, f"{HELP_SECONDS:g} s", verdict(own, HELP_SECONDS)


def profile(photo: Path, chart: Chart) -> None:
    """Print the functions of hueph in which most of a warm read passes, callees included."""
    profiler = cProfile.Profile()
    profiler.runcall(read_photo, photo, chart)
    rows = []
    for (file, _, name), (calls, _, own, total, _) in pstats.Stats(profiler).stats.items():  # type: ignore[attr-defined]
        if "hueph" in Path(file).parts:
            rows.append((total, own, calls, f"{Path(file).parent.name}/{Path(file).name}:{name}"))
    print("what dominates a warm read (profiled, so slower; this thread): total s, own s, calls")
    for total, own, calls, where in sorted(rows, reverse=True)[:16]:
        print(f"  {total:7.3f} {own:7.3f} {calls:6d}  {where}")


if __name__ == "__main__":
    main()
