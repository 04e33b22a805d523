"""A sample beside the curve that standards bend: one standard by hand, several by what has to agree."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from test_calibration import drawn

from hueph._beside_standards import LEAST_LOG, LiquidCurves, SeenTube, log_on_grid
from hueph._known_tubes import ALIKE, KnownTube, likeness, picture_distance
from hueph._types import Float32Array
from hueph.calibration import IndicatorCalibration
from hueph.estimating.features import GRID_STEP_PH
from hueph.estimating.posterior import Posterior, pool_experts, spread
from hueph.estimating.scores import log_pool

# Columns of the features: differences from the chart's own curve, and from the bent one with the variance left.
OWN_CURVE, NEAR, NEAR_VARIANCE, FAR, FAR_VARIANCE = slice(0, 9), slice(11, 20), 20, slice(24, 33), 33
NEAREST_LABELS = slice(43, 45)


def features_of(
    sample: KnownTube, known: list[KnownTube], *, others: list[int] | None = None
) -> Float32Array:
    """Features with a flat posterior."""
    seen = SeenTube.of(sample.evidence)
    flat = np.zeros(len(seen.view.grid))
    used = None if others is None else np.array(others)
    return LiquidCurves(known, 1.0).features(seen, sample.photo, (flat, flat), 1.0, used)


def on_grid(tube: KnownTube) -> tuple[KnownTube, int]:
    """The tube labelled with the nearest candidate pH, and the candidate's row."""
    start = float(SeenTube.of(tube.evidence).view.grid[0])
    row = round((tube.ph - start) / GRID_STEP_PH)
    return replace(tube, ph=start + row * GRID_STEP_PH, ph_std=0.0), row


def test_one_standard_bends_the_curve_by_its_share_of_the_variance() -> None:
    """Simple kriging with one datum of variance 1 and noise n: weight 1 / (1 + n), variance n / (1 + n).

    A sample that is the standard itself keeps n / (1 + n) of its difference from the chart's curve; n is 0.12 for
    the near reach and 0.25 for the far one (both fixed in the module).
    """
    tube, row = on_grid(drawn(31, 1)[0][1])
    features = features_of(tube, [tube])[row]
    for columns, variance, noise in ((NEAR, NEAR_VARIANCE, 0.12), (FAR, FAR_VARIANCE, 0.25)):
        left = noise / (1.0 + noise)
        assert features[columns] == pytest.approx(left * features[OWN_CURVE], abs=1e-5)
        assert features[variance] == pytest.approx(left, abs=1e-5)


def test_far_from_every_label_the_curve_is_the_charts_own() -> None:
    tube, row = on_grid(drawn(31, 1)[0][1])
    features = features_of(tube, [tube])
    far = np.abs(np.arange(len(features)) - row) * GRID_STEP_PH > 4 * 0.45
    assert far.any()
    assert features[far, NEAR] == pytest.approx(features[far, OWN_CURVE], abs=2e-3)
    assert features[far, NEAR_VARIANCE] == pytest.approx(1.0, abs=1e-3)


def test_an_unsure_label_bends_less() -> None:
    tube, row = on_grid(drawn(32, 1)[0][0])
    sure, unsure = (features_of(tube, [replace(tube, ph_std=std)])[row] for std in (0.0, 0.3))
    # Its own variance grows by (0.3 / 0.3)^2 = 1: 1.12 / 2.12 of the difference is left, not 0.12 / 1.12.
    assert unsure[NEAR] == pytest.approx(1.12 / 2.12 * unsure[OWN_CURVE], abs=1e-5)
    assert np.linalg.norm(sure[NEAR]) < np.linalg.norm(unsure[NEAR])


def test_standards_that_may_not_be_used_might_as_well_not_be_there() -> None:
    known = [tube for picture in drawn(33, 3)[:2] for tube in picture]
    sample = drawn(33, 3)[2][0]
    chosen = [0, 2, 5]
    fewer = features_of(sample, [known[index] for index in chosen])
    assert features_of(sample, known, others=chosen) == pytest.approx(fewer, abs=1e-5)


def test_the_next_labels_above_and_below_are_told_in_ph_units() -> None:
    tube, row = on_grid(drawn(34, 1)[0][2])
    above, below = features_of(tube, [tube])[:, NEAREST_LABELS].T
    assert (above[row], below[row]) == pytest.approx((0.0, 0.0), abs=1e-6)
    assert (above[row - 5], below[row - 5]) == pytest.approx((0.5, 2.0), abs=1e-5)
    assert (above[row + 5], below[row + 5]) == pytest.approx((2.0, 0.5), abs=1e-5)


def test_likeness_falls_off_as_a_normal_curve_of_the_distance() -> None:
    one, other = (picture[0].evidence for picture in drawn(35, 2))
    assert likeness(one, other, same=True) == 1.0
    expected = math.exp(-0.5 * (picture_distance(one, other) / ALIKE) ** 2)
    assert likeness(one, other, same=False) == pytest.approx(expected)


def test_a_log_density_on_candidates_has_its_top_at_nothing_and_a_floor() -> None:
    fine = np.linspace(4.0, 8.0, 401)
    density = np.exp(-0.5 * ((fine - 6.0) / 0.2) ** 2)
    values = log_on_grid(Posterior(fine, density, 5.0, 4.0, 8.0), np.array([4.0, 5.8, 6.0, 8.0]))
    assert values == pytest.approx([LEAST_LOG, -0.5, 0.0, LEAST_LOG])


def test_normal_posteriors_pool_with_weighted_precision() -> None:
    """Precisions add by their weights: N(5, 0.2) and N(6, 0.4) at 3 : 1 give mean 5.0769, std 0.2219."""
    grid = np.linspace(2.0, 9.0, 7001)
    bells = [np.exp(-0.5 * ((grid - mean) / std) ** 2) / std for mean, std in ((5.0, 0.2), (6.0, 0.4))]
    one, other = (Posterior(grid, bell / np.sqrt(2 * np.pi), 5.0, 4.0, 8.0) for bell in bells)
    pooled = log_pool(one, other, 0.75)
    precision = 0.75 / 0.2**2 + 0.25 / 0.4**2
    assert pooled.mean == pytest.approx((0.75 * 5.0 / 0.2**2 + 0.25 * 6.0 / 0.4**2) / precision, abs=1e-3)
    assert pooled.std == pytest.approx(1.0 / math.sqrt(precision), rel=1e-3)


def test_standards_in_pictures_that_look_otherwise_are_left_to_kriging(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    *_, known, samples = drawn(36, 2)
    made = IndicatorCalibration().fit(known)
    sample = samples[0]
    pooled = pool_experts(sample.evidence)
    helped = made.refine(sample.evidence, pooled)
    monkeypatch.setattr("hueph.calibration.IndicatorCalibration._alike", lambda *_: 0.0)
    alone = IndicatorCalibration().fit(known)
    unlike = alone.refine(sample.evidence, pooled)
    monkeypatch.setattr("hueph.calibration.load_refiners", lambda: pytest.fail("network asked"))
    kriged = alone.refine(sample.evidence, pooled, off=1e-12)
    assert unlike.density == pytest.approx(kriged.density, rel=1e-6, abs=1e-8)
    assert np.abs(helped.density - spread(pooled).density).max() > 0.05
