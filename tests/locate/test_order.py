"""Colours compared with a chart, and the rival orders: expected values from algebra."""

from __future__ import annotations

import numpy as np
import pytest
from scenes import HARD_PATHS, PATHS, Layout, make_chart

from hueph.locate._order import MISFIT_CAP, chart_colours, colour_misfit, relative_oklab
from hueph.locate._rivals import rival_placements, stretched_placements


@pytest.mark.parametrize("path", sorted(set(PATHS) - set(HARD_PATHS)))
def test_own_colours_fit_and_reversed_ones_do_not(path: str) -> None:
    reference = chart_colours(make_chart(Layout((7,)), path))
    same = colour_misfit(reference[None], reference)
    assert same.misfit[0] < 1e-6
    assert same.saturation[0] == pytest.approx(1.0)
    reverse = colour_misfit(reference[None, ::-1], reference)
    assert reverse.misfit[0] > 2.0


def test_light_divides_out() -> None:
    rng = np.random.default_rng(1)
    light, lamp = rng.uniform(0.1, 0.9, (9, 3)), np.array([0.9, 0.6, 0.3])
    np.testing.assert_allclose(relative_oklab(light * lamp, lamp), relative_oklab(light, np.ones(3)))


def test_one_hidden_patch_costs_the_cap_and_moves_no_other() -> None:
    reference = chart_colours(make_chart(Layout((9,))))
    observed = reference.copy()
    observed[4] = np.nan
    fit = colour_misfit(observed[None], reference)
    assert fit.misfit[0] == pytest.approx(MISFIT_CAP / 3.0, rel=1e-6)
    assert np.delete(fit.residual[0], 4).max() < 1e-6
    assert fit.residual[0, 4] == np.inf


def test_row_has_shifts_and_turns_for_rivals_but_not_itself() -> None:
    corners = make_chart(Layout((5,))).corners
    placements, mirrored = rival_placements(corners)
    assert mirrored.any()
    assert not mirrored.all()
    centres = corners.mean(axis=1)
    for placement in placements:
        moved = centres @ placement[:2, :2].T + placement[:2, 2]
        assert np.linalg.norm(moved - centres, axis=1).max() > 0.9


def test_square_grid_has_quarter_turns_for_rivals() -> None:
    corners = make_chart(Layout((3, 3, 3), tall=1.0, gap_x=0.3, gap_y=0.3)).corners
    placements, _ = rival_placements(corners)
    quarter = [p for p in placements if abs(p[0, 0]) < 1e-9 and np.linalg.det(p) > 0]
    assert quarter


def test_longer_and_shorter_rows_are_rivals_anchored_at_every_place() -> None:
    corners = make_chart(Layout((7,), gap_x=0.0)).corners
    placements, axes = stretched_placements(corners)
    assert (axes == 0).all()
    outer = np.stack([corners[0, 0], corners[-1, 1]])
    spans = {tuple(np.round((outer @ p[:2, :2].T + p[:2, 2])[:, 0] - outer[0, 0], 6)) for p in placements}
    assert spans == {(0, 5), (1, 6), (2, 7), (0, 6), (1, 7), (0, 8), (-1, 7), (0, 9), (-1, 8), (-2, 7)}


def test_row_of_four_has_no_rivals_of_another_length() -> None:
    assert len(stretched_placements(make_chart(Layout((4,))).corners)[0]) == 0
