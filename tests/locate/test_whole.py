"""Strip and tubes of pictures on their side, upside down, and of pictures of a photograph."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from hueph._photo.upright import quarter_turned
from hueph.chart import Chart, load_chart
from hueph.errors import InputError, TubesNotFound
from hueph.locate.frame import without_frame
from hueph.locate.geometry import quad_overlap
from hueph.locate.whole import Located, locate_all
from hueph.photo import Photo, load_photo, photo_from_array
from hueph.shipped import find_chart

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
FILE = "five-tubes.jpg"


@cache
def sample() -> tuple[Photo, Chart, Any, Any]:
    """Return a photograph, its chart, and the true outlines of liquids and patches, working pixels."""
    scenes = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
    (scene,) = (scene for scene in scenes if FILE in [shot["file"] for shot in scene["shots"]])
    photo = load_photo(SAMPLES / FILE)
    liquids = photo.to_working([tube["liquid"] for tube in scene["tubes"]])
    return photo, load_chart(find_chart(scene["chart"])), liquids, photo.to_working(scene["patches"])


def check(located: Located, liquids: Any, patches: Any) -> None:
    """Check that every liquid and patch was found at its place in the whole picture, from the left as set upright."""
    found = [located.photo.to_full(tube.liquid) for tube in located.tubes]
    assert all(quad_overlap(quad, true) > 0.6 for quad, true in zip(found, liquids, strict=True))
    assert located.strip is not None
    side = float(np.linalg.norm(patches[0, 1] - patches[0, 0]))
    assert np.abs(located.photo.to_full(located.strip.patches) - patches).max() < 0.2 * side


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_a_picture_stored_on_its_side_is_read_turned_upright(quarters: int) -> None:
    photo, chart, liquids, patches = sample()
    stored = photo_from_array(quarter_turned(photo.encoded, quarters))
    upright = stored.turned(-quarters)
    located = locate_all(stored, chart)
    assert located.flags == {"picture-turned"}
    assert located.photo.turns == -quarters % 4
    check(located, upright.to_full(liquids), upright.to_full(patches))


def test_a_card_that_hangs_on_its_side_does_not_turn_the_picture() -> None:
    photo, chart, liquids, patches = sample()
    picture = photo.encoded.copy()
    (left, top), (right, bottom) = patches.reshape(-1, 2).min(axis=0), patches.reshape(-1, 2).max(axis=0)
    margin = 0.45 * np.linalg.norm(patches[0, 1] - patches[0, 0])
    box = np.round([left - margin, top - margin, right + margin, bottom + margin]).astype(int)
    card = picture[box[1] : box[3], box[0] : box[2]].copy()
    picture[box[1] : box[3], box[0] : box[2]] = np.median(card, axis=(0, 1))
    hung = cv2.resize(quarter_turned(card, 1), None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)
    height, width = hung.shape[:2]
    picture[20 : 20 + height, 20 : 20 + width] = hung
    located = locate_all(photo_from_array(picture), chart)
    assert located.strip is not None
    assert not located.flags
    assert len(located.tubes) == len(liquids)


def in_a_screenshot(picture: Any) -> tuple[Any, Any]:
    """Return a telephone's screen with dark bars and a line of symbols, and scale and place of the picture on it."""
    screen = np.full((2532, 1170, 3), 18, np.uint8)
    cv2.putText(screen, "9:41", (60, 90), cv2.FONT_HERSHEY_SIMPLEX, 1.6, (250, 250, 250), 4)
    return laid(screen, picture, 1170 / picture.shape[1], (0, 700))


def between_bars(picture: Any) -> tuple[Any, Any]:
    """Return a screen held sideways with white bars on both sides."""
    scale = 1170 / picture.shape[0]
    return laid(
        np.full((1170, 2532, 3), 252, np.uint8),
        picture,
        scale,
        (int(2532 - picture.shape[1] * scale) // 2, 0),
    )


def on_a_page(picture: Any) -> tuple[Any, Any]:
    """Return a page with lines of text above and below the picture."""
    page = np.full((2339, 1654, 3), 255, np.uint8)
    for y in [*range(120, 500, 45), *range(1700, 2200, 45)]:
        cv2.putText(
            page, f"tank {y // 45}: citrate and phosphate, as every week", (150, y), 0, 1.1, (20, 20, 20), 2
        )
    return laid(page, picture, 800 / max(picture.shape[:2]), (270, 620))


def in_a_frame(picture: Any) -> tuple[Any, Any]:
    """Return a print with a white margin in a dark frame."""
    height, width = picture.shape[:2]
    wall = np.full((height + 360, width + 360, 3), 235, np.uint8)
    wall[60:-60, 60:-60] = 40
    wall[130:-130, 130:-130] = 250
    return laid(wall, picture, 1.0, (180, 180))


def laid(ground: Any, picture: Any, scale: float, at: tuple[int, int]) -> tuple[Any, Any]:
    """Lay a scaled picture on the ground; return that, and the map (2, 3) of its pixels."""
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    x, y = at
    ground[y : y + small.shape[0], x : x + small.shape[1]] = small
    return ground, np.array([[scale, 0, x], [0, scale, y]])


@pytest.mark.parametrize("view", [in_a_screenshot, between_bars, on_a_page, in_a_frame])
def test_a_photograph_within_a_picture_is_found_whole(view: Any) -> None:
    photo, chart, liquids, patches = sample()
    picture, to_view = view(photo.encoded)
    located = locate_all(photo_from_array(picture), chart)
    check(located, *(points @ to_view[:, :2].T + to_view[:, 2] for points in (liquids, patches)))


def test_an_over_exposed_backing_is_no_frame() -> None:
    picture = np.full((900, 1200, 3), 255, np.uint8)
    picture[700:] = (150, 110, 70)
    picture[400:700, 300:380] = (200, 120, 40)
    picture[200:300, 600:1000] = (90, 140, 60)
    photo = photo_from_array(picture)
    assert without_frame(photo) is photo


@pytest.mark.parametrize("value", [0, 128, 255])
def test_a_flat_picture_has_no_frame(value: int) -> None:
    photo = photo_from_array(np.full((300, 400, 3), value, np.uint8))
    assert without_frame(photo) is photo


def test_a_tube_outlined_beyond_the_photograph_keeps_the_whole_picture() -> None:
    photo, chart, _, _ = sample()
    picture, _ = in_a_screenshot(photo.encoded)
    located = locate_all(photo_from_array(picture), chart, boxes=[(100, 300, 80, 200)])
    assert located.photo.encoded.shape == picture.shape
    assert located.tubes[0].liquid[0].tolist() == [100, 300]


def test_without_tubes_nothing_is_turned() -> None:
    rng = np.random.default_rng(3)
    noise = np.clip(128 + 12 * rng.standard_normal((600, 800, 3)), 0, 255).astype(np.uint8)
    with pytest.raises(TubesNotFound, match="turn a picture that lies on its side"):
        locate_all(photo_from_array(noise), None)


@pytest.mark.parametrize("quarters", [-1, 0, 1, 2, 3, 6])
def test_points_of_a_part_turned_are_those_of_the_whole(quarters: int) -> None:
    rng = np.random.default_rng(1)
    picture = rng.integers(0, 256, (40, 60, 3)).astype(np.uint8)
    view = photo_from_array(picture).part(slice(5, 35), slice(10, 50)).turned(quarters)
    for x, y in ((0, 0), (7, 3), (20, 29)):
        at_x, at_y = view.to_full([float(x), float(y)]).astype(int)
        assert view.encoded[y, x].tolist() == picture[at_y, at_x].tolist()
        assert view.to_working([float(at_x), float(at_y)]).tolist() == [x, y]


def test_no_part_is_cut_from_a_turned_picture() -> None:
    turned = photo_from_array(np.zeros((20, 30, 3), np.uint8)).turned(1)
    with pytest.raises(InputError, match="before it is turned"):
        turned.part(slice(0, 5), slice(0, 5))


def test_read_only_pixels_are_searched_for_a_frame() -> None:
    picture = np.full((300, 400, 3), 20, np.uint8)
    picture[60:240, 80:330] = np.random.default_rng(2).integers(90, 200, (180, 250, 3))
    picture.setflags(write=False)
    height, width = without_frame(photo_from_array(picture)).encoded.shape[:2]
    assert 170 <= height <= 180
    assert 240 <= width <= 250
