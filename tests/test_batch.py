"""Many photographs: names, failures, overlays' names. The reading itself is replaced."""

from __future__ import annotations

import gc
import hashlib
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import hueph.reading
from hueph.batch import find_photos, overlay_names, read_photos
from hueph.chart import Chart, Patch
from hueph.errors import ChartError, InputError, StripNotFound
from hueph.photo import Photo
from hueph.results import PhotoReadings

SAMPLES = Path(__file__).parents[1] / "samples"
CORNERS = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
CHART = Chart(
    name="three patches",
    patches=tuple(Patch(4.0 + n, (50.0, 10.0 * n, 0.0), 0.5, CORNERS) for n in range(3)),
    paper_lab=(95.0, 0.0, 0.0),
    card_size=(3.0, 1.0),
    sha256="cd" * 32,
)


@pytest.fixture
def pictures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with pictures, an overlay of an earlier run and other things."""
    for name in ("b.JPG", "a.heic", "a-overlay.jpg", ".hidden.jpg", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "sub.jpg").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_folder_stands_for_its_pictures_in_order(pictures: Path) -> None:
    assert find_photos([pictures]) == [str(pictures / "a.heic"), str(pictures / "b.JPG")]


def test_a_pattern_stands_for_what_it_matches_and_overlays_are_left_out(pictures: Path) -> None:
    assert find_photos(["*.[jJ][pP][gG]"]) == ["b.JPG", "sub.jpg"]


def test_names_that_stand_for_nothing_are_kept_to_be_reported(pictures: Path) -> None:
    (pictures / "empty").mkdir()
    (pictures / "what?.jpg").write_bytes(b"x")
    names = ["gone.jpg", "none-*.jpg", "empty", "what?.jpg", "", "x" * 5000]
    assert find_photos(names) == names


def test_overlay_names_do_not_collide() -> None:
    names = overlay_names(["one/a.jpg", "two/A.png", "a-2.jpg", "b.jpg"], "out")
    assert [Path(name).name for name in names] == [
        "a-overlay.jpg",
        "A-2-overlay.jpg",
        "a-2-2-overlay.jpg",
        "b-overlay.jpg",
    ]


def test_one_bad_photograph_does_not_stop_the_rest(
    pictures: Path, monkeypatch: pytest.MonkeyPatch, make_readings: Callable[..., PhotoReadings]
) -> None:
    def read(path: str, chart: Chart, **options: Any) -> PhotoReadings:
        assert options == {"coverage": 0.9, "tubes": ((1, 2, 3, 4),), "strip": None, "budget": False}
        if path == "b.JPG":
            raise StripNotFound("no strip in b.JPG", reason="blurred")
        if path == "a.heic":
            raise ZeroDivisionError("oops")
        return make_readings(path)

    monkeypatch.setattr(hueph.reading, "read_photo", read, raising=False)
    results = list(
        read_photos(
            ["c.jpg", "b.JPG", "a.heic", "sub.jpg", "d.jpg"], CHART, coverage=0.9, tubes=[(1, 2, 3, 4)]
        )
    )
    assert [result.file for result in results] == ["c.jpg", "b.JPG", "a.heic", "sub.jpg", "d.jpg"]
    good, strip, bug, folder, last = results
    assert good.error is None
    assert last.error is None
    assert strip.error == ("StripNotFound", "no strip in b.JPG")
    assert strip.sha256 == hashlib.sha256(b"x").hexdigest()
    assert (strip.chart_name, strip.chart_sha256) == ("three patches", "cd" * 32)
    assert bug.error == (
        "ZeroDivisionError",
        "reading a.heic failed unexpectedly (ZeroDivisionError: oops); please report it together with the "
        "output of the same command with -v",
    )
    assert folder.error is not None
    assert folder.error[1].startswith(
        "found no photograph in the folder sub.jpg: looked for names ending in .jpg"
    )


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no such pipes and devices there")
def test_devices_and_pipes_are_refused_without_reading_them(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    names = ["/dev/zero", str(tmp_path / "pipe.jpg")]
    words = [sys.executable, "-m", "hueph", "read", *names, "--chart", "bromothymol-blue"]
    # In a process of its own: reading one of them would never end.
    ended = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert ended.returncode == 1
    assert ended.stderr.count("this is a device or a pipe") == 2


def test_bad_arguments_are_refused_before_anything_is_read(pictures: Path) -> None:
    with pytest.raises(InputError, match="jobs must be 1 or more, got 0"):
        read_photos([], CHART, jobs=0)
    with pytest.raises(InputError, match=r"cannot make the folder b\.JPG for the overlays: "):
        read_photos([], CHART, overlay_dir="b.JPG")
    with pytest.raises(ChartError, match="cannot find the chart nowhere"):
        read_photos([], "nowhere")


@pytest.mark.parametrize(
    "photo", ["read", "without its strip", "not a picture"], ids=lambda text: text.replace(" ", "-")
)
def test_no_picture_stays_in_memory_once_it_is_read(photo: str, tmp_path: Path) -> None:
    """A ring of references would keep megabytes until the interpreter happens to look for rings."""
    path, chart = SAMPLES / "dim-single-tube.jpg", "sample-universal-strip"
    if photo == "without its strip":
        chart = "thymol-blue"
    if photo == "not a picture":
        path = tmp_path / "notes.jpg"
        path.write_text("stock solution A")
    gc.collect()
    gc.disable()

    def held() -> list[object]:
        return [thing for thing in gc.get_objects() if isinstance(thing, Photo | StripNotFound)]

    try:
        before = held()  # by other tests
        (readings,) = read_photos([path], chart)
        left = [thing for thing in held() if not any(thing is one for one in before)]
    finally:
        gc.enable()
    assert (readings.error is not None) == (photo == "not a picture")
    assert (readings.strip_message != "") == (photo == "without its strip")
    assert left == []
