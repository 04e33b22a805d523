"""The two experts and their pool."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from hueph.errors import InputError
from hueph.estimating.features import FEATURE_COUNT
from hueph.estimating.network import load_scorers
from hueph.estimating.posterior import SCORER_WEIGHT, SURFACE_SCALE, pool


def test_the_surface_enters_with_a_cauchy_law() -> None:
    """SciPy's law, up to what all candidates share."""
    distance = np.array([0.0, 1.0, 5.0, 12.0, 40.0])
    expected = stats.cauchy.logpdf(distance, scale=SURFACE_SCALE)
    found = pool(np.zeros(5), distance)
    assert found - found[0] == pytest.approx(expected - expected[0])


def test_a_colour_that_fits_nowhere_leaves_the_matter_to_the_scorer() -> None:
    """Two candidates 5 apart: decisive near the surface, next to nothing far from it."""
    near, far = (np.diff(pool(np.zeros(2), np.array([least, least + 5.0])))[0] for least in (0.0, 60.0))
    assert near == pytest.approx(-np.log(2.0))
    assert abs(far) < 0.2
    scorer = np.array([0.0, -3.0])
    assert np.diff(pool(scorer, np.array([60.0, 60.0])))[0] == pytest.approx(-3.0 * SCORER_WEIGHT)


def test_shipped_scorers_answer_for_one_tube_as_for_several() -> None:
    features = np.random.default_rng(3).normal(0.0, 0.3, (2, 25, FEATURE_COUNT)).astype(np.float32)
    for scorer in load_scorers():
        both, valid = scorer.score(features)
        one, odds = scorer.score(features[1])
        assert one == pytest.approx(both[1], abs=1e-4)
        assert float(odds) == pytest.approx(float(valid[1]), abs=1e-4)
        assert np.ptp(one) > 1.0


def test_scorers_refuse_other_features() -> None:
    with pytest.raises(InputError, match=rf"must have shape \(..., n, {FEATURE_COUNT}\)"):
        load_scorers()[0].score(np.zeros((4, FEATURE_COUNT - 1), np.float32))
