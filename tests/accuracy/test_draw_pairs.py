"""Changes between simulated tubes: as often right as stated, narrower for what is shared, none invented.

A short run of what `fit_pair_correlation.py` measures at length (DEVELOPERS.md, "Comparing tubes"); its
worlds are other ones. The limits leave room for so few worlds, and fail when the ties are too tight,
worth nothing, or made for other networks.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
from draw_pairs import Pair, draw, pairs_of
from fit_pair_correlation import Outcome, outcome

from hueph.comparing.correlation import load_pair_model

ONE_PICTURE, SAME_CAMERA = 0, 4


@functools.cache
def drawn_pairs() -> tuple[Pair, ...]:
    """Pairs of 20 worlds whose true pH lie on the card."""
    rng = np.random.default_rng(987)
    pairs = [pair for _ in range(20) for pair in pairs_of(draw(rng))]
    return tuple(pair for pair in pairs if pair.before.inside and pair.after.inside)


def outcomes(kind: int, most: float) -> list[Outcome]:
    """Compare pairs of a kind whose pH differ by no more than `most`."""
    model = load_pair_model()
    net = model.same_picture if kind == ONE_PICTURE else model.other_picture
    some = [pair for pair in drawn_pairs() if pair.kind == kind]
    return [outcome(pair, net) for pair in some if abs(pair.after.ph - pair.before.ph) <= most + 1e-9]


@pytest.mark.parametrize("kind", [ONE_PICTURE, SAME_CAMERA])
def test_ranges_of_the_change_hold(kind: int) -> None:
    found = outcomes(kind, 20.0)
    assert len(found) > 60
    assert sum(one.held for one in found) / len(found) > 0.88


@pytest.mark.parametrize("kind", [ONE_PICTURE, SAME_CAMERA])
def test_what_is_shared_narrows_small_changes_by_a_third(kind: int) -> None:
    found = outcomes(kind, 0.5)
    assert len(found) > 25
    assert np.median([one.width / one.width_alone for one in found]) < 0.7


def test_no_change_is_not_called_one() -> None:
    found = outcomes(ONE_PICTURE, 0.0) + outcomes(SAME_CAMERA, 0.0)
    assert len(found) > 30
    assert sum(one.shifted for one in found) <= 0.03 * len(found)
