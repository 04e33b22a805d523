"""Opaque things drawn beside tubes: how they are laid into a picture, and that they are not read."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from desk_things import KINDS, with_things
from locate_tubes import Shot, strip_of
from scoring import match

from hueph.errors import TubesNotFound
from hueph.locate._tube_features import FEATURES
from hueph.locate._tube_score import first_odds, score_columns
from hueph.locate.tubes import locate_tubes
from hueph.photo import photo_from_array
from hueph.synthetic import draw_world, render_photo


def shot_of(number: int) -> Shot:
    """A drawn photograph of a seed that no network of hueph was fitted to."""
    rng = np.random.default_rng((607, number))
    world = draw_world(rng, kind="sheet", tube_count=2, size=(800, 600))
    picture, truth = render_photo(world, rng)
    tubes = [np.array(tube["liquid"], float) for tube in truth["tubes"]]
    patches = np.array(truth["patches"], float)
    names = [tube["what"] for tube in truth["tubes"]]
    return Shot("drawn.jpg", str(number), "sheet", photo_from_array(picture), patches, tubes, [], names)


def found_and_false(shot: Shot) -> tuple[int, int]:
    """Return how many tubes are found, and how many of those found are none."""
    try:
        located = locate_tubes(shot.photo, strip_of(shot.card))
    except TubesNotFound:
        return 0, 0
    partners = match(shot.tubes, [tube.liquid for tube in located])
    return len(partners), len(located) - len(partners)


@pytest.mark.parametrize("kind", KINDS)
def test_things_leave_tubes_and_card_as_they_were(kind: str) -> None:
    shot = shot_of(2)
    crowded = with_things(shot, kind, np.random.default_rng((2, 7)))
    assert crowded is not None
    changed = np.abs(crowded.photo.encoded.astype(int) - shot.photo.encoded).max(axis=2)
    assert (changed > 40).mean() > 0.002
    for quad in (*shot.tubes, *shot.card):
        low, high = np.asarray(quad).min(axis=0).astype(int), np.asarray(quad).max(axis=0).astype(int)
        # shadows may fall on them
        assert np.median(changed[low[1] : high[1], low[0] : high[0]]) < 30


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (1, "pen"),
        (1, "fingers"),
        (1, "box"),
        (2, "ruler"),
        (2, "can"),
        (3, "bars"),
        (3, "pencil"),
        (3, "crayon"),
    ],
)
def test_things_beside_tubes_are_not_read(number: int, kind: str) -> None:
    # Before the second look each of these pictures had one to three false tubes. Others still have one (DEVELOPERS).
    crowded = with_things(shot_of(number), kind, np.random.default_rng((number, 7)))
    assert crowded is not None
    assert found_and_false(crowded) == (2, 0)


def test_a_second_look_only_ever_takes_away() -> None:
    rng = np.random.default_rng(2)
    features: Any = rng.normal(0, 2, (200, len(FEATURES)))
    assert (score_columns(features) <= first_odds(features) + 1e-9).all()
