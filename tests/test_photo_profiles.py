"""Colour profiles: what a photograph's code values mean, against an independent colour management."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import cv2
import icc_profiles
import numpy as np
import pillow_heif
import pytest
from icc_profiles import SRGB_CURVE, grey_profile, matrix_profile, parametric_curve, power_curve, table_curve
from PIL import Image, ImageCms

from hueph.colour.adaptation import bradford_matrix
from hueph.colour.srgb import (
    ADOBE_RGB_TO_XYZ,
    D65,
    DISPLAY_P3_TO_XYZ,
    SRGB_TO_XYZ,
    linear_rgb_to_srgb,
    primaries_to_xyz_matrix,
    white_from_xy,
)
from hueph.errors import PhotoError
from hueph.photo import Photo, load_photo

TO_D50 = bradford_matrix(D65, icc_profiles.D50_ICC)
ADOBE_CURVE = power_curve(563 / 256)
# A wide and a narrow space that have no name here; white D50.
WIDE = primaries_to_xyz_matrix([[0.7347, 0.2653], [0.1596, 0.8404], [0.0366, 0.0001]], icc_profiles.D50_ICC)
NARROW = TO_D50 @ primaries_to_xyz_matrix([[0.58, 0.34], [0.32, 0.56], [0.17, 0.10]])


def colours() -> np.ndarray:
    """Muted colours of all hues, inside the gamut of every space here; (h, w, 3) uint8."""
    rng = np.random.default_rng(8)
    grey = rng.uniform(40, 200, (32, 48, 1))
    return np.clip(grey + rng.uniform(-25, 25, (32, 48, 3)), 0, 255).astype(np.uint8)


def with_profile(path: Path, pixels: np.ndarray, profile: bytes) -> Path:
    """Save a PNG that carries a profile."""
    Image.fromarray(pixels).save(path, icc_profile=profile)
    return path


def as_srgb(photo: Photo) -> np.ndarray:
    """Return 8 bit sRGB of a photograph as the pipeline would make it."""
    linear = photo.linear() @ photo.to_linear_srgb.T
    return np.rint(np.clip(linear_rgb_to_srgb(linear), 0, 1) * 255).astype(int)


def managed(pixels: np.ndarray, profile: bytes) -> np.ndarray:
    """Return 8 bit sRGB by lcms, relative colorimetric."""
    converted = ImageCms.profileToProfile(
        Image.fromarray(pixels),
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        outputMode="RGB",
    )
    assert converted is not None
    return np.asarray(converted).astype(int)


@pytest.mark.parametrize(
    ("name", "columns", "curve"),
    [
        ("sRGB", SRGB_TO_XYZ, SRGB_CURVE),
        ("Display P3", DISPLAY_P3_TO_XYZ, SRGB_CURVE),
        ("Adobe RGB", ADOBE_RGB_TO_XYZ, ADOBE_CURVE),
    ],
)
def test_standard_spaces_are_known_by_their_numbers(
    tmp_path: Path, name: str, columns: np.ndarray, curve: bytes
) -> None:
    profile = matrix_profile(TO_D50 @ columns, (curve, curve, curve), name="made by someone")
    photo = load_photo(with_profile(tmp_path / "a.png", colours(), profile))
    assert photo.profile == name
    assert photo.flags == frozenset()
    assert (photo.encoded == colours()).all()
    assert np.abs(as_srgb(photo) - managed(colours(), profile)).max() <= 1


def test_the_profile_pillow_makes_is_srgb(tmp_path: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    photo = load_photo(with_profile(tmp_path / "a.png", colours(), profile))
    assert photo.profile == "sRGB"
    assert (photo.to_linear_srgb == np.eye(3)).all()


@pytest.mark.parametrize(
    "curve",
    [
        power_curve(1.8),
        parametric_curve(0, 2.2),
        parametric_curve(1, 2.1, 0.9, 0.1),
        parametric_curve(2, 2.0, 0.9, 0.05, 0.05),
        parametric_curve(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045),
        parametric_curve(4, 2.2, 0.95, 0.03, 0.1, 0.06, 0.02, 0.01),
        table_curve(np.linspace(0, 1, 64) ** 2.0),
        table_curve(np.linspace(0, 1, 1024) ** 1.6),
    ],
    ids=["gamma", "para0", "para1", "para2", "para3", "para4", "table64", "table1024"],
)
@pytest.mark.parametrize("columns", [WIDE, NARROW], ids=["wide", "narrow"])
def test_any_primaries_and_curve_agree_with_lcms(tmp_path: Path, columns: np.ndarray, curve: bytes) -> None:
    profile = matrix_profile(columns, (curve, curve, curve), name="bench camera")
    photo = load_photo(with_profile(tmp_path / "a.png", colours(), profile))
    assert photo.profile == "bench camera"
    assert (photo.encoded == colours()).all()
    difference = np.abs(as_srgb(photo) - managed(colours(), profile))
    assert difference.max() <= 2
    assert difference.mean() < 0.3


def test_a_linear_picture_is_left_linear(tmp_path: Path) -> None:
    identity = b"curv" + bytes(8)
    profile = matrix_profile(TO_D50 @ SRGB_TO_XYZ, (identity, identity, identity))
    photo = load_photo(with_profile(tmp_path / "a.png", colours(), profile))
    np.testing.assert_allclose(photo.linear(), colours() / 255.0, atol=1e-6)


def test_channels_with_curves_of_their_own_are_recoded_to_srgb(tmp_path: Path) -> None:
    profile = matrix_profile(NARROW, (power_curve(1.8), power_curve(2.2), power_curve(2.5)))
    photo = load_photo(with_profile(tmp_path / "a.png", colours(), profile))
    assert photo.profile == "sRGB"
    assert np.abs(photo.encoded.astype(int) - managed(colours(), profile)).max() <= 2


def test_a_grey_profile_keeps_greys_grey(tmp_path: Path) -> None:
    grey = colours()[..., 1]
    profile = grey_profile(power_curve(1.8))
    photo = load_photo(with_profile(tmp_path / "a.png", grey, profile))
    np.testing.assert_allclose(photo.linear()[..., 2], (grey / 255.0) ** (461 / 256), atol=1e-6)
    np.testing.assert_allclose(photo.to_linear_srgb, np.eye(3), atol=1e-12)


def test_a_profile_split_over_jpeg_segments_is_joined(tmp_path: Path) -> None:
    profile = matrix_profile(NARROW, (table_curve(np.linspace(0, 1, 40000) ** 2.0),) * 3)
    assert len(profile) > 65535
    Image.fromarray(colours()).save(tmp_path / "a.jpg", icc_profile=profile)
    assert load_photo(tmp_path / "a.jpg").profile == "by hand"


@pytest.mark.parametrize("ending", ["jpg", "png", "tif", "webp", "heic"])
def test_every_container_hands_on_its_profile(tmp_path: Path, ending: str) -> None:
    profile = matrix_profile(TO_D50 @ DISPLAY_P3_TO_XYZ, (SRGB_CURVE,) * 3)
    picture = Image.fromarray(colours())
    if ending == "heic":
        pillow_heif.from_pillow(picture).save(tmp_path / "a.heic", icc_profile=profile)
    else:
        picture.save(tmp_path / f"a.{ending}", icc_profile=profile)
    assert load_photo(tmp_path / f"a.{ending}").profile == "Display P3"


def exif(colour_space: int | None, index: str) -> bytes:
    """Return an EXIF block that names a colour space, made by hand from the standard's layout."""
    entries = [] if colour_space is None else [struct.pack("<HHIHH", 0xA001, 3, 1, colour_space, 0)]
    if index:
        entries.append(struct.pack("<HHII", 0xA005, 4, 1, 26 + 2 + 12 * (len(entries) + 1) + 4))
    block = b"II*\0" + struct.pack("<IHHHIII", 8, 1, 0x8769, 4, 1, 26, 0)
    block += struct.pack("<H", len(entries)) + b"".join(entries) + bytes(4)
    if index:
        block += struct.pack("<HHHI4sI", 1, 1, 2, 4, index.encode() + b"\0", 0)
    return b"Exif\0\0" + block


@pytest.mark.parametrize(
    ("colour_space", "index", "profile", "flags"),
    [
        (None, "", "sRGB", set()),
        (1, "", "sRGB", set()),
        (2, "", "Adobe RGB", set()),
        (65535, "R03", "Adobe RGB", set()),
        (65535, "R98", "sRGB", set()),
        (65535, "", "sRGB", {"profile-missing"}),
    ],
)
def test_without_a_profile_exif_decides(
    tmp_path: Path, colour_space: int | None, index: str, profile: str, flags: set[str]
) -> None:
    Image.fromarray(colours()).save(tmp_path / "a.jpg", exif=exif(colour_space, index))
    photo = load_photo(tmp_path / "a.jpg")
    assert (photo.profile, photo.flags) == (profile, flags)


def png_chunk(kind: bytes, body: bytes) -> bytes:
    """Return a PNG chunk."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_with(path: Path, *chunks: bytes) -> Path:
    """Save a PNG with chunks put before its picture data."""
    file = io.BytesIO()
    Image.fromarray(colours()).save(file, "PNG")
    data = file.getvalue()
    path.write_bytes(data[:33] + b"".join(chunks) + data[33:])
    return path


SRGB_CHRM = struct.pack(">8I", 31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000)
P3_CHRM = struct.pack(">8I", 31270, 32900, 68000, 32000, 26500, 69000, 15000, 6000)


def test_png_colour_chunks(tmp_path: Path) -> None:
    gamma = png_chunk(b"gAMA", struct.pack(">I", 45455))
    for chunks, name in (
        ((), "sRGB"),
        ((png_chunk(b"sRGB", b"\0"),), "sRGB"),
        ((gamma,), "sRGB"),
        ((gamma, png_chunk(b"cHRM", SRGB_CHRM)), "sRGB"),
        ((png_chunk(b"cICP", b"\x0c\x0d\x00\x01"),), "Display P3"),
        ((png_chunk(b"cICP", b"\x01\x0d\x00\x01"),), "sRGB"),
    ):
        photo = load_photo(png_with(tmp_path / "a.png", *chunks))
        assert (photo.profile, photo.flags) == (name, frozenset())
    photo = load_photo(png_with(tmp_path / "a.png", gamma, png_chunk(b"cHRM", P3_CHRM)))
    p3_to_srgb = np.linalg.solve(SRGB_TO_XYZ, DISPLAY_P3_TO_XYZ)
    np.testing.assert_allclose(photo.to_linear_srgb, p3_to_srgb, atol=1e-9)
    photo = load_photo(png_with(tmp_path / "a.png", png_chunk(b"gAMA", struct.pack(">I", 100000))))
    np.testing.assert_allclose(photo.linear(), colours() / 255.0, atol=1e-6)


def test_heic_code_points(tmp_path: Path) -> None:
    path = tmp_path / "a.heic"
    picture = pillow_heif.from_pillow(Image.fromarray(cv2.resize(colours(), (96, 64))))
    points = {"matrix_coefficients": 6, "full_range_flag": 1}
    picture.save(path, color_primaries=12, transfer_characteristics=13, **points)
    assert load_photo(path).profile == "Display P3"
    picture.save(path, color_primaries=9, transfer_characteristics=16, **points)
    with pytest.raises(PhotoError, match="standard range, this file uses a high-dynamic-range curve; export"):
        load_photo(path)


def test_bt2020_primaries_agree_with_their_standard() -> None:
    from hueph._photo.profile import space_of_code_points

    space = space_of_code_points(9, 13)
    assert space is not None
    # ITU-R BT.2087: linear BT.2020 to linear BT.709, four decimals (from memory).
    published = [[1.6605, -0.5876, -0.0728], [-0.1246, 1.1329, -0.0083], [-0.0182, -0.1006, 1.1187]]
    np.testing.assert_allclose(space.to_linear_srgb, published, atol=1e-4)


def test_a_press_picture_without_profile_is_flagged(tmp_path: Path) -> None:
    Image.fromarray(colours()).convert("CMYK").save(tmp_path / "a.jpg", quality=95)
    photo = load_photo(tmp_path / "a.jpg")
    assert photo.flags == {"profile-missing"}
    assert np.abs(photo.encoded.astype(int) - colours()).mean() < 8


def test_white_stays_white_whatever_the_profile(tmp_path: Path) -> None:
    white = np.full((32, 48, 3), 255, np.uint8)
    off = bradford_matrix(D65, white_from_xy(0.35, 0.36)) @ SRGB_TO_XYZ  # made under another white
    for columns in (WIDE, NARROW, off):
        profile = matrix_profile(columns, (power_curve(2.2),) * 3)
        photo = load_photo(with_profile(tmp_path / "a.png", white, profile))
        np.testing.assert_allclose(photo.linear() @ photo.to_linear_srgb.T, 1.0, atol=1e-6)
