"""Widening: flatter posteriors hold more, situations are told apart by what the picture shows."""

from __future__ import annotations

import numpy as np
import pytest

from hueph.estimating.posterior import PooledEvidence, spread, state
from hueph.estimating.widening import (
    PLACES,
    STRANGE_MISFIT,
    STRANGE_RESIDUAL,
    Situation,
    find_situation,
    load_widening,
)


def pooled(centre: float = 7.0, std: float = 0.2, misfit: float = 2.0) -> PooledEvidence:
    """Evidence with a normal density on a chart from 4 to 10."""
    grid = np.arange(3.0, 11.0001, 0.1)
    return PooledEvidence(grid, -0.5 * ((grid - centre) / std) ** 2, 3.0, misfit, 4.0, 10.0)


def test_temperature_widens_a_normal_density_by_its_square_root() -> None:
    # The density raised to 1/T is normal with variance T times as large (algebra).
    for temperature in (1.0, 2.0, 4.0):
        assert spread(pooled(), widen=temperature).std == pytest.approx(0.2 * temperature**0.5, rel=0.03)


@pytest.mark.parametrize("centre", [4.5, 6.0, 7.3])
def test_ranges_are_nested(centre: float) -> None:
    widths = []
    for temperature in (0.8, 1.0, 1.5, 3.0):
        statement = state(spread(pooled(centre, std=0.1), widen=temperature))
        assert statement.interval.contains(centre)
        widths.append(statement.interval.width)
    assert widths == sorted(widths)
    assert widths[0] < widths[-1]


def test_situations_by_flags_place_and_misfit() -> None:
    assert find_situation(pooled(), (), 1.0) == Situation("inside", strange=False)
    assert find_situation(pooled(centre=4.1), (), 1.0).place == "near-end"
    assert find_situation(pooled(), ("coloured-backing",), 1.0).place == "coloured-backing"
    assert find_situation(pooled(), ("coloured-backing", "too-dark"), 1.0).place == "bad-light"
    assert find_situation(pooled(misfit=STRANGE_MISFIT + 1), (), 1.0).strange
    assert find_situation(pooled(), (), STRANGE_RESIDUAL + 1).strange
    assert find_situation(pooled(), ("strip-uneven",), 1.0) == Situation("inside", strange=True)


def test_shipped_table_has_every_situation_and_widens_the_strange_at_least_as_much() -> None:
    table = load_widening()
    for place in PLACES:
        usual, strange = (table.temperature(Situation(place, flag)) for flag in (False, True))
        assert 0.8 <= usual <= strange <= 4.0
