"""Plane geometry of locating: expected values from algebra."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hueph.locate.geometry import (
    apply_homography,
    bounding_corners,
    fit_affine,
    fit_homographies,
    fit_homography,
    lengths,
    local_jacobian,
    quad_area,
    quad_overlap,
    quad_sides,
    resize_homography,
    square_to_quads,
)

SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
POSE = np.array([[80.0, -12.0, 300.0], [9.0, 71.0, 150.0], [0.02, -0.015, 1.0]])


def test_homography_is_recovered_from_its_own_points() -> None:
    grid = np.array([[x, y] for x in range(4) for y in range(3)], dtype=float)
    for points in (grid, SQUARE * 3.0):
        fitted = fit_homography(points, apply_homography(POSE, points))
        np.testing.assert_allclose(fitted / fitted[2, 2], POSE, rtol=1e-9, atol=1e-9)


def test_homographies_fitted_at_once_are_those_fitted_one_by_one() -> None:
    rng = np.random.default_rng(7)
    source = np.array([[x, y] for x in range(5) for y in range(3)], dtype=float)
    targets = apply_homography(np.stack([POSE, np.eye(3), np.diag([3.0, 2.0, 1.0])]), source)
    targets = targets + rng.normal(0.0, 0.05, targets.shape)
    used = rng.random(targets.shape[:2]) < 0.7
    targets[~used] = 1e4  # what is not used must not matter
    for found, target, use in zip(fit_homographies(source, targets, used), targets, used, strict=True):
        np.testing.assert_allclose(found, fit_homography(source[use], target[use]), rtol=1e-6, atol=1e-8)


def test_lengths_are_norms() -> None:
    vectors = np.random.default_rng(8).normal(size=(3, 5, 2))
    np.testing.assert_allclose(lengths(vectors), np.linalg.norm(vectors, axis=-1), rtol=1e-12)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-0.2, 0.2), min_size=8, max_size=8))
def test_closed_form_agrees_with_the_fit(moves: list[float]) -> None:
    quad = (SQUARE + np.reshape(moves, (4, 2))) * 50.0 + 20.0
    closed = square_to_quads(quad)
    np.testing.assert_allclose(apply_homography(closed, SQUARE), quad, atol=1e-8)
    fitted = fit_homography(SQUARE, quad)
    np.testing.assert_allclose(fitted / fitted[2, 2], closed, rtol=1e-6, atol=1e-6)


def test_many_homographies_at_once() -> None:
    both = apply_homography(np.stack([np.eye(3), POSE]), SQUARE)
    np.testing.assert_allclose(both[0], SQUARE)
    np.testing.assert_allclose(both[1], apply_homography(POSE, SQUARE))


def test_point_behind_the_horizon_is_not_a_number() -> None:
    assert np.isnan(apply_homography(POSE, np.array([[-60.0, 0.0]]))).all()


def test_affine_fit_takes_many_targets() -> None:
    turn = np.array([[0.0, -2.0], [2.0, 0.0]])
    targets = np.stack([SQUARE @ turn.T + 5.0, SQUARE])
    affine = fit_affine(SQUARE, targets)
    np.testing.assert_allclose(affine[0], [[0, -2, 5], [2, 0, 5], [0, 0, 1]], atol=1e-12)
    np.testing.assert_allclose(affine[1], np.eye(3), atol=1e-12)


def test_jacobian_equals_finite_differences() -> None:
    point, step = np.array([0.7, 0.4]), 1e-6
    ahead = apply_homography(POSE, point + step * np.eye(2))
    behind = apply_homography(POSE, point - step * np.eye(2))
    numeric = ((ahead - behind) / (2 * step)).T
    np.testing.assert_allclose(local_jacobian(POSE, point), numeric, rtol=1e-6)


def test_area_tells_the_way_round() -> None:
    assert quad_area(SQUARE) == pytest.approx(1.0)
    assert quad_area(SQUARE[::-1]) == pytest.approx(-1.0)
    np.testing.assert_allclose(quad_sides(SQUARE * [3.0, 2.0]), [3.0, 2.0])


def test_squares_half_a_side_apart_overlap_by_a_third() -> None:
    assert quad_overlap(SQUARE, SQUARE + np.array([0.5, 0.0])) == pytest.approx(1 / 3, abs=1e-6)
    assert quad_overlap(SQUARE, SQUARE) == pytest.approx(1.0, abs=1e-6)
    assert quad_overlap(SQUARE, SQUARE + 3.0) == 0.0


def test_reduced_pixels_cover_their_sources() -> None:
    # the first of pixels reduced 3 : 1 covers sources 0, 1, 2, whose middle is 1
    np.testing.assert_allclose(apply_homography(resize_homography(3.0), np.array([[0.0, 1.0]])), [[1.0, 4.0]])


def test_bounding_corners_start_top_left() -> None:
    points = np.array([[3.0, 1.0], [0.0, 2.0], [1.0, 5.0]])
    assert bounding_corners(points).tolist() == [[0, 1], [3, 1], [3, 5], [0, 5]]
