"""Copies without private fields: nothing of them is left, and the picture is the same to the last pixel."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest
from conftest import SECRET, absent, private_picture
from PIL import Image

from hueph.archive.privacy import path_free, private_free
from hueph.photo import load_photo

KINDS = (".jpg", ".png", ".webp", ".tif", ".heic")
SAMPLES = Path(__file__).resolve().parents[2] / "samples"


@pytest.mark.parametrize("suffix", KINDS)
def test_nothing_private_is_left_and_the_picture_is_the_same(tmp_path: Path, suffix: str) -> None:
    path = private_picture(tmp_path / f"a{suffix}")
    data = path.read_bytes()
    assert SECRET.encode() in data
    clean = private_free(data)
    assert clean is not None
    assert SECRET.encode() not in clean.data
    copy = tmp_path / f"b{suffix}"
    copy.write_bytes(clean.data)
    before, after = load_photo(path), load_photo(copy)
    np.testing.assert_array_equal(before.encoded, after.encoded)
    assert before.profile == after.profile
    with Image.open(copy) as picture:
        exif = picture.getexif()
        assert dict(exif.get_ifd(0x8825)) == {}
        assert 0xA431 not in exif.get_ifd(0x8769)
    if suffix != ".tif":
        assert after.taken == "2026-03-01T10:00:00"
        assert exif[0x0110] == "Phone 12"


@pytest.mark.parametrize("suffix", KINDS)
def test_copy_of_the_copy_is_the_copy(tmp_path: Path, suffix: str) -> None:
    first = private_free(private_picture(tmp_path / f"a{suffix}").read_bytes())
    assert first is not None
    second = private_free(first.data)
    assert second is not None
    assert second.data == first.data


def test_what_went_is_named(tmp_path: Path) -> None:
    clean = private_free(private_picture(tmp_path / "a.jpg").read_bytes())
    assert clean is not None
    assert {
        "position (GPS)",
        "serial number of the camera",
        "name of the camera's owner",
        "name of the photographer",
        "notes of the camera maker",
        "XMP and other notes",
        "comment",
        "data after the picture",
    } <= set(clean.removed)


def test_harmless_file_stays_as_it_is() -> None:
    data = (SAMPLES / "five-tubes.jpg").read_bytes()
    clean = private_free(data)
    assert clean is not None
    assert clean.data is data
    assert clean.removed == ()


@pytest.mark.parametrize(
    "data", [b"", b"GIF89a", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n\0\0", b"II*\0\x08\0\0\0"]
)
def test_what_is_not_understood_is_not_handed_on(data: bytes) -> None:
    clean = private_free(data)
    assert clean is None or clean.removed == ()


@pytest.mark.parametrize("suffix", KINDS)
def test_cut_files_never_give_a_private_copy(tmp_path: Path, suffix: str) -> None:
    data = private_picture(tmp_path / f"a{suffix}").read_bytes()
    for end in range(16, len(data), max(1, len(data) // 60)):
        clean = private_free(data[:end])
        assert clean is None or SECRET.encode() not in clean.data


def test_orientation_and_profile_survive(tmp_path: Path) -> None:
    picture = Image.new("RGB", (40, 20), (200, 100, 50))
    exif = Image.Exif()
    exif[0x0112], exif[0x013B] = 6, SECRET
    path = tmp_path / "a.jpg"
    from PIL import ImageCms

    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    picture.save(path, "JPEG", exif=exif, icc_profile=icc)
    clean = private_free(path.read_bytes())
    assert clean is not None
    assert icc in clean.data
    copy = tmp_path / "b.jpg"
    copy.write_bytes(clean.data)
    assert (load_photo(copy).width, load_photo(copy).height) == (20, 40)


def test_independent_reader_finds_no_private_field(tmp_path: Path) -> None:
    """ExifTool, where it is installed, sees more kinds of metadata than Pillow."""
    path = private_picture(tmp_path / "a.jpg")
    clean = private_free(path.read_bytes())
    assert clean is not None
    copy = tmp_path / "b.jpg"
    copy.write_bytes(clean.data)
    try:
        run = subprocess.run(["exiftool", "-G", str(copy)], capture_output=True, text=True, check=True)
    except FileNotFoundError:
        absent("exiftool is not installed (Debian: apt-get install libimage-exiftool-perl)")
    assert SECRET not in run.stdout
    assert "GPS" not in run.stdout.replace("GPS Version", "")
    assert "Serial" not in run.stdout


@pytest.mark.parametrize(
    ("line", "clean"),
    [
        ('chart = "/home/ada/cards/x.toml"', 'chart = "x.toml"'),
        ("chart = '/home/ada lovelace/x y.toml'  # mine", "chart = 'x y.toml'  # mine"),
        ('chart = "C:\\\\Users\\\\ada\\\\x.toml"', 'chart = "x.toml"'),
        ('chart = "~/cards/x.toml"', 'chart = "x.toml"'),
        ('photos = ["/home/ada/a.jpg", "/home/ada/b.jpg"]', 'photos = ["a.jpg", "b.jpg"]'),
        ("# copied from /home/ada/old.toml", "# copied from old.toml"),
        ('a = "6.8 g/L KH2PO4"', None),
        ('b = "dilute a 1/10"', None),
        ('c = "cards/x.toml"', None),
        ("# see https://example.org/a/b", None),
    ],
)
def test_folders_are_left_out_of_recipes(line: str, clean: str | None) -> None:
    made = path_free(f"{line}\n".encode())
    assert made is not None
    assert made.data.decode() == f"{clean or line}\n"
    assert made.removed == (("folders of paths",) if clean else ())
    again = path_free(made.data)
    assert again is not None
    assert again.removed == ()


def test_recipe_that_is_no_text_is_not_handed_on() -> None:
    assert path_free(b"\xff\xfe") is None
