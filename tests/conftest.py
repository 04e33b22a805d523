"""What holds for all tests, and results made by hand for tests of what is done with results."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, settings

from hueph.interval import Interval
from hueph.results import PatchReading, PhotoReadings, Reading

GRID = np.linspace(0.0, 14.0, 561)

# The same examples in every run, and no complaint about a slow machine: what fails, fails for everybody.
settings.register_profile(
    "always alike",
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("always alike")

# Tests stay out of the archive that this machine's user records into.
os.environ.pop("HUEPH_ARCHIVE", None)


def box(left: float, top: float, wide: float, high: float) -> tuple[tuple[float, float], ...]:
    """Corner points of an upright rectangle."""
    return ((left, top), (left + wide, top), (left + wide, top + high), (left, top + high))


def reading(number: int = 1, **changes: Any) -> Reading:
    """A tube at pH 6.2 between 5.9 and 6.5, or what `changes` says."""
    left = 60.0 + 120.0 * (number - 1)
    values: dict[str, Any] = {
        "tube": number,
        "liquid": box(left, 200, 60, 160),
        "core": box(left + 20, 230, 20, 100),
        "ph": 6.2,
        "ph_std": 0.15,
        "interval": Interval(5.9, 6.5, 0.95),
        "bound": None,
        "flags": (),
        "lab": (61.2, 3.1, 44.0),
        "delta_e": 1.1,
        "grid": GRID,
        "posterior": np.exp(-0.5 * ((GRID - 6.2) / 0.15) ** 2),
    }
    return Reading(**(values | changes))


def refused(number: int, *flags: str) -> Reading:
    """A tube about which nothing may be said."""
    nothing = np.zeros(0)
    return reading(
        number,
        ph=None,
        ph_std=None,
        interval=None,
        flags=flags,
        delta_e=None,
        grid=nothing,
        posterior=nothing,
    )


def below(number: int, limit: float) -> Reading:
    """A tube whose colour lies beyond the low end of the card."""
    return reading(
        number,
        ph=None,
        ph_std=None,
        interval=Interval(None, limit, 0.95),
        bound="below",
        flags=("beyond-chart",),
        posterior=1.0 / (1.0 + np.exp((GRID - limit) / 0.1)),
    )


@pytest.fixture
def make_reading() -> Callable[..., Reading]:
    """Build a reading of one tube."""
    return reading


@pytest.fixture
def make_readings() -> Callable[..., PhotoReadings]:
    """Build the readings of a photograph: one read, one flagged, one beyond the card, one refused."""

    def make(file: str = "bench.jpg", **changes: Any) -> PhotoReadings:
        values: dict[str, Any] = {
            "file": file,
            "sha256": "ab" * 32,
            "width": 640,
            "height": 480,
            "chart_name": "four patches",
            "chart_sha256": "cd" * 32,
            "patches": tuple(
                PatchReading(4.0 + number, box(100 + 60 * number, 40, 60, 60)) for number in range(4)
            ),
            "residual_delta_e": 1.34,
            "tubes": (
                reading(1),
                reading(2, flags=("glare",)),
                below(3, 4.3),
                refused(4, "off-chart-colour", "turbid"),
            ),
            "options": {"coverage": 0.95},
            "version": "0",
        }
        return PhotoReadings(**(values | changes))

    return make
