"""Time of loading a 12-megapixel photograph, against a full cv2.imread of the JPEG in the same run.

    python tests/benchmarks/bench_photo.py [--rounds 9] [--kinds jpeg heic ...]

The picture is drawn: smooth colour with grain, so that its JPEG is about as large as a phone's. Each
kind is timed in turn with the full decode, so that a busy machine slows both alike.
Prints the environment, the times and their ratios to the full decode.
"""

from __future__ import annotations

import argparse
import platform
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import PIL
import pillow_heif
import simplejpeg
from PIL import Image

from hueph.photo import load_photo

SIZE = (4032, 3024)
# The one target: loading a JPEG, hash and all, as a multiple of the full decode.
JPEG_TARGET = 0.8
KINDS = ("jpeg", "progressive", "rotated", "cmyk", "heic", "webp", "png", "png16", "tiff16")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=9)
    usual = ["jpeg", "progressive", "rotated", "heic"]
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=usual)
    options = parser.parse_args()
    print(
        f"Python {platform.python_version()} on {platform.machine()}, numpy {np.__version__}, "
        f"cv2 {cv2.__version__}, simplejpeg {simplejpeg.__version__}, Pillow {PIL.__version__}, "
        f"pillow_heif {pillow_heif.__version__}"
    )
    with tempfile.TemporaryDirectory() as scratch:
        files = write_files(Path(scratch), options.kinds)
        print(f"median, best of {options.rounds} in ms; ratio of the medians, of the bests")
        for kind in options.kinds:
            report(kind, *measured(files["jpeg"], files[kind], options.rounds))


def report(kind: str, full: list[float], own: list[float]) -> None:
    """Print the times of one kind and their ratios to the full decode of the JPEG."""
    median, best = statistics.median(own) / statistics.median(full), min(own) / min(full)
    print(
        f"{kind:12} load_photo {1e3 * statistics.median(own):7.1f} {1e3 * min(own):7.1f}   "
        f"cv2.imread of the JPEG, full {1e3 * statistics.median(full):7.1f} {1e3 * min(full):7.1f}   "
        f"{median:6.2f} x {best:6.2f} x"
    )
    if kind == "jpeg":
        print(f"{'':12} target at most {JPEG_TARGET} x: {'met' if median <= JPEG_TARGET else 'MISSED'}")


def write_files(folder: Path, kinds: list[str]) -> dict[str, Path]:
    """Draw the picture and save it in every kind asked for, and as JPEG."""
    width, height = SIZE
    rng = np.random.default_rng(12)
    smooth = cv2.resize(rng.uniform(40, 215, (30, 40, 3)), SIZE, interpolation=cv2.INTER_CUBIC)
    grain = cv2.GaussianBlur(rng.normal(0, 10, (height, width, 3)), (0, 0), 0.6)
    pixels = np.clip(smooth + grain, 0, 255).astype(np.uint8)
    picture = Image.fromarray(pixels)
    deep = pixels.astype(np.uint16) * 257
    turned = Image.Exif()
    turned[0x0112] = 6
    writers: dict[str, Callable[[Path], object]] = {
        "jpeg": lambda path: picture.save(path, "JPEG", quality=92),
        "progressive": lambda path: picture.save(path, "JPEG", quality=92, progressive=True),
        "rotated": lambda path: picture.save(path, "JPEG", quality=92, exif=turned),
        "cmyk": lambda path: picture.convert("CMYK").save(path, "JPEG", quality=92),
        "heic": lambda path: pillow_heif.from_pillow(picture).save(path, quality=60),
        "webp": lambda path: picture.save(path, "WEBP", quality=85, method=2),
        "png": lambda path: picture.save(path, "PNG", compress_level=2),
        "png16": lambda path: path.write_bytes(bytes(cv2.imencode(".png", deep)[1])),
        "tiff16": lambda path: path.write_bytes(bytes(cv2.imencode(".tiff", deep)[1])),
    }
    files = {}
    for kind in dict.fromkeys(["jpeg", *kinds]):
        files[kind] = folder / kind
        writers[kind](files[kind])
        print(f"{kind}: {width} x {height}, {files[kind].stat().st_size / 1e6:.1f} MB")
    return files


def measured(reference: Path, path: Path, rounds: int) -> tuple[list[float], list[float]]:
    """Return the seconds of decoding the reference in full and of loading `path`, taken in turn."""
    jobs: tuple[Callable[[], object], ...] = (lambda: cv2.imread(str(reference)), lambda: load_photo(path))
    times: tuple[list[float], list[float]] = ([], [])
    for number in range(rounds + 1):
        for job, seconds in zip(jobs, times, strict=True):
            begun = time.perf_counter()
            job()
            # The first round warms up.
            if number:
                seconds.append(time.perf_counter() - begun)
    return times


if __name__ == "__main__":
    main()
