"""Real photographs (tests/data/real/README.md)."""

from __future__ import annotations

from pathlib import Path

import icc_profiles
import numpy as np
import pytest
from PIL import Image

from hueph.colour.adaptation import adapt_xyz
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import lab_to_xyz, xyz_to_lab
from hueph.colour.srgb import D65, linear_rgb_to_xyz, srgb_to_linear_rgb, xyz_to_linear_rgb
from hueph.photo import load_photo

REAL = Path(__file__).parent / "data" / "real"
BEAKERS = REAL / "beakers_methyl_orange_cmyk.jpg"
VIALS = REAL / "vials_universal_indicator.png"


def lab_of_srgb(codes: np.ndarray) -> np.ndarray:
    """CIELAB (D65) of 8 bit sRGB."""
    return xyz_to_lab(linear_rgb_to_xyz(srgb_to_linear_rgb(codes / 255.0)))


@pytest.fixture(scope="module")
def press_lab() -> np.ndarray:
    """CIELAB (D65) of the press picture through its profile's table, read independently of lcms."""
    with Image.open(BEAKERS) as picture:
        assert picture.mode == "CMYK"
        device = np.asarray(picture) / 255.0
        profile = picture.info["icc_profile"]
    lab_d50 = icc_profiles.lab_through_table(profile, b"A2B1", device)
    return xyz_to_lab(adapt_xyz(lab_to_xyz(lab_d50, icc_profiles.D50_ICC), icc_profiles.D50_ICC, D65))


def test_press_picture_decodes_through_its_profile(press_lab: np.ndarray) -> None:
    photo = load_photo(BEAKERS)
    assert (photo.width, photo.height) == (975, 347)
    assert (photo.profile, photo.flags) == ("sRGB", frozenset())
    # Colours outside sRGB cannot agree: 8 bit sRGB has no place for them.
    linear = xyz_to_linear_rgb(lab_to_xyz(press_lab))
    inside = ((linear > 0.002) & (linear < 1.0)).all(axis=-1)
    assert inside.mean() > 0.7
    difference = delta_e_cie2000(lab_of_srgb(photo.encoded), press_lab)[inside]
    assert difference.mean() < 0.3
    assert np.percentile(difference, 99) < 1.0


def test_that_check_can_fail(press_lab: np.ndarray) -> None:
    with Image.open(BEAKERS) as picture:
        without_profile = np.asarray(picture.convert("RGB"))
    assert delta_e_cie2000(lab_of_srgb(without_profile), press_lab).mean() > 3.0


@pytest.mark.parametrize(
    ("row", "col", "skia"),
    [(200, 100, (203, 170, 52)), (200, 620, (207, 61, 40)), (60, 20, (203, 190, 182))],
)
def test_press_picture_agrees_with_a_third_reader(row: int, col: int, skia: tuple[int, int, int]) -> None:
    # Skia 144 (its own colour management, not lcms) on the same file; it takes the perceptual table,
    # which renders deep colours a little darker, hence the tolerance.
    mine = load_photo(BEAKERS).encoded[row, col]
    assert delta_e_cie2000(lab_of_srgb(mine), lab_of_srgb(np.array(skia))) < 4.0


def test_what_happened_in_the_beakers_is_seen() -> None:
    photo = load_photo(BEAKERS)
    lab = lab_of_srgb(photo.encoded)
    yellow, buffered, red, still_buffered = (
        np.median(lab[190:270, left : left + 40].reshape(-1, 3), axis=0) for left in (90, 280, 640, 805)
    )
    # The unbuffered beaker turned from yellow to red, the buffered one did not move.
    assert delta_e_cie2000(yellow, red) > 30.0
    assert delta_e_cie2000(buffered, still_buffered) < 8.0


def test_vials_are_plain_srgb() -> None:
    photo = load_photo(VIALS)
    assert (photo.width, photo.height, photo.profile, photo.flags) == (612, 380, "sRGB", frozenset())
    with Image.open(VIALS) as picture:
        assert (photo.encoded == np.asarray(picture.convert("RGB"))).all()
