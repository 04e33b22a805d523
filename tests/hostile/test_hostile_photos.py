"""Broken and hostile files: a photograph or one clear sentence, nothing else."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pytest
from hostile.generate import hostile_files

from hueph.errors import PhotoError
from hueph.photo import Photo, load_photo

# Slower than this for one of these tiny files means work that grows with what a header says.
SECONDS_PER_FILE = 2.0


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """All hostile files."""
    return hostile_files(tmp_path_factory.mktemp("hostile"))


def outcome(path: Path) -> Photo | str:
    """Load a file; return the photograph or the sentence."""
    try:
        return load_photo(path)
    except PhotoError as error:
        return str(error)


def test_there_are_at_least_200_and_they_are_the_same_every_time(files: list[Path], tmp_path: Path) -> None:
    assert len(files) >= 200
    again = hostile_files(tmp_path)
    assert [path.name for path in again] == [path.name for path in files]
    assert all(one.read_bytes() == two.read_bytes() for one, two in zip(files, again, strict=True))


def test_each_ends_in_a_photograph_or_in_one_sentence(
    files: list[Path], capfd: pytest.CaptureFixture[str]
) -> None:
    complaints = []
    for path in files:
        begun = time.process_time()  # of this program alone, however busy the machine
        result = outcome(path)
        if time.process_time() - begun > SECONDS_PER_FILE:
            complaints.append(f"{path.name}: slow")
        if isinstance(result, Photo):
            height, width = result.encoded.shape[:2]
            whole = result.encoded.ndim == 3 and result.encoded.shape[2] == 3 and min(height, width) >= 16
            if not whole or not np.isfinite(result.linear()).all():
                complaints.append(f"{path.name}: no whole picture")
        elif not (result.startswith(f"cannot read photograph {path}: ") and "; " in result):
            complaints.append(f"{path.name}: {result}")
        elif "\n" in result or len(result) > len(str(path)) + 300:
            complaints.append(f"{path.name}: not one sentence: {result}")
    assert complaints == []
    # Nothing is said beside the sentence: libraries print their own complaints if they are let.
    captured = capfd.readouterr()
    assert (captured.out, captured.err) == ("", "")


def test_every_file_cut_short_is_refused(files: list[Path]) -> None:
    cut = [path for path in files if "-cut-" in path.name]
    assert len(cut) >= 100
    assert [path.name for path in cut if isinstance(outcome(path), Photo)] == []


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("empty.jpg", "a photograph must hold picture data, the file is empty (0 bytes); "),
        ("text.jpg", "must be JPEG, PNG, TIFF, WebP or HEIC, this file holds text; check that it is"),
        ("still.gif", "this file is a GIF, which may be animated and keeps only 256 colours; save it as PNG"),
        ("moving.webp", "must be one still picture, this file is an animated WebP; save the frame"),
        ("moving.png", "must be one still picture, this file is an animated PNG; save the frame"),
        ("sequence.heic", "must be one still picture, this file is a picture sequence; "),
        ("still.avif", "this file is AVIF; save it as PNG or JPEG"),
        ("film.heic", "this file is a film or another media file; save one frame"),
        ("says-65535-65535.jpg", "at most 200 megapixels, this one is 65535 x 65535 pixels; save it smaller"),
        ("says-100000-100000.png", "at most 200 megapixels, this one is 100000 x 100000 pixels"),
        ("bomb.png", "at most 200 megapixels, this one is 15000 x 14000 pixels"),
        ("tiny-1-1.jpg", "at least 16 pixels wide and high, this one is 1 x 1 pixels; use the original"),
        ("channels-2.jpg", "must hold 1, 3 or 4 colour channels, found 2; "),
        ("twelve-bit.jpg", "must be an ordinary one of 8 bit, found 12 bit; save it as PNG or TIFF"),
        ("raw.tif", "must be developed, this file is a camera raw file; export it"),
        ("pages.tif", "must be one still picture, this TIFF has several pages; "),
        ("floats.tif", "whole numbers of 8 or 16 bit, found 32 bit, not whole numbers, colour model 2; "),
        ("lab.tif", "found 8 bit, colour model 8; save it as RGB"),
        ("chunk-cICP-4.png", "must be of standard range, this file uses a high-dynamic-range curve; "),
        ("wrong-checksum.png", "must be whole, a checksum of the PNG does not match its data; copy the"),
        ("cut-then-ended-baseline.jpg", "the JPEG decoder reports: Corrupt JPEG data: premature end"),
        ("cut-50-baseline.jpg", "the JPEG decoder reports: Premature end of JPEG file; copy the original"),
    ],
)
def test_the_sentence_says_what_was_found_and_what_to_do(files: list[Path], name: str, sentence: str) -> None:
    (path,) = (path for path in files if path.name[4:] == name)
    assert sentence in str(outcome(path))


@pytest.mark.parametrize("kind", ["baseline", "cmyk"])
@pytest.mark.parametrize("fault", ["short", "noise", "press-name", "no-tags", "no-primaries"])
def test_an_unusable_profile_is_flagged(files: list[Path], fault: str, kind: str) -> None:
    (path,) = (path for path in files if path.name[4:] == f"profile-{fault}-{kind}.jpg")
    photo = load_photo(path)
    assert photo.flags == {"profile-broken"}
    assert photo.profile == "sRGB"


def test_odd_orientations_leave_the_picture_as_stored(files: list[Path]) -> None:
    odd = [path for path in files if "-exif-" in path.name]
    assert len(odd) == 10
    assert {(load_photo(path).width, load_photo(path).height) for path in odd} == {(160, 120)}


def test_a_folder_a_missing_file_and_a_pipe(tmp_path: Path) -> None:
    (tmp_path / "folder.jpg").mkdir()
    with pytest.raises(
        PhotoError,
        match=r"^cannot read photograph \S+: a photograph must be a single file, this is a folder; name",
    ):
        load_photo(tmp_path / "folder.jpg")
    with pytest.raises(PhotoError, match="there is no file of this name; check the name"):
        load_photo(tmp_path / "missing.jpg")
    with pytest.raises(PhotoError, match="this is a device or a pipe; save the picture"):
        load_photo(os.devnull)
    with pytest.raises(PhotoError, match="the file must be readable, the system reports: "):
        load_photo(tmp_path / ("long" * 2000))
    with pytest.raises(PhotoError, match="the file must be readable, the system reports: embedded null"):
        load_photo("null\0byte.jpg")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_permission(tmp_path: Path) -> None:
    path = tmp_path / "secret.jpg"
    path.write_bytes(b"\xff\xd8\xff")
    path.chmod(0)
    with pytest.raises(PhotoError, match="permission was denied; change its rights"):
        load_photo(path)
