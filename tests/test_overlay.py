"""The annotated picture: what is drawn where, compared as arrays."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from hueph._overlay_panel import plain, quarters_to_upright
from hueph._pixels import halved
from hueph.errors import InputError
from hueph.interval import Interval
from hueph.overlay import LEAST_WIDTH, MOST_WIDTH, draw_overlay, tube_label, write_overlay
from hueph.photo import Photo, photo_from_array
from hueph.results import PhotoReadings, Reading

BACKING = 200


def photo(width: int, height: int, scale: float = 1.0) -> Photo:
    """A plain grey picture of the given working size."""
    return Photo(
        file="bench.jpg",
        sha256="",
        width=round(width * scale),
        height=round(height * scale),
        encoded=np.full((height, width, 3), BACKING, dtype=np.uint8),
        scale=scale,
        profile="sRGB",
        to_linear_srgb=np.eye(3),
        decode_table=np.zeros(256),
    )


def test_picture_is_enlarged_to_a_legible_width_and_gets_a_panel(
    make_readings: Callable[..., PhotoReadings],
) -> None:
    drawn = draw_overlay(photo(640, 480), make_readings())
    assert drawn.dtype == np.uint8
    assert drawn.shape[1] == LEAST_WIDTH
    assert drawn.shape[0] > 480 * LEAST_WIDTH / 640 + 4 * 0.1 * LEAST_WIDTH  # four rows at least


def test_large_picture_is_reduced(make_readings: Callable[..., PhotoReadings]) -> None:
    readings = make_readings(width=3000, height=2000)
    drawn = draw_overlay(photo(3000, 2000), readings)
    assert drawn.shape[1] == MOST_WIDTH
    # The first liquid's left side is at x = 60 of 3000, so its line is drawn there on the smaller canvas.
    col = round(60.5 * MOST_WIDTH / 3000 - 0.5)
    assert (drawn[130:170, col] > 240).all()
    assert (drawn[130:170, col - 7] < 40).all()


def test_much_larger_picture_is_halved_first_and_keeps_its_places(
    make_readings: Callable[..., PhotoReadings],
) -> None:
    # 4001 is halved twice to 1000, an odd column falling away, then reduced to 800: a fifth of the picture.
    readings = make_readings(width=4001, height=2000)
    drawn = draw_overlay(photo(4001, 2000), readings, most_wide=800)
    assert drawn.shape[1] == 800
    # The first liquid's left and right sides are at x = 60 and 120.
    for edge in (60, 120):
        col = round((edge + 0.5) / 5 - 0.5)
        assert (drawn[52:62, col] > 240).all()


def test_outlines_are_light_on_dark_and_nothing_else_is_touched(
    make_readings: Callable[..., PhotoReadings],
) -> None:
    # The working picture is half the full one: points given in full pixels land at half of that.
    readings = make_readings(width=2560, height=1920)
    drawn = draw_overlay(photo(1280, 960, scale=2.0), readings)
    grey = drawn[:960].astype(float).mean(axis=2)
    left_edge = grey[110:170, 20:40]  # the first liquid's left side is at x = 60 / 2
    assert left_edge.max() > 240
    assert left_edge.min() < 40
    assert (grey[:, 600:] == BACKING).all()


def test_labels_cover_neither_a_liquid_nor_each_other(make_readings: Callable[..., PhotoReadings]) -> None:
    readings = make_readings()
    drawn = draw_overlay(photo(640, 480), readings).astype(float).mean(axis=2)
    zoom = LEAST_WIDTH / 640
    for tube in readings.tubes:
        (left, top), _, (right, bottom), _ = np.array(tube.liquid) * zoom
        # Between outline and core outline the backing is still to be seen.
        ring = drawn[int(top) + 16 : int(bottom) - 16, int(left) + 12 : int(left) + 20]
        assert (ring == BACKING).mean() > 0.9, tube.tube
        assert right > left


def test_every_tube_says_its_reading_in_words(make_reading: Callable[..., Reading]) -> None:
    assert tube_label(make_reading(2)) == "2  pH 6.2"
    assert tube_label(make_reading(ph=None, interval=None)) == "1  no pH"
    assert tube_label(make_reading(ph=None, interval=Interval(None, 4.3, 0.95))) == "1  below 4.3"
    assert tube_label(make_reading(ph=None, interval=Interval(9.7, None, 0.95))) == "1  above 9.7"
    assert tube_label(make_reading(ph=None, interval=Interval(4.0, 8.0, 0.95))) == "1  pH 4.0 to 8.0, 95 %"


@pytest.mark.parametrize(
    "changes",
    [
        {"tubes": ()},
        {"patches": (), "residual_delta_e": None},
        {
            "error": ("StripNotFound", "no strip was found in a picture whose name is long " * 5),
            "patches": (),
        },
        {"file": "x" * 500 + "\u00e9\n.jpg", "flags": ("profile-missing",)},
        {"chart_name": ""},
    ],
    ids=["no tubes", "no strip", "error", "odd name", "no chart"],
)
def test_unusual_results_are_drawn_too(
    make_readings: Callable[..., PhotoReadings], changes: dict[str, object]
) -> None:
    drawn = draw_overlay(photo(640, 480), make_readings(**changes))
    assert drawn.shape[0] > 750
    assert (drawn[751:] > 200).any()  # the panel holds text


def test_a_liquid_outside_a_tiny_picture_is_no_trouble(make_readings: Callable[..., PhotoReadings]) -> None:
    assert draw_overlay(photo(1, 1), make_readings()).shape[1] == LEAST_WIDTH


def test_wide_gamut_picture_is_shown_as_srgb(make_readings: Callable[..., PhotoReadings]) -> None:
    values = {name: getattr(photo(LEAST_WIDTH, 800), name) for name in Photo.__slots__}
    values |= {
        "profile": "Display P3",
        "encoded": np.full((800, LEAST_WIDTH, 3), 0x8000, dtype=np.uint16),
        # A profile whose code values are linear light: half of each primary.
        "decode_table": np.arange(0x10000) / 0xFFFF,
    }
    drawn = draw_overlay(Photo(**values), make_readings(tubes=(), patches=()))
    # IEC 61966-2-1: linear 0.5 is encoded 0.7354, that is 188 of 255.
    assert (drawn[:800] == 188).all()


def test_font_is_given_only_signs_it_has() -> None:
    assert plain("pH 6\u20137 \u00e9") == "pH 6?7 ?"


def test_written_picture_reads_back_and_replaces_an_older_one(
    tmp_path: Path, make_readings: Callable[..., PhotoReadings]
) -> None:
    target = tmp_path / "out.png"
    target.write_text("old")
    assert write_overlay(photo(640, 480), make_readings(), target) == target
    with Image.open(target) as image:
        assert (np.asarray(image) == draw_overlay(photo(640, 480), make_readings())).all()
    assert [file.name for file in tmp_path.iterdir()] == ["out.png"]


@pytest.mark.parametrize(
    ("name", "reason"),
    [("missing/out.jpg", "No such file or directory"), ("out.xyz", "its ending must name a picture format")],
)
def test_what_cannot_be_written_is_said_and_leaves_nothing(
    tmp_path: Path, make_readings: Callable[..., PhotoReadings], name: str, reason: str
) -> None:
    with pytest.raises(InputError, match=f"cannot write the overlay .*: {reason}"):
        write_overlay(photo(640, 480), make_readings(), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
def test_a_picture_stored_turned_is_drawn_upright(quarters: int) -> None:
    """Whatever way the picture was stored, the liquid's surface is drawn above its bottom."""
    upright = photo_from_array(np.full((300, 400, 3), 200, np.uint8))
    liquid = np.array([[100.0, 80.0], [140, 80], [140, 200], [100, 200]])
    stored = upright.turned(quarters).to_working(liquid)
    assert quarters_to_upright(tuple((x, y) for x, y in stored.tolist())) == -quarters % 4


def test_a_picture_is_halved_by_means_of_four_pixels() -> None:
    codes = np.arange(5 * 7 * 3, dtype=np.uint16).reshape(5, 7, 3) * 4
    half = halved(codes)
    assert half.dtype == np.uint16
    assert half.tolist() == codes[:4, :6].reshape(2, 2, 3, 2, 3).mean(axis=(1, 3)).astype(int).tolist()
    assert halved(codes[:1]).shape == (1, 3, 3)
