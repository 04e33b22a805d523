"""The roll of a camera, from the directions of the edges in its picture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scenes import rendered_small, rolled

from hueph._types import UInt8Array
from hueph.locate._tube_roll import estimate_roll


@pytest.mark.parametrize("degrees", [-40.0, -18.0, -3.0, 0.0, 7.0, 25.0, 44.0])
def test_roll_of_drawn_rectangles(degrees: float) -> None:
    angle = np.radians(degrees)
    # the picture's rows run down: a positive angle is clockwise
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    assert estimate_roll(_rectangles(turn)) == pytest.approx(degrees, abs=1.0)


@pytest.mark.parametrize("degrees", [-30, 12, 25])
def test_roll_of_a_rendered_photograph(degrees: float) -> None:
    picture, _ = rolled(rendered_small(3)[0], degrees)
    small = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    assert estimate_roll(np.asarray(small, np.uint8)) == pytest.approx(degrees, abs=2.5)


def test_no_roll_where_there_is_no_direction() -> None:
    assert estimate_roll(np.full((90, 120, 3), 119, np.uint8)) == 0.0
    noise = np.random.default_rng(1).integers(0, 256, (300, 400, 3), dtype=np.uint8)
    assert estimate_roll(noise) == 0.0
    disc = np.zeros((300, 400, 3), np.uint8)
    cv2.circle(disc, (200, 150), 90, (250, 250, 250), -1, cv2.LINE_AA)
    assert estimate_roll(disc) == 0.0


def _rectangles(turn: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> UInt8Array:
    """Three rectangles of one attitude on grey."""
    picture = np.full((300, 400, 3), 150, np.uint8)
    for x, y, width, height, code in (
        (110, 140, 30, 90, 60),
        (200, 160, 30, 120, 220),
        (290, 140, 60, 60, 90),
    ):
        corners = np.array([[-width, -height], [width, -height], [width, height], [-width, height]]) / 2
        points = np.round((corners @ turn.T + [x, y]) * 16).astype(np.int32)
        cv2.fillConvexPoly(picture, points, (code, code, code), cv2.LINE_AA, shift=4)
    # no lens draws sharper
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.0), np.uint8)
