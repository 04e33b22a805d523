"""Vessels with liquid: found in drawn scenes, and outlined by hand."""

from __future__ import annotations

import numpy as np
import pytest

from hueph.errors import InputError, TubesNotFound
from hueph.locate.tubes import locate_tubes
from hueph.photo import photo_from_array


def test_box_by_hand_is_the_liquid_and_holds_the_core() -> None:
    photo = photo_from_array(np.full((300, 400, 3), 200, np.uint8))
    tubes = locate_tubes(photo, None, boxes=[(250, 60, 80, 200), (40, 50, 60, 180)])
    assert [tube.by_hand for tube in tubes] == [True, True]
    assert tubes[0].liquid.tolist() == [[40, 50], [100, 50], [100, 230], [40, 230]]
    for tube in tubes:
        assert (tube.core.min(axis=0) > tube.liquid.min(axis=0)).all()
        assert (tube.core.max(axis=0) < tube.liquid.max(axis=0)).all()
        assert "tube-by-hand" in tube.flags


@pytest.mark.parametrize(
    ("box", "text"),
    [
        ((10, 10, 0, 50), "at least 4 pixels"),
        ((10, 10, float("nan"), 50), "finite"),
        ((380, 10, 50, 50), "must lie in the picture"),
        ((1, 2, 3), "four numbers"),
    ],
)
def test_wrong_box_is_one_clear_sentence(box: tuple[float, ...], text: str) -> None:
    photo = photo_from_array(np.full((300, 400, 3), 200, np.uint8))
    with pytest.raises(InputError, match=text):
        locate_tubes(photo, None, boxes=[box])  # type: ignore[list-item]


@pytest.mark.parametrize("value", [0, 119, 255])
def test_empty_picture_has_no_tube(value: int) -> None:
    with pytest.raises(TubesNotFound, match="no tube found in array"):
        locate_tubes(photo_from_array(np.full((300, 400, 3), value, np.uint8)), None)
