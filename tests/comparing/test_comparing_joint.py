"""Two posteriors joined: exact for normal laws, honest at the ends of the card."""

from __future__ import annotations

import math

import numpy as np
import pytest
from tubes_made import seen

from hueph.comparing.correlation import error_tie, load_pair_model, posterior_std
from hueph.comparing.joint import INDEPENDENT, Tie, joint_ph, normal_score
from hueph.comparing.likeness import (
    PAIR_FEATURES,
    UNLIKE_PICTURES,
    Traits,
    chart_distance,
    dye_load,
    pair_features,
)
from hueph.errors import InputError

GRID = np.linspace(0.0, 14.0, 2801)


def normal(mean: float, std: float) -> tuple[np.ndarray, np.ndarray]:
    return GRID, np.exp(-0.5 * ((GRID - mean) / std) ** 2)


@pytest.mark.parametrize("r", [-0.5, 0.0, 0.5, 0.9])
@pytest.mark.parametrize(("one", "two"), [(0.2, 0.2), (0.1, 0.3)])
def test_the_difference_of_two_normal_laws_is_normal(r: float, one: float, two: float) -> None:
    joint = joint_ph(normal(6.0, one), normal(6.5, two), Tie((1.0,), (r,)))
    std = math.sqrt(one**2 + two**2 - 2.0 * r * one * two)
    for share, score in ((0.5, 0.0), (0.025, -1.95996), (0.975, 1.95996)):
        assert joint.quantile(joint.change, share) == pytest.approx(0.5 + score * std, abs=0.01)


MIXED = Tie((0.7, 0.3), (0.95, 0.2))


def test_a_tie_leaves_both_posteriors_as_they_are() -> None:
    joint = joint_ph(normal(6.0, 0.2), normal(8.0, 0.4), MIXED)
    for values, mean, std in ((joint.before, 6.0, 0.2), (joint.after, 8.0, 0.4)):
        assert joint.quantile(values, 0.5) == pytest.approx(mean, abs=0.005)
        assert joint.quantile(values, 0.975) == pytest.approx(mean + 1.96 * std, abs=0.01)


def test_swapping_before_and_after_mirrors_the_change() -> None:
    one, two = normal(5.0, 0.3), normal(5.4, 0.15)
    there, back = joint_ph(one, two, MIXED), joint_ph(two, one, MIXED)
    for share in (0.025, 0.3, 0.5, 0.9):
        assert there.quantile(there.change, share) == pytest.approx(
            -back.quantile(back.change, 1.0 - share), abs=1e-6
        )


def test_intervals_hold_as_often_as_stated_when_errors_are_made_as_assumed() -> None:
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(400):
        x, change = rng.uniform(5.0, 9.0), rng.uniform(-1.0, 1.0)
        r = float(rng.choice(MIXED.correlations, p=MIXED.shares))
        z = rng.multivariate_normal([0.0, 0.0], [[1.0, r], [r, 1.0]])
        joint = joint_ph(normal(x + 0.25 * z[0], 0.25), normal(x + change + 0.25 * z[1], 0.25), MIXED)
        low, high = (joint.quantile(joint.change, share) for share in (0.025, 0.975))
        held += low <= change <= high
    # 95 % of 400, within three standard deviations of the binomial law.
    assert abs(held / 400 - 0.95) < 3.0 * math.sqrt(0.95 * 0.05 / 400)


def test_a_score_is_the_number_of_standard_deviations() -> None:
    assert normal_score(*normal(7.0, 0.5), 7.5) == pytest.approx(1.0, abs=0.01)
    assert normal_score(*normal(7.0, 0.5), 6.0) == pytest.approx(-2.0, abs=0.01)


@pytest.mark.parametrize(
    ("grid", "density", "match"),
    [
        (GRID[::-1], np.ones_like(GRID), "rising"),
        (GRID, np.ones(3), "same length"),
        (GRID, -np.ones_like(GRID), "not negative"),
        (GRID, np.zeros_like(GRID), "positive somewhere"),
    ],
)
def test_what_is_no_posterior_is_refused(grid: np.ndarray, density: np.ndarray, match: str) -> None:
    with pytest.raises(InputError, match=match):
        joint_ph((grid, density), normal(7.0, 0.1), INDEPENDENT)


def traits(ph: float, std: float = 0.2, load: float = 1.0) -> Traits:
    reading = seen(ph, std, load=load).reading
    return Traits(reading.grid, reading.posterior, reading.lab)


def test_features_are_the_same_when_before_and_after_change_places() -> None:
    one, two = traits(5.0, 0.1), traits(5.6, 0.3, load=1.7)
    there = pair_features(one, two, 0.05)
    assert there.shape == (len(PAIR_FEATURES),)
    assert there == pytest.approx(pair_features(two, one, 0.05))
    apart, _, widths, _, loads, hue, colours, overlap, pictures = there
    assert apart == pytest.approx(0.6, abs=0.01)
    assert widths == pytest.approx(math.log(3.0), abs=0.02)
    assert loads == pytest.approx(math.log(1.7), abs=0.05)
    assert hue < 0.1
    assert colours > 0.1
    # Of two normal laws (Bhattacharyya 1943, the closed form; from memory).
    exact = math.sqrt(2 * 0.1 * 0.3 / (0.1**2 + 0.3**2)) * math.exp(-0.25 * 0.6**2 / (0.1**2 + 0.3**2))
    assert overlap == pytest.approx(exact, abs=0.01)
    assert pictures == pytest.approx(math.log10(0.05))


def test_one_look_twice_is_no_distance_and_half_the_light_is() -> None:
    ph = np.array([4.0, 6.0, 8.0])
    colours = np.array([[0.8, 0.3, 0.2], [0.7, 0.6, 0.2], [0.2, 0.4, 0.6]])
    assert chart_distance(ph, colours, ph, colours) == 0.0
    # A factor of two in every channel is 0.30 absorbance, less what the soft floor takes.
    assert chart_distance(ph, colours, ph, 0.5 * colours) == pytest.approx(math.log10(2.0), abs=0.02)
    # A patch that is hidden in one of them makes no difference where the curve is straight.
    assert chart_distance(ph, colours, ph[:2], colours[:2]) == pytest.approx(0.0, abs=0.05)
    assert chart_distance(ph, colours, ph + 10.0, colours) == UNLIKE_PICTURES
    assert chart_distance(ph[:1], colours[:1], ph, colours) == UNLIKE_PICTURES


def test_the_tie_loosens_with_what_the_two_do_not_share() -> None:
    tie = load_pair_model().same_picture.tie
    best = tie(pair_features(traits(6.0), traits(6.05), 0.0)).correlation
    assert 0.6 < best < 1.0
    assert tie(pair_features(traits(6.0), traits(8.0), 0.0)).correlation < 0.5 * best
    assert tie(pair_features(traits(6.0), traits(6.05, 0.6), 0.0)).correlation < best
    assert tie(pair_features(traits(6.0), traits(6.05, load=2.5), 0.0)).correlation < best


def test_one_picture_ties_more_than_two_and_two_cards_nothing() -> None:
    one, two = seen(6.0).reading, seen(6.1).reading
    near = error_tie(one, two, same_picture=True, same_card=True).correlation
    again = error_tie(one, two, same_picture=False, same_card=True, distance=0.01).correlation
    far = error_tie(one, two, same_picture=False, same_card=True, distance=0.2).correlation
    unknown = error_tie(one, two, same_picture=False, same_card=True).correlation
    assert near > far > 0.0
    assert again > far >= unknown - 0.05
    assert error_tie(one, two, same_picture=True, same_card=False) is INDEPENDENT


def test_dye_load_is_the_length_of_the_absorbance_vector() -> None:
    # A soft floor of 0.01 keeps dark channels finite and shortens the vector a little.
    single, double = (dye_load(seen(6.0, load=load).reading.lab) for load in (1.0, 2.0))
    assert single == pytest.approx(math.sqrt(0.1**2 + 0.5**2 + 0.3**2), rel=0.05)
    assert double / single == pytest.approx(2.0, rel=0.06)


def test_posterior_std_is_that_of_the_law() -> None:
    assert posterior_std(seen(7.0, 0.3).reading) == pytest.approx(0.3, rel=0.01)
