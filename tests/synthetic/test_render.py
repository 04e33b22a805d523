"""The pixel path against the fast path, its truth, and the files it is stored in."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from hueph._types import FloatArray
from hueph.colour.srgb import DISPLAY_P3_TO_XYZ, XYZ_TO_SRGB, linear_rgb_to_srgb, srgb_to_linear_rgb
from hueph.errors import InputError
from hueph.synthetic import draw_world, encode_photo, render_artwork, render_photo, simulate_measurements
from hueph.synthetic.encode import icc_profile
from hueph.synthetic.scene import Scene


def quiet(scene: Scene) -> Scene:
    """Return the scene seen by a camera without noise, blur or sharpening."""
    camera = replace(
        scene.camera, full_well=1e9, read=0.0, blur_px=0.0, sharpen=0.0, bayer=False, flare=0.0, level=0.7
    )
    return replace(scene, camera=camera)


def mean(picture: FloatArray, corners: FloatArray, low: float, high: float) -> FloatArray:
    """Return the median code 0..1 of the middle of a quadrilateral."""
    u, v = np.meshgrid(np.linspace(low, high, 20), np.linspace(low, high, 20))
    u, v = u.reshape(-1, 1), v.reshape(-1, 1)
    points = (corners[0] * (1 - u) + corners[1] * u) * (1 - v) + (corners[3] * (1 - u) + corners[2] * u) * v
    x, y = np.rint(points).astype(int).T
    return np.asarray(np.median(picture[y, x], axis=0) / 255.0)


@pytest.mark.parametrize(("seed", "kind"), [(1, "sheet"), (2, "bench"), (3, "mixed")])
def test_pixels_show_what_the_fast_path_measures(seed: int, kind: str) -> None:
    rng = np.random.default_rng(seed)
    scene = quiet(draw_world(rng, kind=kind, tube_count=2))
    picture, truth = render_photo(scene, rng)
    fast = simulate_measurements(scene, np.random.default_rng(0))
    patches = np.stack([mean(picture, np.array(q), 0.25, 0.75) for q in truth["patches"]])
    # Half a code of rounding, and 0.001 of encoding noise in the fast path, three sigma.
    assert np.abs(patches - fast.patch.srgb).max() < 0.012
    tubes = np.stack([mean(picture, np.array(tube["liquid"]), 0.46, 0.54) for tube in truth["tubes"]])
    # Mirrored streaks and the slope of the light along the column come on top.
    assert np.abs(tubes - fast.tube.srgb).max() < 0.03


def test_truth_is_complete_and_upright() -> None:
    rng = np.random.default_rng(7)
    scene = draw_world(rng, kind="odd", tube_count=3)
    picture, truth = render_photo(scene, rng)
    assert picture.dtype == np.uint8
    assert picture.shape == (scene.size[1], scene.size[0], 3)
    assert truth["size"] == list(scene.size)
    assert len(truth["patches"]) == len(truth["chart_ph"]) == len(truth["chart_srgb"])
    assert [tube["ph"] for tube in truth["tubes"]] == [tube.ph for tube in scene.tubes]
    lefts = [np.array(tube["liquid"])[:, 0].mean() for tube in truth["tubes"]]
    assert lefts == sorted(lefts)
    for tube in truth["tubes"]:
        corners = np.array(tube["liquid"])
        assert corners[0, 0] < corners[1, 0]
        assert corners[0, 1] < corners[3, 1]


def test_photon_noise_falls_with_the_full_well() -> None:
    scene = draw_world(np.random.default_rng(9), kind="sheet", tube_count=1)
    spreads = []
    for full_well in (1000.0, 16000.0):
        camera = replace(scene.camera, full_well=full_well, read=0.0, blur_px=0.0, sharpen=0.0, bayer=False)
        picture, truth = render_photo(replace(scene, camera=camera), np.random.default_rng(1))
        x, y = np.array(truth["patches"][0]).mean(axis=0).astype(int)
        spreads.append(float(picture[y - 6 : y + 6, x - 6 : x + 6, 1].std()))
    # Sixteen times the electrons: a quarter of the noise, before rounding to whole codes.
    assert spreads[0] > 2.0 * spreads[1]


def test_artwork_shows_the_colours_of_the_chart() -> None:
    scene = draw_world(np.random.default_rng(12), kind="sheet")
    art = render_artwork(scene)
    for box, colour in zip(scene.card.layout.boxes, scene.card.artwork_srgb, strict=True):
        x, y = (np.array([box[0] + box[2], box[1] + box[3]]) * 30.0).astype(int)
        assert art[y, x] == pytest.approx(255.0 * colour, abs=0.51)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_turned_file_is_upright_after_its_tag(orientation: int) -> None:
    picture = np.zeros((24, 40, 3), np.uint8)
    picture[:12, :20] = (220, 40, 40)
    data = encode_photo(picture, orientation=orientation, quality=95)
    upright = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    assert upright.shape == picture.shape
    assert np.abs(upright[4:8, 4:16].astype(int) - [220, 40, 40]).max() < 12
    assert upright[16:, 24:].max() < 12


@pytest.mark.parametrize("file_format", ["JPEG", "HEIC", "PNG"])
def test_files_open_and_carry_their_profile(file_format: str) -> None:
    import pillow_heif

    pillow_heif.register_heif_opener()
    picture = np.full((32, 48, 3), (200, 90, 60), np.uint8)
    with Image.open(io.BytesIO(encode_photo(picture, display_p3=True, file_format=file_format))) as opened:
        assert opened.size == (48, 32)
        assert b"Display P3" in opened.info["icc_profile"]
        assert np.abs(np.asarray(opened.convert("RGB")).astype(int) - picture).max() < 8


def test_the_profile_means_what_the_matrix_says() -> None:
    # Little CMS is the judge: a Display P3 colour inside sRGB turns into the sRGB numbers of the matrices.
    wide = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile(DISPLAY_P3_TO_XYZ, "Display P3")))
    image = Image.new("RGB", (4, 4), (150, 110, 90))
    turned = ImageCms.profileToProfile(image, wide, ImageCms.createProfile("sRGB"), renderingIntent=1)
    assert turned is not None
    linear = XYZ_TO_SRGB @ DISPLAY_P3_TO_XYZ @ srgb_to_linear_rgb(np.array([150, 110, 90]) / 255.0)
    assert np.asarray(turned)[0, 0] == pytest.approx(255.0 * linear_rgb_to_srgb(linear), abs=1.5)


def test_unknown_formats_and_turns_are_refused() -> None:
    picture = np.zeros((8, 8, 3), np.uint8)
    with pytest.raises(InputError, match="file_format must be one of JPEG, HEIC, PNG, got 'BMP'"):
        encode_photo(picture, file_format="BMP")
    with pytest.raises(InputError, match="orientation must be 1 to 8"):
        encode_photo(picture, orientation=9)
