"""Cards of our own in photographs: found by their markers, whichever way they are held, or refused."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from hueph import Chart, load_chart
from hueph.cards import plan_card
from hueph.cards.write import FORMATS
from hueph.errors import InputError, StripNotFound
from hueph.locate.card import locate_card, printed_parts, without_print
from hueph.locate.strip import locate_strip
from hueph.photo import photo_from_array
from hueph.shipped import find_chart

SIZE = (1200, 900)
SCALE = 3.0  # pixels of the flat card per millimetre
# Corners of the card in the picture: from its top-left clockwise.
UPRIGHT = ((150, 110), (1060, 160), (1010, 770), (110, 720))
QUARTER = ((980, 60), (1010, 860), (420, 830), (400, 90))
UPSIDE_DOWN = tuple((1200 - x, 900 - y) for x, y in UPRIGHT)


@pytest.fixture(scope="module")
def card() -> tuple[Chart, Any]:
    """Chart of a printed card, and the card at 3 pixels per millimetre."""
    return draw("sample-universal-row")


def draw(name: str) -> tuple[Chart, Any]:
    """Plan a card and draw it."""
    plan = plan_card(load_chart(find_chart(name)))
    flat = cv2.imdecode(np.frombuffer(FORMATS[".png"](plan.page), np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    size = (round(297 * SCALE), round(210 * SCALE))
    return plan.chart, cv2.resize(flat, size, interpolation=cv2.INTER_AREA)


def photograph(flat: Any, corners: Any, *, lamp: Any = (0.85, 0.8, 0.7)) -> tuple[Any, Any]:
    """The card on a brown table, and the homography from millimetres to pixels (centres at whole numbers)."""
    height, width = flat.shape[:2]
    source = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32) - 0.5
    view = cv2.getPerspectiveTransform(source, np.array(corners, np.float32) - 0.5)
    picture = np.full((SIZE[1], SIZE[0], 3), (120, 95, 70), np.float32)
    cv2.warpPerspective(
        flat.astype(np.float32),
        view,
        SIZE,
        dst=picture,
        flags=cv2.INTER_AREA,
        borderMode=cv2.BORDER_TRANSPARENT,
    )
    across = np.linspace(1.05, 0.85, SIZE[0])[None, :, None] * np.array(lamp) ** (1 / 2.2)
    noise = np.random.default_rng(3).normal(0, 1.5, picture.shape)
    seen = np.clip(cv2.GaussianBlur(picture, (0, 0), 0.8) * across + noise, 0, 255).astype(np.uint8)
    to_flat = np.array([[SCALE, 0, -0.5], [0, SCALE, -0.5], [0, 0, 1]])
    return seen, view @ to_flat


def places(homography: Any, corners: Any) -> Any:
    """Points through a homography."""
    return cv2.perspectiveTransform(np.asarray(corners, float).reshape(1, -1, 2), homography)[0]


@pytest.mark.parametrize("corners", [UPRIGHT, QUARTER, UPSIDE_DOWN])
def test_patches_are_where_they_were_printed(card: tuple[Chart, Any], corners: Any) -> None:
    chart, flat = card
    picture, truth = photograph(flat, corners)
    strip = locate_strip(photo_from_array(picture), chart)
    assert all(strip.seen)
    assert np.abs(strip.patches.reshape(-1, 2) - places(truth, chart.corners)).max() < 1.0


def test_two_markers_are_enough_and_a_covered_patch_is_left_out(card: tuple[Chart, Any]) -> None:
    chart, flat = card
    covered = flat.copy()
    for marker in (chart.markers[0], chart.markers[2]):
        x, y = (np.array(marker.corners[0]) * SCALE).astype(int)
        covered[y : y + 30, x : x + 60] = (90, 60, 50)
    x, y = (np.array(chart.patches[4].corners[0]) * SCALE).astype(int)
    covered[y : y + 90, x + 20 : x + 120] = (40, 30, 30)  # a finger over patches 5 and 6
    picture, truth = photograph(covered, UPRIGHT)
    strip = locate_strip(photo_from_array(picture), chart)
    assert np.flatnonzero(~np.array(strip.seen)).tolist() in ([4], [4, 5])
    assert np.abs(strip.patches.reshape(-1, 2) - places(truth, chart.corners)).max() < 4.0


def test_one_marker_is_too_few(card: tuple[Chart, Any]) -> None:
    chart, flat = card
    half = flat.copy()
    half[:, : int(140 * SCALE)] = 200
    half[: int(60 * SCALE)] = 200
    picture, _ = photograph(half, UPRIGHT)
    with pytest.raises(StripNotFound, match="1 of 4 corner markers") as caught:
        locate_strip(photo_from_array(picture), chart)
    assert caught.value.reason == "too-few-patches"


def test_another_card_with_the_same_markers_is_refused(card: tuple[Chart, Any]) -> None:
    chart, _ = card
    _, other = draw("sample-phenol-red-row")
    picture, _ = photograph(other, UPRIGHT)
    with pytest.raises(StripNotFound, match="does not show the colours of universal row card A4"):
        locate_strip(photo_from_array(picture), chart)


def test_a_mirrored_picture_is_named(card: tuple[Chart, Any]) -> None:
    chart, flat = card
    picture, _ = photograph(flat, UPRIGHT)
    with pytest.raises(StripNotFound, match="mirrored"):
        locate_strip(photo_from_array(np.ascontiguousarray(picture[:, ::-1])), chart)


def test_a_far_card_is_too_small(card: tuple[Chart, Any]) -> None:
    chart, flat = card
    far = ((500, 400), (620, 402), (618, 486), (498, 484))
    picture, _ = photograph(flat, far)
    with pytest.raises(StripNotFound, match=r"at least 6 are needed; go nearer|corner markers"):
        locate_strip(photo_from_array(picture), chart)


def test_a_chart_without_markers_is_no_card() -> None:
    picture = photo_from_array(np.zeros((40, 40, 3), np.uint8))
    with pytest.raises(InputError, match="has no markers"):
        locate_card(picture, load_chart(find_chart("sample-universal-row")))


def test_print_is_painted_over_in_the_paper_colour_beside_it(card: tuple[Chart, Any]) -> None:
    chart, flat = card
    with_tube = flat.copy()
    tube = np.array([[140, 110], [156, 110], [156, 200], [140, 200]])
    x, y = (tube[0] * SCALE).astype(int)
    with_tube[y : y + 270, x : x + 48] = (60, 90, 160)
    picture, truth = photograph(with_tube, UPRIGHT)
    photo = photo_from_array(picture)
    bare = without_print(photo, chart, locate_strip(photo, chart)).encoded
    plain, _ = photograph(np.full_like(flat, 255), UPRIGHT)  # the same sheet without any print
    for item in (*chart.patches, *chart.references, *chart.markers):
        at = np.rint(places(truth, np.mean(item.corners, axis=0)))[0].astype(int)
        shown = bare[at[1], at[0]].astype(int)
        assert np.abs(shown - plain[at[1] - 3 : at[1] + 4, at[0] - 3 : at[0] + 4].mean(axis=(0, 1))).max() < 9
    at = np.rint(places(truth, tube.mean(axis=0)))[0].astype(int)
    assert (bare[at[1], at[0]] == picture[at[1], at[0]]).all()
    sample = load_chart(find_chart("sample-universal-row"))
    assert without_print(photo, sample, locate_strip(photo, chart)) is photo


def test_the_white_area_is_free_of_print(card: tuple[Chart, Any]) -> None:
    chart, flat = card
    printed = np.zeros(flat.shape[:2], np.uint8)
    for part, grown in printed_parts(chart):
        assert grown == 1.0
        cv2.fillConvexPoly(printed, np.rint(part * SCALE).astype(np.int32), 1)
    assert (flat[printed == 0] > 250).all()
    assert (printed == 0).mean() > 0.35
    plain = load_chart(find_chart("sample-universal-row"))
    ((whole, grown),) = printed_parts(plain)
    assert grown > 1
    assert np.ptp(whole, axis=0).tolist() == list(plain.card_size)
