"""The conformal choice of a temperature keeps its promise on data it can be checked against."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).parent))

import fit_widening

TEMPERATURES = fit_widening.TEMPERATURES


def drawn(rng: np.random.Generator, photos: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Two tubes a photograph, each held from a random temperature on."""
    least = np.repeat(0.6 + rng.gamma(1.0, 0.4, size=photos), 2) + rng.gamma(0.3, 0.3, size=2 * photos)
    return least[:, None] <= TEMPERATURES, np.full(2 * photos, 0.5), np.repeat(np.arange(photos), 2)


def test_choice_covers_what_is_exchangeable_with_the_calibration() -> None:
    # Conformal risk control bounds the mean risk of a further photograph (Angelopoulos et al. 2022, theorem 1),
    # whatever the law of the scores.
    rng = np.random.default_rng(7)
    held = []
    for _ in range(300):
        chosen = fit_widening.least_temperature(*drawn(rng, 80))
        fresh = drawn(rng, 80)[0]
        held.append(fresh[:, list(TEMPERATURES).index(chosen)].mean())
    assert 0.95 <= np.mean(held) < 0.975


def test_too_few_photographs_give_the_widest() -> None:
    holds, weight, units = np.ones((10, len(TEMPERATURES)), dtype=bool), np.ones(10), np.arange(10)
    assert fit_widening.least_temperature(holds, weight, units) == TEMPERATURES[-1]
