"""Patches that something lies over: the strip is read by the others, or refused; what is covered is not measured."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from scenes import PATHS, Camera, Layout, Scene, card_scene, make_chart

from hueph.errors import StripNotFound
from hueph.locate._probe import Colours
from hueph.locate._sight import ChartSight
from hueph.locate.strip import locate_strip
from hueph.locate.types import StripLocation
from hueph.measuring import measure_strip
from hueph.photo import Photo, photo_from_array

ROW = Layout((8,), tall=1.5)
TOUCHING = Layout((8,), tall=1.4, gap_x=0.0)
COLUMN = Layout((1,) * 8, tall=0.6, gap_y=0.08, digits="right")
GRID = Layout((4, 4), gap_x=0.2, gap_y=0.7)
LAYOUTS = {"row": ROW, "touching": TOUCHING, "column": COLUMN, "grid": GRID}
SKIN = (176, 124, 84)
SOFT = Camera(blur=1.0, noise=0.01)


def laid_over(
    scene: Scene, patches: tuple[int, ...], colour: Any = SKIN, *, reach: float = 1.2, name: str = "scene.jpg"
) -> Photo:
    """The photograph with something even over patches, each to `reach` times its size."""
    picture = scene.photo.encoded.copy()
    for index in patches:
        quad = scene.patches[index]
        wider = quad.mean(axis=0) + reach * (quad - quad.mean(axis=0))
        cv2.fillConvexPoly(picture, np.round(wider).astype(np.int32), colour)
    return photo_from_array(cv2.GaussianBlur(picture, (0, 0), 0.8), name=name)


def check(found: StripLocation, scene: Scene, hidden: tuple[int, ...]) -> None:
    """Every patch within a tenth of its size of the truth, and those marked that are covered."""
    short = np.linalg.norm(np.roll(scene.patches, -1, axis=1) - scene.patches, axis=2).min(axis=1)
    off = np.linalg.norm(found.patches.mean(axis=1) - scene.patches.mean(axis=1), axis=1)
    assert (off < 0.12 * short).all()
    assert [k for k, seen in enumerate(found.seen) if not seen] == sorted(hidden)
    assert "strip-patch-hidden" in found.flags
    assert found.margin > 4.0


@pytest.mark.parametrize("hidden", [(1, 5), (3, 4), (0, 6)])
@pytest.mark.parametrize("name", sorted(LAYOUTS))
def test_two_covered_of_eight_are_read_by_the_other_six(name: str, hidden: tuple[int, ...]) -> None:
    scene = card_scene(LAYOUTS[name], turn=-7, camera=SOFT)
    check(locate_strip(laid_over(scene, hidden), scene.chart), scene, hidden)


def test_a_cover_of_a_patch_s_own_colour_is_not_measured() -> None:
    """Its colour would do; that it reaches over the paper around tells that it is no print."""
    scene = card_scene(ROW, turn=4, camera=SOFT)
    middle = scene.patches[3].mean(axis=0).astype(int)
    colour = tuple(int(v) for v in scene.photo.encoded[middle[1], middle[0]])
    photo = laid_over(scene, (3,), colour)
    found = locate_strip(photo, scene.chart)
    check(found, scene, (3,))
    usable = measure_strip(photo, scene.chart, found).usable
    assert np.flatnonzero(~usable).tolist() == [3]


@pytest.mark.parametrize("name", ["row", "touching"])
def test_patches_printed_in_other_colours_are_not_excused_as_covered(name: str) -> None:
    """What fills a patch to its edges and no further is print: another chart's."""
    scene = card_scene(LAYOUTS[name], turn=-7, camera=SOFT)
    with pytest.raises(StripNotFound):
        locate_strip(laid_over(scene, (1, 5), reach=1.0), scene.chart)


@pytest.mark.parametrize("hidden", [(0, 2, 4), (1, 2, 3)])
def test_three_covered_of_six_leave_too_few(hidden: tuple[int, ...]) -> None:
    scene = card_scene(Layout((6,), tall=1.5), camera=SOFT)
    with pytest.raises(StripNotFound) as caught:
        locate_strip(laid_over(scene, hidden), scene.chart)
    assert caught.value.reason in {"too-few-patches", "not-seen"}


def test_what_is_left_must_tell_the_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """A chart alike from both ends but for the two in the middle that tell: once they are covered, nothing does."""
    there_and_back = [(72, 35, 38), (74, -30, 22), (65, -19, -5), (77, -18, 49), (74, -30, 22), (72, 35, 38)]
    monkeypatch.setitem(PATHS, "told by the middle", there_and_back)
    scene = card_scene(Layout((8,), tall=1.5, digits="none"), "told by the middle", camera=SOFT)
    assert all(locate_strip(scene.photo, scene.chart).seen)
    with pytest.raises(StripNotFound) as caught:
        locate_strip(laid_over(scene, (3, 4)), scene.chart)
    assert caught.value.reason == "order-ambiguous"


@pytest.mark.parametrize(
    ("name", "path"), [("row", "yellow-magenta"), ("touching", "cabbage"), ("grid", "red-yellow")]
)
def test_covering_patches_makes_no_other_chart_fit(name: str, path: str) -> None:
    scene = card_scene(LAYOUTS[name], "universal", turn=5, camera=SOFT)
    with pytest.raises(StripNotFound):
        locate_strip(laid_over(scene, (2, 5)), make_chart(LAYOUTS[name], path))


@pytest.mark.parametrize(
    ("colour", "paper_inside", "may"),
    [((0.6, 0.05, 0.1), False, True), ((0.6, 0.05, 0.1), True, False), ((0.7, -0.1, 0.05), False, False)],
    ids=["its own", "with paper inside", "its neighbour's"],
)
def test_a_cover_shows_no_paper_and_ends_before_its_neighbour(
    colour: tuple[float, float, float], paper_inside: bool, may: bool
) -> None:
    """Else the chart lies wrongly over larger or smaller patches, whose prints run across the edges it expects."""
    sight = ChartSight.of(make_chart(Layout((3,), gap_x=0.1)))
    relative = np.array([[(0.8, 0.1, 0.1), colour, (0.7, -0.1, 0.05)]])
    inside = np.array([False, paper_inside, False])
    colours = Colours(relative, np.zeros((1, 3)), np.ones((1, 3), dtype=bool), np.ones((1, 3)), inside)
    assert sight.may_be_covered(colours, np.array([False, True, False])).tolist() == [False, may, False]
