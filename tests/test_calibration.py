"""What standards teach about a sample: the algebra by hand, and workshops drawn by the renderer."""

from __future__ import annotations

import importlib.util
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from hueph._kriging import _made_possible
from hueph.calibration import (
    IndicatorCalibration,
    Kernel,
    KnownTube,
    dye_load,
    known_tubes,
    picture_distance,
)
from hueph.chart import Chart, Patch, Standard, StandardPhoto
from hueph.errors import NotFittedError
from hueph.estimating.posterior import PooledEvidence, Posterior, pool_experts, spread
from hueph.estimating.scores import conditioned
from hueph.standards_report import StandardsReport

ACCURACY = Path(__file__).parent / "accuracy"


def load_workshop() -> object:
    """The workshop of the accuracy scripts, which import each other by name."""
    sys.path.insert(0, str(ACCURACY))
    try:
        spec = importlib.util.spec_from_file_location("workshop", ACCURACY / "workshop.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["workshop"] = module
        spec.loader.exec_module(module)
    finally:
        sys.path.remove(str(ACCURACY))
    return module


shop = load_workshop()


def bell(mean: float, std: float) -> Posterior:
    """A normal posterior on the four-dye range."""
    grid = np.linspace(2.5, 11.5, 901)
    return Posterior(grid, norm.pdf(grid, mean, std), 5.0, 4.0, 10.0)


def drawn(seed: int, pictures: int, *, tubes: int = 4, same: bool = True) -> list[list[KnownTube]]:
    """Tubes of the pictures of one workshop; the last by another phone unless `same`."""
    rng = np.random.default_rng(seed)
    place = shop.draw_workshop(rng, "four-dye classical")  # type: ignore[attr-defined]
    low, high = place.card.ph[0], place.card.ph[-1]
    result = []
    for number in range(pictures):
        if number == pictures - 1 and not same:
            place = shop.elsewhere(place, rng)  # type: ignore[attr-defined]
        scene = shop.draw_picture(place, rng, rng.uniform(low, high, tubes))  # type: ignore[attr-defined]
        result.append(shop.measured(scene, rng, f"picture {number}"))  # type: ignore[attr-defined]
    return result


@pytest.mark.parametrize(("mean", "variance"), [(0.0, 1.0), (0.8, 0.25), (-1.2, 0.4), (0.3, 1.5)])
def test_a_normal_posterior_moves_and_narrows_as_algebra_says(mean: float, variance: float) -> None:
    """If the truth is N(m, s) and its score is N(a, v), it is N(m + a s, s^2 v)."""
    refined = conditioned(bell(6.0, 0.2), mean, variance)
    assert refined.quantile(0.5) == pytest.approx(6.0 + 0.2 * mean, abs=0.004)
    assert refined.std == pytest.approx(0.2 * math.sqrt(variance), rel=0.02)


def test_a_calibration_without_standards_refuses() -> None:
    tube = drawn(1, 1)[0][0]
    with pytest.raises(NotFittedError, match="holds no standards yet"):
        IndicatorCalibration().refine(tube.evidence, pool_experts(tube.evidence))


def test_one_standard_predicts_the_other_as_two_equations_say() -> None:
    """Simple kriging with one datum: weight c / (c + n), variance c + n - c^2 / (c + n)."""
    first, second = drawn(2, 1, tubes=2)[0]
    kernel = Kernel(card=0.5, setup=0.6, picture=0.3, own=0.6, ph=1e6, load=1e6)
    made = IndicatorCalibration(kernel).fit([first, second])
    left, right = made.left_out(whole_photos=False)
    shared = made.amplitude_**2 * (0.5**2 + 0.6**2 + 0.3**2)
    weight = shared / (shared + 0.6**2)
    assert left.score == pytest.approx(made.scores_[0] - weight * made.scores_[1], abs=1e-9)
    assert left.score_std**2 == pytest.approx(shared + 0.6**2 - weight * shared, abs=1e-9)
    assert right.score == pytest.approx(made.scores_[1] - weight * made.scores_[0], abs=1e-9)


def test_what_a_standard_brings_of_its_own_is_its_weight_times_its_own_error() -> None:
    """One datum of noise n has weight c / (c + n), so its own error moves the score by c / (c + n) sqrt(n)."""
    standard, sample = drawn(2, 1, tubes=2)[0]
    kernel = Kernel(card=0.5, setup=0.6, picture=0.3, own=0.6, ph=1e6, load=1e6)
    made = IndicatorCalibration(kernel).fit([replace(standard, ph_std=0.0)])
    grid = np.linspace(2.5, 11.5, 91)
    normal = PooledEvidence(grid, norm.logpdf(grid, 6.0, 0.5), 5.0, 1.0, 4.0, 10.0)
    below, above = (
        made.refine(sample.evidence, normal, photo=sample.photo, off=off).quantile(0.5) for off in (-1.0, 1.0)
    )
    shared = made.amplitude_**2 * (0.5**2 + 0.6**2 + 0.3**2)
    own = shared / (shared + 0.6**2) * 0.6
    # Normal scores of N(6, 0.5): a score is half a pH unit.
    assert 0.5 * (above - below) == pytest.approx(0.5 * own, abs=0.005)


def test_standards_seen_as_they_were_teach_the_same() -> None:
    *known, sample = drawn(8, 1)[0]
    made = IndicatorCalibration().fit(known)
    pooled = pool_experts(sample.evidence)
    here, there = (one.refine(sample.evidence, pooled) for one in (made, made.seen_as(made.tubes_)))
    assert there.density == pytest.approx(here.density)


def test_a_photograph_left_out_whole_leaves_nothing_of_a_single_one() -> None:
    made = IndicatorCalibration().fit(drawn(3, 1)[0])
    scores = [row.score for row in made.left_out(whole_photos=True)]
    assert scores == pytest.approx(list(made.scores_))


def test_an_uncertain_label_counts_less() -> None:
    standard, sample = drawn(4, 1, tubes=2)[0]
    sure = IndicatorCalibration().fit([standard])
    vague = IndicatorCalibration().fit([replace(standard, ph_std=1.0)])
    pooled = pool_experts(sample.evidence)
    plain = IndicatorCalibration().fit([replace(standard, ph_std=1e3)])
    moved, less, none = (
        one.refine(sample.evidence, pooled, photo=sample.photo).quantile(0.5) for one in (sure, vague, plain)
    )
    assert abs(less - none) <= abs(moved - none) + 1e-9


def test_the_same_phone_looks_more_alike_than_another() -> None:
    *shown, other = drawn(5, 4, same=False)
    made = IndicatorCalibration().fit(shown[0])
    assert picture_distance(shown[0][0].evidence, shown[0][1].evidence) == 0.0
    assert made.likeness(shown[0][0].evidence, "picture 0") == 1.0
    assert made.likeness(shown[1][0].evidence) > made.likeness(other[0].evidence)


def test_a_report_names_the_picture_by_another_phone() -> None:
    made = IndicatorCalibration().fit([tube for picture in drawn(5, 4, same=False) for tube in picture])
    report = StandardsReport(Chart("c", (), (95.0, 0.0, 0.0), (1.0, 1.0)), made)
    assert report._unlike() == "picture 3"


def test_charts_without_a_common_ph_are_not_alike_at_all() -> None:
    evidence = drawn(6, 1)[0][0].evidence
    shifted = replace(evidence, ph=evidence.ph + 20.0)
    assert picture_distance(evidence, shifted) == math.inf
    assert IndicatorCalibration().fit(drawn(6, 1)[0]).likeness(shifted) == 0.0


def test_likenesses_that_do_not_fit_together_are_made_possible() -> None:
    """A is like B and B like C, but A is nothing like C: the smallest eigenvalue is 1 - 0.9 sqrt(2)."""
    odd = np.array([[1.0, 0.9, 0.0], [0.9, 1.0, 0.9], [0.0, 0.9, 1.0]])
    assert np.linalg.eigvalsh(odd)[0] == pytest.approx(1.0 - 0.9 * math.sqrt(2.0))
    assert np.linalg.eigvalsh(_made_possible(odd))[0] == pytest.approx(0.0, abs=1e-12)
    sound = np.array([[1.0, 0.9, 0.8], [0.9, 1.0, 0.9], [0.8, 0.9, 1.0]])
    assert _made_possible(sound) == pytest.approx(sound)


def test_more_dye_is_more_load() -> None:
    evidence = drawn(7, 1)[0][0].evidence
    twice = replace(evidence, tube=evidence.tube**2)
    assert dye_load(twice) > dye_load(evidence)


def test_standards_of_a_workshop_lessen_what_recurs_there() -> None:
    """Six workshops, twelve standards each, twelve samples in other pictures; seeds chosen beforehand."""
    alone, refined, inside = [], [], []
    for seed in range(20, 26):
        pictures = drawn(seed, 6)
        known = [tube for picture in pictures[:3] for tube in picture]
        made = IndicatorCalibration().fit(known)
        for sample in (tube for picture in pictures[3:] for tube in picture):
            pooled = pool_experts(sample.evidence)
            with_help = made.refine(sample.evidence, pooled, photo=sample.photo)
            alone.append(spread(pooled).quantile(0.5) - sample.ph)
            refined.append(with_help.quantile(0.5) - sample.ph)
            inside.append(with_help.quantile(0.025) <= sample.ph <= with_help.quantile(0.975))
    assert np.median(np.abs(refined)) < 0.8 * np.median(np.abs(alone))
    assert np.sqrt(np.mean(np.square(refined))) < np.sqrt(np.mean(np.square(alone)))
    assert np.mean(inside) > 0.85


def test_standards_in_a_chart_are_the_tubes_that_were_seen() -> None:
    """Light put into a chart comes out as the same evidence, artwork in the primaries of the file."""
    square = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    labs = ((60.0, 40.0, 30.0), (75.0, 5.0, 60.0), (60.0, -35.0, 25.0), (45.0, 5.0, -40.0))
    patches = tuple(Patch(4.0 + number, lab, 1.0, square) for number, lab in enumerate(labs))
    identity = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
    seen = ((0.6, 0.2, 0.15), (0.6, 0.45, 0.1), (0.1, 0.35, 0.2), (0.15, 0.12, 0.4))
    photo = StandardPhoto("b.jpg", "ab" * 32, identity, 0.8, (4.0, 5.0, 6.0, 7.0), seen)
    standard = Standard(
        1, 2, (10.0, 20.0), 5.2, 0.02, (0.7, 0.5, 0.1), (0.8, 0.8, 0.8), None, 0.004,
        (0.0, 0.0, 0.3), (0.0, 0.0, 0.0), (0.1, 0.0, 0.0),
    )  # fmt: skip
    chart = Chart("c", patches, (95.0, 0.0, 0.0), (4.0, 1.0), standard_photos=(photo,), standards=(standard,))
    (tube,) = known_tubes(chart)
    assert (tube.ph, tube.ph_std, tube.photo, tube.name) == (5.2, 0.02, "ab" * 32, "tube 2 of b.jpg")
    assert tube.evidence.tube.tolist() == [0.7, 0.5, 0.1]
    assert tube.evidence.neighbours.tolist() == [0.1, 0.0, 0.0]
    assert np.isnan(tube.evidence.glass).all()
    # A neutral L* 45 is 14.5 % of light (CIE 15:2018, L* = 116 (Y/Yn)^(1/3) - 16); red and green of the
    # blue patch lie about it.
    assert tube.evidence.artwork[3][2] > 0.145 > tube.evidence.artwork[3][0]
