"""Readings and expectations made by hand, for tests of one beside the other."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from hueph.estimating.posterior import Posterior, state
from hueph.expecting import ExpectedTube, TubeExpectation, expect_tubes
from hueph.interval import Interval
from hueph.results import PhotoReadings, Reading

ACETATE = str(Path(__file__).parents[1] / "samples" / "recipes" / "acetate.toml")
TITRATION = str(Path(__file__).parents[1] / "samples" / "recipes" / "titration.toml")
GRID = np.linspace(0.0, 14.0, 1401)
CARD = (4.0, 10.0)
# 97.5 % quantile of the normal distribution.
Z = 1.959964

MakeReading = Callable[..., Reading]
MakeReadings = Callable[..., PhotoReadings]


def normal(make: MakeReading, ph: float, std: float, number: int = 1, **changes: Any) -> Reading:
    """A reading with a normal posterior well inside the card."""
    values = {
        "ph": ph,
        "ph_std": std,
        "interval": Interval(ph - Z * std, ph + Z * std, 0.95),
        "grid": GRID,
        "posterior": np.exp(-0.5 * ((GRID - ph) / std) ** 2),
    }
    return make(number, **(values | changes))


def read(make: MakeReading, density: np.ndarray, coverage: float = 0.95) -> Reading:
    """A reading as the estimator would state it for a density."""
    posterior = Posterior(GRID, density / (density.sum() * (GRID[1] - GRID[0])), 1.0, *CARD)
    said = state(posterior, coverage=coverage)
    return make(
        ph=said.ph,
        ph_std=None if said.ph is None else posterior.std,
        interval=said.interval,
        bound=said.bound,
        grid=GRID,
        posterior=posterior.density,
    )


def should_be(ph: float, std: float = 0.0, step: str = "buffer", **more: Any) -> TubeExpectation:
    return TubeExpectation(step, "recipe.toml", ph, std, **more)


def of(recipe: str) -> TubeExpectation:
    """Expectation of a recipe as written on the command line."""
    (tube,) = expect_tubes([f"{recipe}=1"])
    return tube.expectation


def tubes(*expectations: TubeExpectation, photo: str = "") -> tuple[ExpectedTube, ...]:
    return tuple(ExpectedTube(number, each, photo) for number, each in enumerate(expectations, start=1))


def verdicts(readings: PhotoReadings) -> list[str | None]:
    return [None if one.expected is None else one.expected.verdict for one in readings.tubes]
