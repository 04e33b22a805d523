"""Altered pictures and their truth: what the table of altered photographs rests on."""

import numpy as np
import pytest
from altered_photos import ALTERATIONS, moved_truth

BOX = [[60.0, 30.0], [100.0, 30.0], [100.0, 110.0], [60.0, 110.0]]


def picture_and_truth():
    """A grey picture with one bright box, and a scene that says where."""
    picture = np.full((140, 180, 3), 90, dtype=np.uint8)
    picture[30:110, 60:100] = 200
    return picture, {"size": [180, 140], "patches": [BOX], "tubes": [{"liquid": BOX}]}


@pytest.mark.parametrize("name", [name for name in ALTERATIONS if not name.startswith("light falls")])
def test_truth_moves_with_the_picture(name):
    picture, scene = picture_and_truth()
    altered, matrix = ALTERATIONS[name](picture)
    moved = moved_truth(scene, matrix, (altered.shape[1], altered.shape[0]))
    rows, columns = np.nonzero(altered.mean(axis=2) > altered.mean(axis=2).max() * 0.8)
    centre = np.mean(moved["tubes"][0]["liquid"], axis=0)
    # the centre of a bright region is that of its corners, to a pixel and what perspective shifts it by
    assert np.hypot(columns.mean() + 0.5 - centre[0], rows.mean() + 0.5 - centre[1]) < 2.0
    assert moved["size"] == [altered.shape[1], altered.shape[0]]


def test_the_first_scene_is_left_alone():
    picture, scene = picture_and_truth()
    _, matrix = ALTERATIONS["rolled by 8 degrees"](picture)
    moved_truth(scene, matrix, (180, 140))
    assert scene["tubes"][0]["liquid"] == BOX


def test_exposure_scales_linear_light():
    # IEC 61966-2-1: code 188 is 50 % of the light of code 255, to the rounding of codes
    picture = np.full((4, 4, 3), 188, dtype=np.uint8)
    altered, _ = ALTERATIONS["light x 0.45"](picture)
    code = altered[0, 0, 0] / 255.0
    assert ((code + 0.055) / 1.055) ** 2.4 == pytest.approx(0.45 * 0.50, abs=0.005)
