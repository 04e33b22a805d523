"""Possible poses of a chart: limits and orders checked against linear algebra."""

from __future__ import annotations

import numpy as np

from hueph.locate._hypotheses import STEEPEST_FORESHORTENING, ChartPlan, _upright_enough, possible_poses
from hueph.locate.geometry import apply_homography, lengths

ROW = np.array([[[x, 0.0], [x + 8.0, 0.0], [x + 8.0, 10.0], [x, 10.0]] for x in (0.0, 10.0, 20.0, 30.0)])
POSE = np.array([[6.0, -1.0, 120.0], [1.5, 5.5, 80.0], [0.0004, -0.0002, 1.0]])


def test_upright_enough_is_what_the_singular_values_say() -> None:
    maps = np.random.default_rng(3).normal(size=(2000, 2, 2))
    values = np.linalg.svd(maps, compute_uv=False)
    expected = (np.linalg.det(maps) > 0) & (values[:, 0] < STEEPEST_FORESHORTENING * values[:, 1])
    assert 0.05 < expected.mean() < 0.5
    np.testing.assert_array_equal(_upright_enough(maps), expected)
    assert not _upright_enough(np.full((1, 2, 2), np.nan)).any()


def test_the_true_pose_is_among_the_possible_ones() -> None:
    seen = apply_homography(POSE, ROW.reshape(-1, 2)).reshape(-1, 4, 2)
    poses = possible_poses(np.roll(seen, 1, axis=1), ChartPlan.of(ROW))
    placed = apply_homography(poses, ROW.reshape(-1, 2))
    off = lengths(placed - seen.reshape(-1, 2)).max(axis=1)
    assert off.min() < 0.01


def test_nothing_seen_gives_no_pose() -> None:
    assert possible_poses(np.zeros((0, 4, 2)), ChartPlan.of(ROW)).shape == (0, 3, 3)
