"""Observations of known posterior, for tests of what is made of them."""

from __future__ import annotations

import numpy as np

from hueph.colour.lab import xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_xyz
from hueph.comparing.change import Observation
from hueph.estimating.posterior import Posterior, state
from hueph.results import PatchReading, PhotoReadings, Reading

CARD = (4.0, 10.0)
QUAD = ((10.0, 10.0), (30.0, 10.0), (30.0, 60.0), (10.0, 60.0))


def lab_of(absorbance: tuple[float, float, float]) -> tuple[float, float, float]:
    """Colour of a liquid with these absorbances in red, green and blue."""
    light = 10.0 ** -np.array(absorbance)
    level, a, b = np.asarray(xyz_to_lab(linear_rgb_to_xyz(light)))
    return float(level), float(a), float(b)


def seen(
    ph: float,
    std: float = 0.12,
    *,
    picture: str = "one",
    chart: str = "card",
    card: tuple[float, float] = CARD,
    tube: int = 1,
    load: float = 1.0,
    label: str = "",
    coverage: float = 0.95,
) -> Observation:
    """A tube whose posterior is a normal law; `load` times the same colour."""
    grid = np.linspace(card[0] - 1.5, card[1] + 1.5, 1201)
    middle = float(np.clip(ph, card[0] - 1.2, card[1] + 1.2))
    density = np.exp(-0.5 * ((grid - middle) / std) ** 2)
    density /= density.sum() * (grid[1] - grid[0])
    said = state(Posterior(grid, density, 9.0, *card), coverage=coverage)
    reading = Reading(
        tube=tube,
        liquid=QUAD,
        core=QUAD,
        ph=said.ph,
        ph_std=None if said.ph is None else std,
        interval=said.interval,
        bound=said.bound,
        flags=() if said.bound is None else ("beyond-chart",),
        lab=lab_of((0.1 * load, 0.5 * load, 0.3 * load)),
        delta_e=1.0,
        grid=grid,
        posterior=density,
    )
    return Observation(reading, f"{picture}.jpg", picture, chart, chart, card, label)


def refused(flag: str = "turbid", *, picture: str = "one", tube: int = 1) -> Observation:
    """A tube without a pH."""
    nothing = np.zeros(0)
    reading = Reading(
        tube, QUAD, QUAD, None, None, None, None, (flag,), (60.0, 5.0, 5.0), None, nothing, nothing
    )
    return Observation(reading, f"{picture}.jpg", picture, "card", "card", CARD)


def picture_of(*tubes: Observation) -> PhotoReadings:
    """A photograph that holds these tubes, left to right."""
    first = tubes[0]
    patches = tuple(PatchReading(float(ph), QUAD) for ph in np.arange(CARD[0], CARD[1] + 0.1, 1.0))
    return PhotoReadings(
        first.file,
        first.sha256,
        100,
        100,
        first.chart_name,
        first.chart_sha256,
        patches=patches,
        tubes=tuple(tube.reading for tube in tubes),
    )
