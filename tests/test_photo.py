"""Photographs read: every kind of file, depth, orientation and size."""

from __future__ import annotations

import hashlib
import io
import struct
import subprocess
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps

from hueph._photo.decoded import reduction
from hueph.errors import InputError, PhotoError
from hueph.photo import Photo, load_photo, photo_from_array

KINDS = {"JPEG": "jpg", "PNG": "png", "TIFF": "tif", "WEBP": "webp", "HEIF": "heic"}


def quadrants(width: int = 96, height: int = 64) -> np.ndarray:
    """Four flat colours, so that every turn and mirror image is another picture; (h, w, 3) uint8."""
    picture = np.zeros((height, width, 3), np.uint8)
    picture[: height // 2, : width // 2] = (230, 40, 40)
    picture[: height // 2, width // 2 :] = (40, 60, 220)
    picture[height // 2 :, : width // 2] = (40, 200, 60)
    picture[height // 2 :, width // 2 :] = (210, 210, 205)
    return picture


def write(path: Path, pixels: np.ndarray, kind: str, **options: Any) -> Path:
    """Save a picture with Pillow or, for HEIF, with libheif."""
    picture = Image.fromarray(pixels)
    if kind == "HEIF":
        pillow_heif.from_pillow(picture).save(path, quality=95, **options)
    else:
        defaults: dict[str, Any] = {"JPEG": {"quality": 95, "subsampling": 0}, "WEBP": {"lossless": True}}
        picture.save(path, kind, **(defaults.get(kind, {}) | options))
    return path


def exif_bytes(orientation: int | None = None, *, taken: str = "", **more: int) -> bytes:
    """Return an EXIF block written by Pillow."""
    exif = Image.Exif()
    if orientation is not None:
        exif[0x0112] = orientation
    if taken:
        exif.get_ifd(0x8769)[0x9003] = taken
    if "colour_space" in more:
        exif.get_ifd(0x8769)[0xA001] = more["colour_space"]
    return exif.tobytes()


def test_import_is_light() -> None:
    heavy = ("cv2", "PIL", "scipy", "pillow_heif", "simplejpeg")
    code = f"import sys, hueph.photo; print([name for name in {heavy} if name in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("orientation", range(1, 9))
def test_turned_upright_exactly_once(tmp_path: Path, kind: str, orientation: int) -> None:
    stored = quadrants()
    # For HEIF the encoder writes the container's own rotation as well as EXIF: applying both is the trap.
    path = write(tmp_path / f"o.{KINDS[kind]}", stored, kind, exif=exif_bytes(orientation))
    picture = Image.fromarray(stored)
    picture.getexif()[0x0112] = orientation
    upright = np.asarray(ImageOps.exif_transpose(picture)).astype(int)

    photo = load_photo(path)
    assert (photo.height, photo.width) == upright.shape[:2] == photo.encoded.shape[:2]
    # Compared inside the quadrants: lossy kinds blur the borders between them.
    difference = np.abs(photo.encoded.astype(int) - upright)
    height, width = upright.shape[:2]
    for row in (height // 4, 3 * height // 4):
        for col in (width // 4, 3 * width // 4):
            assert difference[row - 3 : row + 3, col - 3 : col + 3].max() <= 4


def test_exif_orientation_of_a_heic_counts_for_nothing(tmp_path: Path) -> None:
    path = write(tmp_path / "plain.heic", quadrants(), "HEIF", exif=exif_bytes(1))
    data = bytearray(path.read_bytes())
    at = data.index(b"\x01\x12\x00\x03\x00\x00\x00\x01\x00\x01")
    data[at + 9] = 6
    path.write_bytes(bytes(data))
    assert (load_photo(path).width, load_photo(path).height) == (96, 64)


@pytest.mark.parametrize("order", ["<", ">"])
def test_tiff_orientation_in_both_byte_orders(tmp_path: Path, order: str) -> None:
    tags = [(256, 4, 96), (257, 4, 64), (258, 3, 8), (259, 3, 1), (262, 3, 1), (273, 4, 8), (274, 3, 6)]
    tags += [(277, 3, 1), (278, 4, 64), (279, 4, 96 * 64)]
    grey = quadrants()[..., 0]
    directory = struct.pack(order + "H", len(tags))
    for tag, kind, value in tags:
        held = struct.pack(order + ("HH" if kind == 3 else "I"), *((value, 0) if kind == 3 else (value,)))
        directory += struct.pack(order + "HHI", tag, kind, 1) + held
    mark = b"II*\0" if order == "<" else b"MM\0*"
    path = tmp_path / "o.tif"
    path.write_bytes(mark + struct.pack(order + "I", 8 + grey.size) + grey.tobytes() + directory + bytes(4))
    photo = load_photo(path)
    assert (photo.encoded[..., 1] == np.rot90(grey, -1)).all()


@pytest.mark.parametrize(("kind", "ending"), [("png", "png"), ("tiff", "tif")])
def test_sixteen_bit_codes_are_kept(tmp_path: Path, kind: str, ending: str) -> None:
    rng = np.random.default_rng(1)
    codes = rng.integers(0, 65536, (40, 60, 3), dtype=np.uint16)
    path = tmp_path / f"deep.{ending}"
    path.write_bytes(bytes(cv2.imencode(f".{kind}", codes[..., ::-1])[1]))
    photo = load_photo(path)
    assert photo.encoded.dtype == np.uint16
    assert (photo.encoded == codes).all()
    assert photo.decode_table.shape == (65536,)
    value = codes[3, 4, 0] / 65535
    wanted = value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
    assert photo.linear()[3, 4, 0] == pytest.approx(wanted, rel=1e-6)


@pytest.mark.parametrize(("bits", "options"), [(8, {}), (10, {}), (12, {"SAVE_HDR_TO_12_BIT": True})])
def test_white_of_a_heic_is_white_at_every_depth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bits: int, options: dict[str, bool]
) -> None:
    for name, value in options.items():
        monkeypatch.setattr(pillow_heif.options, name, value)
    path = tmp_path / "white.heic"
    if bits == 8:
        write(path, np.full((64, 96, 3), 255, np.uint8), "HEIF")
    else:
        white = np.full((64, 96, 3), 65535, np.uint16)
        pillow_heif.from_bytes("RGB;16", (96, 64), white.tobytes()).save(path, quality=95)
    photo = load_photo(path)
    assert photo.encoded.dtype == (np.uint8 if bits == 8 else np.uint16)
    np.testing.assert_allclose(photo.linear(), 1.0, atol=2e-3)
    assert photo.clipped().all()


@pytest.mark.parametrize(
    "options", [{}, {"progressive": True}, {"subsampling": 2}, {"restart_marker_blocks": 3}]
)
def test_kinds_of_jpeg(tmp_path: Path, options: dict[str, Any]) -> None:
    photo = load_photo(write(tmp_path / "a.jpg", quadrants(), "JPEG", **options))
    assert np.abs(photo.encoded[8:24, 8:40].astype(int) - (230, 40, 40)).max() <= 3
    assert photo.flags == frozenset()


def test_film_or_pictures_appended_to_a_jpeg_are_ignored(tmp_path: Path) -> None:
    path = write(tmp_path / "a.jpg", quadrants(), "JPEG")
    alone = load_photo(path).encoded
    path.write_bytes(path.read_bytes() + b"\0\0\0\x18ftypmp42" + bytes(3000) + path.read_bytes()[:500])
    assert (load_photo(path).encoded == alone).all()


def test_jpeg_padded_with_one_byte_is_whole_and_with_other_data_is_not(tmp_path: Path) -> None:
    path = write(tmp_path / "a.jpg", quadrants(), "JPEG")
    data = path.read_bytes()
    alone = load_photo(path).encoded
    path.write_bytes(data[:-2] + bytes(40) + data[-2:])
    assert (load_photo(path).encoded == alone).all()
    path.write_bytes(data[:-2] + b"not padding" + data[-2:])
    with pytest.raises(PhotoError, match="extraneous bytes before marker"):
        load_photo(path)


def test_the_content_decides_not_the_name(tmp_path: Path) -> None:
    path = write(tmp_path / "really-a-png.jpg", quadrants(), "PNG")
    assert (load_photo(path).encoded == quadrants()).all()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_grey_gets_three_equal_channels(tmp_path: Path, kind: str) -> None:
    grey = np.tile(np.arange(96, dtype=np.uint8) * 2, (64, 1))
    codes = load_photo(write(tmp_path / f"grey.{KINDS[kind]}", grey, kind)).encoded
    assert codes.shape == (64, 96, 3)
    assert (codes == codes[..., :1]).all()
    assert np.abs(codes[..., 0].astype(int) - grey).max() <= 2


@pytest.mark.parametrize("mode", ["1", "P", "L", "LA", "RGB", "RGBA"])
def test_modes_of_png_and_tiff(tmp_path: Path, mode: str) -> None:
    colours = Image.fromarray(quadrants())
    picture = colours.quantize(8) if mode == "P" else colours.convert(mode)
    wanted = np.asarray(picture.convert("RGB"))
    for ending in ("png", "tif"):
        picture.save(tmp_path / f"a.{ending}")
        assert (load_photo(tmp_path / f"a.{ending}").encoded == wanted).all()


def test_transparent_parts_lie_over_white(tmp_path: Path) -> None:
    alpha = np.full((64, 96), 255, np.uint8)
    alpha[:32], alpha[32:, :48] = 0, 128
    Image.fromarray(np.dstack([quadrants(), alpha])).save(tmp_path / "a.png")
    codes = load_photo(tmp_path / "a.png").encoded
    assert (codes[:32] == 255).all()
    assert codes[60, 3].tolist() == [147, 227, 157]  # 128/255 of (40, 200, 60) over white
    assert codes[60, 90].tolist() == [210, 210, 205]


def test_hash_time_and_name(tmp_path: Path) -> None:
    exif = exif_bytes(1, taken="2026:02:28 23:59:58")
    path = write(tmp_path / "tübe 1.jpg", quadrants(), "JPEG", exif=exif)
    before = path.read_bytes()
    photo = load_photo(path)
    assert photo.sha256 == hashlib.sha256(before).hexdigest()
    assert path.read_bytes() == before
    assert photo.file == str(path)
    assert photo.taken == "2026-02-28T23:59:58"
    assert load_photo(write(path, quadrants(), "JPEG")).taken == ""


@pytest.mark.parametrize("max_side", [16, 500, 2000])
@pytest.mark.parametrize("longest", [1, 40, 751, 3000, 3001, 4032, 6000, 6001, 9248, 16320, 65500])
def test_working_length_is_near_the_wanted_one(longest: int, max_side: int) -> None:
    factor = reduction(longest, 1, max_side)
    assert reduction(1, longest, max_side) == factor
    assert longest / factor <= 1.5 * max_side
    assert factor == 1 or longest / factor > 0.75 * max_side


@pytest.mark.parametrize("kind", KINDS)
def test_reduced_pictures_are_area_means(tmp_path: Path, kind: str) -> None:
    rng = np.random.default_rng(3)
    full = cv2.GaussianBlur(rng.integers(0, 256, (480, 640, 3), dtype=np.uint8), (0, 0), 3)
    full = cv2.normalize(full, None, 20, 235, cv2.NORM_MINMAX)
    photo = load_photo(write(tmp_path / f"a.{KINDS[kind]}", full, kind), max_side=160)
    assert (photo.width, photo.height, photo.scale) == (640, 480, 4.0)
    means = full.reshape(120, 4, 160, 4, 3).mean(axis=(1, 3))
    assert photo.encoded.shape == means.shape
    assert np.abs(photo.encoded - means).mean() < 1.5


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("size", [(645, 483), (640, 480)])
def test_points_keep_their_place_in_reduced_pictures(
    tmp_path: Path, kind: str, orientation: int, size: tuple[int, int]
) -> None:
    width, height = size
    stored = np.full((height, width, 3), 30, np.uint8)
    cv2.circle(stored, (401, 122), 21, (240, 240, 240), -1)
    path = write(tmp_path / f"a.{KINDS[kind]}", stored, kind, exif=exif_bytes(orientation))
    full, small = load_photo(path), load_photo(path, max_side=120)
    assert (full.scale, small.scale) == (1.0, 4.0)

    def dot(photo: Photo) -> np.ndarray:
        light = photo.encoded[..., 1].astype(float) - 30
        rows, cols = np.indices(light.shape)
        return np.array([(cols * light).sum(), (rows * light).sum()]) / light.sum()

    np.testing.assert_allclose(small.to_full(dot(small)), dot(full), atol=0.3)
    points = [[3.0, 4.0], [0.0, -0.5]]
    np.testing.assert_allclose(small.to_working(small.to_full(points)), points, atol=1e-12)
    assert max(small.origin) < small.scale


def test_regions_agree_with_the_whole(tmp_path: Path) -> None:
    photo = load_photo(write(tmp_path / "a.png", quadrants(), "PNG"))
    rows, cols = slice(20, 40), slice(30, 70)
    assert (photo.linear(rows, cols) == photo.linear()[rows, cols]).all()
    assert (photo.clipped(rows, cols) == photo.clipped()[rows, cols]).all()
    assert photo.linear().dtype == np.float32
    assert (photo.linear() == photo.decode_table.astype(np.float32)[photo.encoded]).all()
    assert photo.linear(slice(0, 0), slice(0, 5)).shape == (0, 5, 3)
    assert photo.linear(slice(0, 1), slice(3, 4)).shape == (1, 1, 3)


def test_clipped_is_within_one_code_of_either_end() -> None:
    codes = np.arange(256, dtype=np.uint8).repeat(3).reshape(16, 16, 3)
    clipped = photo_from_array(codes).clipped()[..., 0].ravel()
    assert np.flatnonzero(clipped).tolist() == [0, 1, 254, 255]


def test_reduced_keeps_one_factor_and_the_place() -> None:
    picture = np.zeros((301, 407, 3), np.uint8)
    cv2.circle(picture, (300, 90), 15, (255, 255, 255), -1)
    photo = photo_from_array(picture)
    small, factor = photo.reduced(100)
    assert max(small.shape[:2]) == 100
    assert factor == pytest.approx(4.07)
    rows, cols = np.indices(small.shape[:2])
    light = small[..., 0].astype(float)
    found = (np.array([(cols * light).sum(), (rows * light).sum()]) / light.sum() + 0.5) * factor - 0.5
    np.testing.assert_allclose(found, [300, 90], atol=0.6)
    same, factor = photo.reduced(1000)
    assert factor == 1.0
    assert (same == picture).all()
    with pytest.raises(InputError, match="longest must be at least 1 pixel, got 0"):
        photo.reduced(0)


def test_reduced_of_a_deep_picture_is_8_bit(tmp_path: Path) -> None:
    path = tmp_path / "deep.png"
    path.write_bytes(bytes(cv2.imencode(".png", quadrants().astype(np.uint16) * 257)[1]))
    small, factor = load_photo(path).reduced(1000)
    assert (small.dtype, factor) == (np.uint8, 1.0)
    assert (small[..., ::-1] == quadrants()).all()


def test_array_pictures() -> None:
    picture = quadrants()
    photo = photo_from_array(picture[:, ::-1], name="drawn")
    assert (photo.file, photo.width, photo.height, photo.scale) == ("drawn", 96, 64, 1.0)
    assert photo.sha256 == hashlib.sha256(np.ascontiguousarray(picture[:, ::-1]).tobytes()).hexdigest()
    with pytest.raises(InputError, match=r"8 bit R, G, B of shape \(h, w, 3\), got float64 \(4, 4, 3\)"):
        photo_from_array(np.zeros((4, 4, 3)))
    with pytest.raises(InputError, match=r"got uint8 \(4, 4\)"):
        photo_from_array(np.zeros((4, 4), np.uint8))


def test_wrong_arguments() -> None:
    with pytest.raises(InputError, match="max_side must be at least 16 pixels, got 0"):
        load_photo("a.jpg", max_side=0)
    with pytest.raises(InputError, match=r"points must have shape \(\.\.\., 2\), got \(3,\)"):
        photo_from_array(quadrants()).to_full([1, 2, 3])


def test_reduced_copies_in_a_tiff_do_not_count_as_pages(tmp_path: Path) -> None:
    small = Image.fromarray(quadrants(48, 32))
    small.encoderinfo = {"tiffinfo": {254: 1}}  # type: ignore[attr-defined]
    file = io.BytesIO()
    Image.fromarray(quadrants()).save(file, "TIFF", save_all=True, append_images=[small])
    (tmp_path / "a.tif").write_bytes(file.getvalue())
    assert load_photo(tmp_path / "a.tif").width == 96
