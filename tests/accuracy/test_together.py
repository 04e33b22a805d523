"""The tubes of a picture read together: who hears whom, and that it helps in worlds nobody trained in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scoring import surprise
from train_scorer import scene_evidence

from hueph._types import FloatArray
from hueph.errors import InputError
from hueph.estimating.features import FEATURE_COUNT, TubeEvidence
from hueph.estimating.posterior import pool_tubes, spread
from hueph.estimating.together import load_listener
from hueph.synthetic import draw_world, simulate_measurements

Tubes = list[tuple[TubeEvidence, float]]


def picture(seed: int, count: int = 4) -> Tubes:
    """Return the tubes of a drawn scene on a white backing; seeds of no training."""
    rng = np.random.default_rng((77_000, seed))
    scene = draw_world(rng, kind="sheet", tube_count=count)
    return scene_evidence(scene, simulate_measurements(scene, rng), rng)


def logs(tubes: Sequence[TubeEvidence], *, together: bool = True) -> list[FloatArray]:
    return [pooled.log_density for pooled in pool_tubes(tubes, together=together)]


def test_a_tube_alone_is_read_by_itself() -> None:
    [(tube, _)] = picture(1, 1)
    assert np.array_equal(logs([tube])[0], logs([tube], together=False)[0])


def test_in_which_order_tubes_stand_does_not_matter() -> None:
    tubes = [tube for tube, _ in picture(2)]
    there, back = logs(tubes), logs(tubes[::-1])[::-1]
    for one, other in zip(there, back, strict=True):
        assert one == pytest.approx(other, abs=1e-3)


def test_tubes_of_another_picture_are_not_heard() -> None:
    near, far = ([tube for tube, _ in picture(seed)] for seed in (3, 4))
    for one, other in zip(logs([*near, *far])[:4], logs(near), strict=True):
        assert np.array_equal(one, other)


def test_tubes_of_one_picture_are_heard() -> None:
    tubes = [tube for tube, _ in picture(3)]
    moved = [np.abs(a - b).max() for a, b in zip(logs(tubes), logs(tubes, together=False), strict=True)]
    assert min(moved) > 0.01


def test_what_is_no_sample_is_not_heard() -> None:
    """Odds of 1 in 10^13 make no difference, odds of one in two do."""
    rng = np.random.default_rng(5)
    features = rng.normal(size=(3, 60, FEATURE_COUNT)).astype(np.float32)
    alone = rng.dirichlet(np.ones(60), 3)
    listener = load_listener()
    pair = listener.densities(features[:2], alone[:2], np.array([3.0, 3.0]))
    beside_water = listener.densities(features, alone, np.array([3.0, 3.0, -30.0]))
    beside_a_third = listener.densities(features, alone, np.array([3.0, 3.0, 0.0]))
    assert beside_water[:2] == pytest.approx(pair, abs=1e-6)
    assert np.abs(beside_a_third[:2] - pair).max() > 1e-4


def test_densities_add_up() -> None:
    tubes = [tube for tube, _ in picture(6)]
    for pooled in pool_tubes(tubes, together=True):
        posterior = spread(pooled)
        area = np.trapezoid(posterior.density, posterior.grid)
        assert area == pytest.approx(1.0, abs=1e-6)


def test_wrong_features_are_refused_in_a_sentence() -> None:
    with pytest.raises(InputError, match="features must have shape"):
        load_listener().densities(np.zeros((2, 60, 7), np.float32), np.full((2, 60), 1 / 60), np.zeros(2))


def test_the_truth_surprises_less_where_tubes_are_read_together() -> None:
    """Over 120 scenes of four tubes; paired, in standard errors over scenes."""
    gains = []
    for seed in range(120):
        scene = picture(100 + seed)
        tubes = [tube for tube, _ in scene]
        alone, together = pool_tubes(tubes), pool_tubes(tubes, together=True)
        gains.append(
            np.mean(
                [
                    surprise(spread(a), ph) - surprise(spread(b), ph)
                    for a, b, (_, ph) in zip(alone, together, scene, strict=True)
                ]
            )
        )
    assert np.mean(gains) > 2.0 * np.std(gains) / np.sqrt(len(gains))


def test_dye_load_of_one_tube_hardly_moves_another() -> None:
    """Three times the dye in the neighbour is no news of the card: others move by a tenth of a pH unit at most."""
    moves = []
    for seed in range(20):
        rng = np.random.default_rng((78_000, seed))
        scene = draw_world(rng, kind="sheet", tube_count=3)
        found = []
        for load in (0.6, 1.8):
            tubes = (replace(scene.tubes[0], load=load), *scene.tubes[1:])
            drawn = np.random.default_rng((79_000, seed))
            changed = replace(scene, tubes=tubes)
            evidence = scene_evidence(changed, simulate_measurements(changed, drawn), drawn)
            pooled = pool_tubes([tube for tube, _ in evidence], together=True)
            found.append([spread(one).quantile(0.5) for one in pooled[1:]])
        moves += np.abs(np.subtract(*found)).tolist()
    assert np.median(moves) < 0.05
