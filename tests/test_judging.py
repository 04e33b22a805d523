"""Why no pH is stated: every reason by a colour that shows it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hueph.chart import load_chart
from hueph.colour.correction import ColourCorrection
from hueph.estimating.features import TubeEvidence
from hueph.estimating.posterior import Posterior
from hueph.interval import Interval
from hueph.judging import (
    ALIKE_PH,
    OFF_CHART_DELTA_E,
    VALID_LOG_ODDS,
    chart_is_alike,
    glass_shines,
    refusal_flags,
)
from hueph.white_balance import linear_srgb_to_lab

CHART = load_chart(Path(__file__).parents[1] / "reference_charts/sample-phenol-red-row/chart.toml")
HALF = np.full((3, 3), 0.5)


def reasons(tube: tuple[float, float, float], *, valid: float, delta_e: float = 2.0) -> set[str]:
    """Return why a liquid of this light ratio (linear sRGB over its backing) is refused."""
    ratio = np.array(tube)
    evidence = TubeEvidence(
        ph=np.array([4.0, 5.0, 6.0]),
        patches=HALF,
        artwork=HALF,
        tube=ratio,
        backing=np.ones(3),
        glass=np.ones(3),
        paper_level=0.8,
        noise=0.01,
        low=np.zeros(3),
        high=np.zeros(3),
        correction=ColourCorrection("linear", np.eye(3)),
    )
    grid = np.linspace(4.0, 6.0, 201)
    posterior = Posterior(grid, np.full(201, 0.5), valid, 4.0, 6.0)
    return refusal_flags(evidence, posterior, np.asarray(linear_srgb_to_lab(ratio)), delta_e, CHART)


@pytest.mark.parametrize(
    ("tube", "why"),
    [
        ((0.92, 0.93, 0.92), {"no-colour"}),
        # Grey and rather bright: milk in water.
        ((0.62, 0.62, 0.61), {"turbid"}),
        # Pale yellow: a drop of indicator too few, or turbid; nobody can say which.
        ((0.90, 0.88, 0.70), {"turbid", "too-little-dye"}),
        # Dull and dark: light does not come through.
        ((0.30, 0.24, 0.22), {"turbid"}),
        # Strong green food dye.
        ((0.10, 0.60, 0.10), {"off-chart-colour"}),
    ],
)
def test_what_is_no_sample_is_refused_with_its_reasons(
    tube: tuple[float, float, float], why: set[str]
) -> None:
    assert reasons(tube, valid=VALID_LOG_ODDS - 1.0) == why


def test_a_sample_is_read_unless_no_ph_explains_its_colour() -> None:
    colour = (0.80, 0.60, 0.20)
    assert reasons(colour, valid=VALID_LOG_ODDS + 1.0) == set()
    assert reasons(colour, valid=9.0, delta_e=OFF_CHART_DELTA_E + 1.0) == {"off-chart-colour"}


@pytest.mark.parametrize(
    ("mirrored", "shines"),
    [(0.0, False), (0.04, False), (0.4, True), (float("nan"), False)],
)
def test_glass_brighter_than_the_backing_mirrors_other_light(mirrored: float, shines: bool) -> None:
    # Four surfaces of glass of index 1.52 let ((1 - 0.0426) ** 4) of the backing through (Fresnel, at right angles);
    # what is seen beyond that comes from the front.
    through = (1.0 - ((1.52 - 1.0) / (1.52 + 1.0)) ** 2) ** 4
    assert glass_shines(np.full(3, through + mirrored)) is shines


@pytest.mark.parametrize(
    ("low", "high", "alike"),
    [
        (3.2, 5.8, True),  # yellow all along
        (2.5, 5.8, True),  # beyond the end nothing is printed
        (3.2, 3.2 + ALIKE_PH, False),  # narrow enough
        (3.2, 7.5, False),  # reaches into what is blue
        (None, 5.8, False),
        (3.2, None, False),
    ],
)
def test_a_wide_range_over_one_colour_is_the_charts_doing(
    low: float | None, high: float | None, alike: bool
) -> None:
    yellow, blue = (85.0, 0.0, 60.0), (45.0, 0.0, -40.0)
    colours = {3.0: yellow, 4.0: yellow, 5.0: yellow, 6.0: yellow, 7.0: blue, 8.0: blue}
    patches = tuple(replace(CHART.patches[0], ph=ph, lab=lab) for ph, lab in colours.items())
    chart = replace(CHART, patches=patches)
    assert chart_is_alike(chart, Interval(low, high, 0.95)) is alike
