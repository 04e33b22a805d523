"""Two posteriors joined: exact for normal laws, honest at the ends of the card."""

from __future__ import annotations

import math

import numpy as np
import pytest
from tubes_made import seen

from hueph.comparing.correlation import Tie, dye_load, error_correlation, load_pair_model, posterior_std
from hueph.comparing.joint import joint_ph, normal_score
from hueph.errors import InputError

GRID = np.linspace(0.0, 14.0, 2801)


def normal(mean: float, std: float) -> tuple[np.ndarray, np.ndarray]:
    return GRID, np.exp(-0.5 * ((GRID - mean) / std) ** 2)


@pytest.mark.parametrize("r", [-0.5, 0.0, 0.5, 0.9])
@pytest.mark.parametrize(("one", "two"), [(0.2, 0.2), (0.1, 0.3)])
def test_the_difference_of_two_normal_laws_is_normal(r: float, one: float, two: float) -> None:
    joint = joint_ph(normal(6.0, one), normal(6.5, two), r)
    std = math.sqrt(one**2 + two**2 - 2.0 * r * one * two)
    for share, score in ((0.5, 0.0), (0.025, -1.95996), (0.975, 1.95996)):
        assert joint.quantile(joint.change, share) == pytest.approx(0.5 + score * std, abs=0.01)


def test_a_constant_correlation_leaves_both_posteriors_as_they_are() -> None:
    joint = joint_ph(normal(6.0, 0.2), normal(8.0, 0.4), 0.8)
    for values, mean, std in ((joint.before, 6.0, 0.2), (joint.after, 8.0, 0.4)):
        assert joint.quantile(values, 0.5) == pytest.approx(mean, abs=0.005)
        assert joint.quantile(values, 0.975) == pytest.approx(mean + 1.96 * std, abs=0.01)


def test_swapping_before_and_after_mirrors_the_change() -> None:
    one, two = normal(5.0, 0.3), normal(5.4, 0.15)

    def tied(change: np.ndarray) -> np.ndarray:
        return 0.8 * np.exp(-(change**2))

    there, back = joint_ph(one, two, tied), joint_ph(two, one, tied)
    for share in (0.025, 0.3, 0.5, 0.9):
        assert there.quantile(there.change, share) == pytest.approx(
            -back.quantile(back.change, 1.0 - share), abs=1e-6
        )


def test_intervals_hold_as_often_as_stated_when_errors_are_made_as_assumed() -> None:
    rng = np.random.default_rng(5)
    tie = Tie(0.9, 1.0, 0.0, 0.0)
    held = 0
    for _ in range(400):
        x, change = rng.uniform(5.0, 9.0), rng.uniform(-1.0, 1.0)
        r = float(tie.correlation(np.array(change), 1.0, 1.0))
        z = rng.multivariate_normal([0.0, 0.0], [[1.0, r], [r, 1.0]])
        joint = joint_ph(
            normal(x + 0.25 * z[0], 0.25),
            normal(x + change + 0.25 * z[1], 0.25),
            lambda d: tie.correlation(d, 1.0, 1.0),
        )
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
        joint_ph((grid, density), normal(7.0, 0.1), 0.0)


def test_the_tie_loosens_with_change_load_and_width() -> None:
    tie = load_pair_model().same_picture
    best = float(tie.correlation(np.array(0.0), 1.0, 1.0))
    assert 0.5 < best < 1.0
    assert float(tie.correlation(np.array(2.0), 1.0, 1.0)) < 0.1 * best
    assert float(tie.correlation(np.array(0.0), 1.0, 3.0)) < best
    assert float(tie.correlation(np.array(0.3), 1.0, 1.0)) == pytest.approx(
        float(tie.correlation(np.array(-0.3), 1.0, 1.0))
    )
    assert float(tie.correlation(np.array(0.0), 0.5, 1.0)) == pytest.approx(
        float(tie.correlation(np.array(0.0), 2.0, 1.0))
    )


def test_one_picture_ties_more_than_two_and_two_cards_nothing() -> None:
    one, two = seen(6.0).reading, seen(6.1).reading
    zero = np.zeros(1)
    near = error_correlation(one, two, same_picture=True, same_card=True)(zero)[0]
    far = error_correlation(one, two, same_picture=False, same_card=True)(zero)[0]
    other = error_correlation(one, two, same_picture=True, same_card=False)(zero)[0]
    assert near > far > 0.0
    assert other == 0.0


def test_dye_load_is_the_length_of_the_absorbance_vector() -> None:
    # A soft floor of 0.01 keeps dark channels finite and shortens the vector a little.
    single, double = (dye_load(seen(6.0, load=load).reading.lab) for load in (1.0, 2.0))
    assert single == pytest.approx(math.sqrt(0.1**2 + 0.5**2 + 0.3**2), rel=0.05)
    assert double / single == pytest.approx(2.0, rel=0.06)


def test_posterior_std_is_that_of_the_law() -> None:
    assert posterior_std(seen(7.0, 0.3).reading) == pytest.approx(0.3, rel=0.01)
