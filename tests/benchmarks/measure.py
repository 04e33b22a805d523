"""What the benchmarks share: clocks, memory of a command, the environment, pictures to read."""

from __future__ import annotations

import os
import platform
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageOps

import hueph

ROOT = Path(__file__).resolve().parents[2]
DEVELOPERS = ROOT / "DEVELOPERS.md"
SAMPLE = ROOT / "samples" / "five-tubes.jpg"
SAMPLE_CHART = "sample-universal-strip"
TWELVE_MEGAPIXELS = (4032, 3024)

# Runs a command and prints the largest memory, in kilobytes, of it and its children. A process of its
# own, because Linux counts what the starting process held before the command replaced it.
_MEMORY = """
import resource, subprocess, sys
done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
print(peak // 1024 if sys.platform == "darwin" else peak)
sys.stderr.write(done.stderr)
sys.exit(done.returncode)
"""


@dataclass
class Clock:
    """Times of one action: by the clock, and of the processor (all threads of this process)."""

    wall: list[float] = field(default_factory=list)
    cpu: list[float] = field(default_factory=list)

    def run(self, action: Callable[[], object]) -> None:
        """Run once and note the times."""
        wall, cpu = time.perf_counter(), time.process_time()
        action()
        self.wall.append(time.perf_counter() - wall)
        self.cpu.append(time.process_time() - cpu)

    @property
    def seconds(self) -> float:
        """Median by the clock."""
        return statistics.median(self.wall)

    @property
    def cpu_seconds(self) -> float:
        """Median of the processor."""
        return statistics.median(self.cpu)

    def __str__(self) -> str:
        return f"{self.seconds:.3f} s (best {min(self.wall):.3f}), processor {self.cpu_seconds:.3f} s"


def print_environment() -> None:
    """Say what this is measured on."""
    machine = f"{platform.machine()}, {os.cpu_count()} cores"
    print(f"Python {platform.python_version()}, {machine}, hueph {hueph.__version__}")
    print(f"numpy {np.__version__}, OpenCV {cv2.__version__}, {cv2.getNumThreads()} OpenCV threads")


def environment() -> str:
    """Return what a table says of the machine, and how busy it was."""
    load = f", load average {os.getloadavg()[0]:.1f} at the end" if hasattr(os, "getloadavg") else ""
    libraries = f"numpy {np.__version__}, OpenCV {cv2.__version__}"
    return f"{os.cpu_count()} cores, Python {platform.python_version()}, {libraries}{load}"


def enlarged_sample(size: tuple[int, int], grain: float) -> np.ndarray:
    """Return a sample photograph at another size, with a sensor's grain (standard deviation, codes of 255)."""
    with Image.open(SAMPLE) as opened:
        upright = ImageOps.exif_transpose(opened)
    large = np.asarray(upright.resize(size, Image.Resampling.BICUBIC), dtype=np.float32)
    noise = np.random.default_rng(12).normal(0.0, grain, large.shape) if grain else 0.0
    return np.asarray(np.clip(large + noise, 0, 255), dtype=np.uint8)


def command_times(command: Sequence[str], rounds: int) -> list[float]:
    """Run a command some times in fresh processes; return the times by the clock."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        _checked(subprocess.run(list(command), capture_output=True, text=True, check=False))
        times.append(time.perf_counter() - start)
    return times


def command_peak_mb(command: Sequence[str]) -> float:
    """Run a command once; return the memory of the largest process, megabytes."""
    done = subprocess.run(
        [sys.executable, "-c", _MEMORY, *command], capture_output=True, text=True, check=False
    )
    _checked(done)
    return int(done.stdout) / 1e3


def _checked(done: subprocess.CompletedProcess[str]) -> None:
    """Stop when a command ended with anything but done, failed photographs, or flags."""
    if done.returncode not in (0, 1, 3):
        raise SystemExit(f"{done.args} ended with {done.returncode}: {done.stderr}")


def hueph_command(*words: str) -> list[str]:
    """Return the command line of hueph in this interpreter."""
    return [sys.executable, "-m", "hueph", *words]


def verdict(value: float, limit: float) -> str:
    """Say whether a figure keeps its limit."""
    return "met" if value <= limit else "missed"
