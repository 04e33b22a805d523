"""Strips found in drawn scenes and in sample photographs, in the right order or not at all."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from scenes import Camera, Layout, Scene, card_scene, make_chart, random_scene, rendered

from hueph.chart import Chart, load_chart
from hueph.charting import calibrate_picture
from hueph.errors import InputError, StripNotFound
from hueph.locate.geometry import quad_overlap
from hueph.locate.strip import _floored, locate_strip
from hueph.locate.types import StripLocation
from hueph.measuring import measure_strip
from hueph.photo import Photo, load_photo, photo_from_array
from hueph.synthetic import render_artwork

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = json.loads((ROOT / "samples" / "truth.json").read_text(encoding="utf-8"))

ROW = Layout((7,), tall=1.6)
TOUCHING = Layout((9,), tall=1.5, gap_x=0.0)
COLUMN = Layout((1,) * 8, tall=0.5, gap_y=0.06, digits="right")
GRID = Layout((4, 3), gap_x=0.2, gap_y=0.7)
GRID3 = Layout((4, 4, 2), gap_x=0.3, gap_y=0.6)
LONG = Layout((15,), tall=1.3, gap_x=0.1)
FEW = Layout((3,), tall=1.0, gap_x=0.3)
LAYOUTS = {
    "row": ROW, "touching": TOUCHING, "column": COLUMN, "grid": GRID, "3 rows": GRID3, "15": LONG, "3": FEW,
}  # fmt: skip


def check(found: StripLocation, truth: Any, *, overlap: float = 0.8) -> None:
    """All patch centres within a quarter of a patch of the truth, and good overlap."""
    short = np.linalg.norm(np.roll(truth, -1, axis=1) - truth, axis=2).min(axis=1)
    off = np.linalg.norm(found.patches.mean(axis=1) - truth.mean(axis=1), axis=1)
    assert (off < 0.25 * short).all()
    assert np.median([quad_overlap(a, b) for a, b in zip(found.patches, truth, strict=True)]) > overlap


def refuse(picture: Any, chart: Chart) -> str:
    """The reason for which nothing is found."""
    with pytest.raises(StripNotFound) as caught:
        locate_strip(photo_from_array(picture, name="scene.jpg"), chart)
    assert str(caught.value).startswith("no reference strip found in scene.jpg: ")
    return caught.value.reason


@pytest.mark.parametrize("turn", [0, 37, 180, 251])
@pytest.mark.parametrize("name", sorted(LAYOUTS))
def test_every_layout_at_any_turn(name: str, turn: float) -> None:
    scene = card_scene(LAYOUTS[name], turn=turn, tilt=25.0, about=turn + 40.0)
    found = locate_strip(scene.photo, scene.chart)
    check(found, scene.patches)
    assert all(found.seen)
    assert found.margin > 4.0
    assert found.flags <= {"strip-small"}
    placed = found.homography @ np.append(scene.chart.corners[0, 0], 1.0)
    np.testing.assert_allclose(placed[:2] / placed[2], found.patches[0, 0], atol=1e-6)


@pytest.mark.parametrize("kind", ["wood", "blue", "grey"])
@pytest.mark.parametrize("cast", [(1.0, 0.75, 0.5), (0.6, 0.85, 1.0), (0.7, 1.0, 0.7)])
def test_coloured_light_on_any_backing(kind: str, cast: tuple[float, float, float]) -> None:
    camera = Camera(cast=cast, level=0.7, saturation=1.2, gradient=0.2)
    scene = card_scene(ROW, "cabbage", kind=kind, camera=camera, turn=-8)
    check(locate_strip(scene.photo, scene.chart), scene.patches)


@pytest.mark.parametrize("seed", range(8))
def test_random_scene(seed: int) -> None:
    scene = random_scene(np.random.default_rng(seed), size=(1000, 750))
    check(locate_strip(scene.photo, scene.chart), scene.patches, overlap=0.7)


def test_quarter_turn_of_the_picture_turns_the_answer() -> None:
    scene = card_scene(GRID, turn=12)
    upright = locate_strip(scene.photo, scene.chart)
    picture = np.rot90(scene.photo.encoded)
    turned = locate_strip(photo_from_array(np.ascontiguousarray(picture)), scene.chart)
    back = np.stack(
        [scene.photo.encoded.shape[1] - 1 - turned.patches[..., 1], turned.patches[..., 0]], axis=-1
    )
    np.testing.assert_allclose(back, upright.patches, atol=0.6)


@pytest.mark.parametrize("name", sorted(LAYOUTS))
def test_mirrored_picture_is_refused(name: str) -> None:
    scene = card_scene(LAYOUTS[name], turn=6)
    reason = refuse(np.ascontiguousarray(scene.photo.encoded[:, ::-1]), scene.chart)
    # a ragged grid shows plain paper in place of a patch when mirrored
    assert reason in {"order-ambiguous", "not-seen"} or (
        name in {"grid", "3 rows"} and reason == "too-few-patches"
    )


def test_mirrored_row_is_named_as_such() -> None:
    scene = card_scene(ROW)
    with pytest.raises(StripNotFound, match="mirrored") as caught:
        locate_strip(photo_from_array(np.ascontiguousarray(scene.photo.encoded[:, ::-1])), scene.chart)
    assert caught.value.reason == "order-ambiguous"


@pytest.mark.parametrize("hidden", [(0,), (3,), (6,), (2, 3)])
def test_covered_patches_are_marked(hidden: tuple[int, ...]) -> None:
    scene = card_scene(ROW)
    picture = cover(scene, hidden, (196, 148, 122))
    found = locate_strip(photo_from_array(picture), scene.chart)
    check(found, scene.patches)
    assert [k for k, seen in enumerate(found.seen) if not seen] == list(hidden)
    assert "strip-patch-hidden" in found.flags


def test_most_patches_covered_is_refused() -> None:
    scene = card_scene(ROW)
    assert refuse(cover(scene, (1, 2, 3, 4, 5), (60, 60, 60)), scene.chart) != ""


def cover(scene: Scene, hidden: tuple[int, ...], colour: tuple[int, int, int]) -> Any:
    """Lay something over patches and a little around them."""
    picture = scene.photo.encoded.copy()
    hull = cv2.convexHull(scene.patches[list(hidden)].reshape(-1, 2).astype(np.float32))[:, 0]
    wider = hull.mean(axis=0) + (hull - hull.mean(axis=0)) * [1.08, 1.35]
    cv2.fillConvexPoly(picture, np.round(wider).astype(np.int32), colour)
    return picture


@pytest.mark.parametrize("kind", ["white", "wood"])
def test_picture_without_strip(kind: str) -> None:
    scene = card_scene(ROW, kind=kind, centre=(400.0, -900.0))
    assert refuse(scene.photo.encoded, scene.chart) == "not-seen"


@pytest.mark.parametrize("value", [0, 128, 255])
def test_empty_picture(value: int) -> None:
    assert refuse(np.full((60, 80, 3), value, np.uint8), make_chart(ROW)) == "not-seen"


@pytest.mark.parametrize("shape", [(1, 1), (1, 300), (5, 4)])
def test_tiny_picture(shape: tuple[int, int]) -> None:
    assert refuse(np.full((*shape, 3), 90, np.uint8), make_chart(ROW)) == "not-seen"


def test_half_a_strip_is_cut_off() -> None:
    scene = card_scene(ROW, centre=(400.0, 280.0))
    middle = int(scene.patches[3].mean(axis=0)[0])
    assert refuse(np.ascontiguousarray(scene.photo.encoded[:, :middle]), scene.chart) in {
        "cut-off",
        "not-seen",
    }


def cropped(scene: Scene, patches: slice, paper: float) -> tuple[Any, Any]:
    """Return the picture cut down to some patches and a share of a patch of paper, and where the patches are in it."""
    points = scene.patches[patches].reshape(-1, 2)
    side = np.linalg.norm(scene.patches[0, 1] - scene.patches[0, 0])
    low = np.floor(points.min(axis=0) - paper * side).astype(int)
    high = np.ceil(points.max(axis=0) + paper * side).astype(int)
    picture = np.ascontiguousarray(scene.photo.encoded[low[1] : high[1], low[0] : high[0]])
    return picture, scene.patches - low


@pytest.mark.parametrize("layout", [ROW, Layout((4, 4), gap_x=0.2)], ids=["row", "grid"])
@pytest.mark.parametrize("paper", [0.03, 0.1])
def test_a_picture_that_ends_just_above_the_patches_holds_the_strip(layout: Layout, paper: float) -> None:
    # Refused before, as the strip might go on outside; but beside a row there is nothing for it to go on with.
    scene = card_scene(layout)
    low = int(scene.patches[..., 1].min() - paper * np.linalg.norm(scene.patches[0, 1] - scene.patches[0, 0]))
    picture = np.ascontiguousarray(scene.photo.encoded[low:])
    check(locate_strip(photo_from_array(picture), scene.chart), scene.patches - [0, low])


@pytest.mark.parametrize("gap", [0.0, 0.1])
@pytest.mark.parametrize("kept", [slice(1, None), slice(None, -1)], ids=["first", "last"])
def test_a_crop_that_leaves_a_patch_out_is_refused(gap: float, kept: slice) -> None:
    scene = card_scene(Layout((9,), tall=1.2, gap_x=gap))
    assert refuse(cropped(scene, kept, 0.04)[0], scene.chart) != ""


def test_small_strip_says_so() -> None:
    scene = card_scene(ROW, width=700.0, size=(1600, 1200), centre=(800.0, 400.0), camera=Camera(blur=0.4))
    small = cv2.resize(scene.photo.encoded, None, fx=0.06, fy=0.06, interpolation=cv2.INTER_AREA)
    assert refuse(small, scene.chart) in {"too-small", "not-seen"}


def test_a_limit_that_is_missed_is_not_rounded_to() -> None:
    assert [_floored(size) for size in (5.97, 5.0, 3.14)] == ["5.9", "5", "3.1"]


@pytest.mark.parametrize("blur", [1.0, 1.4])
@pytest.mark.parametrize("pixels", [13.0, 18.0])
@pytest.mark.parametrize(
    "layout",
    [
        Layout((7,), tall=1.2, gap_x=0.07),
        Layout((3, 3, 3), tall=1.1, gap_x=0.06, gap_y=0.4),
        Layout((1,) * 8, tall=0.7, gap_x=0.0, gap_y=0.05, digits="right"),
    ],
    ids=["row", "grid", "column"],
)
def test_gaps_finer_than_the_blur_are_no_reason_to_refuse(layout: Layout, pixels: float, blur: float) -> None:
    """Paper a pixel wide between patches takes on their colours; it cannot show as paper does."""
    units = max(make_chart(layout).card_size) / min(layout.tall, 1.0)
    scene = card_scene(layout, width=pixels * units, turn=4.0, camera=Camera(blur=blur))
    check(locate_strip(scene.photo, scene.chart), scene.patches, overlap=0.7)


def test_paper_beside_patches_of_seven_pixels_is_measured() -> None:
    """The bands of paper that are looked at are a pixel wide there, and there are no others."""
    layout = Layout((7,), tall=1.0, gap_x=0.1)
    scene = card_scene(layout, width=7.0 * max(make_chart(layout).card_size), camera=Camera(blur=0.6))
    strip = locate_strip(scene.photo, scene.chart)
    measured = measure_strip(scene.photo, scene.chart, strip)
    assert measured.usable.sum() >= 5
    # The paper of the chart, L* 93.5, reflects 84 % (CIE 15:2018); the scene's light is 0.9 of that, within
    # a gradient of 10 % and the camera's contrast.
    assert measured.paper == pytest.approx(np.full((7, 3), 0.9 * 0.84), rel=0.25)


@pytest.mark.parametrize("seed", range(4))
def test_mottled_light_on_the_card_hides_no_patch(seed: int) -> None:
    """Glass and liquid throw uneven light on a card beside them: here 5 % (k = 1) over a sixth of a patch."""
    scene = card_scene(Layout((7,), tall=1.6), turn=4.0, seed=seed)
    mottled = cv2.GaussianBlur(
        np.random.default_rng(seed).normal(size=scene.photo.encoded.shape[:2]), (0, 0), 9.0
    )
    light = 0.95 + 0.05 * mottled / mottled.std()
    picture = np.clip(scene.photo.encoded * light[..., None], 0, 255).astype(np.uint8)
    found = locate_strip(photo_from_array(picture, name="mottled.jpg"), scene.chart)
    check(found, scene.patches)
    assert all(found.seen)


def test_a_pale_end_is_not_left_half_a_patch_off_by_keystone() -> None:
    """Thirteen patches of one height, seen from straight ahead: their centres are as evenly spaced in the picture."""
    folder = ROOT / "samples" / "standards"
    found = locate_strip(load_photo(folder / "feed.jpg"), load_chart(folder / "chart.toml"))
    steps = np.linalg.norm(np.diff(found.patches.mean(axis=1), axis=0), axis=1)
    assert steps.max() < 1.03 * steps.min()


def test_blurred_strip_is_refused() -> None:
    scene = card_scene(ROW, camera=Camera(blur=22.0))
    assert refuse(scene.photo.encoded, scene.chart) in {"blurred", "not-seen", "order-ambiguous"}


@pytest.mark.parametrize(
    ("layout", "path"),
    [
        (ROW, "yellow-magenta"),
        (Layout((8,), tall=1.6), "universal"),
        (Layout((13,), tall=1.6), "universal"),
        (GRID, "universal"),
        (COLUMN, "universal"),
    ],
)
def test_wrong_chart_is_refused(layout: Layout, path: str) -> None:
    scene = card_scene(ROW, "universal", turn=5)
    refuse(scene.photo.encoded, make_chart(layout, path))


def test_symmetric_colours_are_ambiguous() -> None:
    layout = Layout((7,), tall=1.5, digits="none")
    scene = card_scene(layout, "there and back")
    assert refuse(scene.photo.encoded, scene.chart) == "order-ambiguous"


@pytest.mark.parametrize("seed", range(4))
def test_strip_whose_end_is_like_paper_is_never_laid_over_fewer_patches(seed: int) -> None:
    # Touching patches in dim, noisy light: nothing but the colours tells where the first one begins.
    camera = Camera(
        noise=0.05, level=0.4, saturation=0.7, cast=(0.85, 0.8, 1.0), contrast=0.0, blur=1.2, gradient=0.1
    )
    layout = Layout((15,), tall=1.3, gap_x=0.0)
    scene = card_scene(layout, "pale end", kind="grey", camera=camera, turn=3.0 * seed - 8, seed=seed)
    found = found_or_refused(scene.photo, scene.chart)
    if found is not None:
        check(found, scene.patches, overlap=0.6)


def test_pale_end_of_a_rendered_strip_is_not_left_out() -> None:
    # Noise over low contrast: fifteen patches were laid over the thirteen that show plainly.
    world, photo, truth = rendered(77, 23)
    chart = calibrate_picture(render_artwork(world), truth["chart_ph"], name="rendered")
    found = found_or_refused(photo, chart)
    if found is not None:
        check(found, photo.to_working(truth["patches"]), overlap=0.6)


def found_or_refused(photo: Photo, chart: Chart) -> StripLocation | None:
    """What is found; None when the strip is refused."""
    try:
        return locate_strip(photo, chart)
    except StripNotFound:
        return None


@pytest.mark.parametrize("name", ["touching", "grid"])
@pytest.mark.parametrize("seed", range(2))
def test_patches_that_hardly_differ_are_told_by_what_little_noise_there_is(name: str, seed: int) -> None:
    camera = Camera(noise=0.006, level=0.8, saturation=0.7, cast=(0.85, 0.8, 1.0), contrast=0.0, blur=1.2)
    scene = card_scene(LAYOUTS[name], "narrow", kind="grey", camera=camera, turn=-8, seed=seed)
    check(locate_strip(scene.photo, scene.chart), scene.patches)


def hand_corners(scene: Scene) -> Any:
    """Outer corners of the patches of a row."""
    first, last = scene.patches[0], scene.patches[-1]
    return np.array([first[0], last[1], last[2], first[3]])


def test_corners_by_hand_are_refined() -> None:
    scene = card_scene(TOUCHING, turn=160, tilt=20)
    rough = hand_corners(scene) + np.random.default_rng(2).uniform(-5, 5, (4, 2))
    found = locate_strip(scene.photo, scene.chart, corners=rough)
    check(found, scene.patches)
    assert "strip-by-hand" in found.flags


def test_corners_by_hand_upside_down_are_refused() -> None:
    scene = card_scene(TOUCHING)
    with pytest.raises(StripNotFound):
        locate_strip(scene.photo, scene.chart, corners=np.roll(hand_corners(scene), 2, axis=0))


@pytest.mark.parametrize(
    ("corners", "text"),
    [
        ([[0, 0], [10, 0], [10, 10]], "corners must have shape"),
        ([[0, 0], [0, 10], [10, 10], [10, 0]], "must go clockwise"),
        ([[0, 0], [10, 0], [10, 10], [0, float("nan")]], "must go clockwise"),
        ([[0, 0], [10, 0], [2, 2], [0, 10]], "must go clockwise"),
    ],
)
def test_wrong_corners_are_one_clear_sentence(corners: Any, text: str) -> None:
    with pytest.raises(InputError, match=text):
        locate_strip(photo_from_array(np.zeros((50, 50, 3), np.uint8)), make_chart(ROW), corners=corners)


@pytest.mark.parametrize("index", range(len(SAMPLES)))
def test_sample_photograph(index: int) -> None:
    sample = SAMPLES[index]
    photo = load_photo(ROOT / "samples" / sample["shots"][0]["file"])
    chart = load_chart(ROOT / "reference_charts" / sample["chart"] / "chart.toml")
    truth = np.array(sample["patches"]) / photo.scale
    found = locate_strip(photo, chart)
    check(found, truth, overlap=0.85)
    assert all(found.seen)
    # the printed card was rasterised to whole pixels of 1/6 mm: no sharper truth exists
    assert np.median(np.linalg.norm(found.patches - truth, axis=2)) < 2.0
