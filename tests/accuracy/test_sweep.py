"""What the sweep changes, and that it changes nothing else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from sweep_scenes import (
    SIZE,
    Level,
    all_levels,
    base_scene,
    covered,
    draw_levels,
    narrowed,
    pitched,
    rolled,
    shining_card,
    shrunk_card,
)

from hueph.charting import calibrate_picture
from hueph.reading import read_photo
from hueph.results import Reading
from hueph.synthetic import encode_photo, render_artwork
from hueph.synthetic.layout import project


def test_every_level_has_a_name_of_its_own() -> None:
    names = [(level.group, level.name) for level in all_levels()]
    assert len(set(names)) == len(names)
    assert names[0] == ("unchanged", "unchanged")
    exposures = [level.place for level in all_levels() if level.group == "exposure"]
    assert min(exposures) == -3
    assert max(exposures) == 3


@pytest.mark.parametrize("view", [rolled(25.0), rolled(-8.0), pitched(30.0), pitched(-20.0)])
def test_a_tilted_camera_keeps_the_middle_where_it_is(view: np.ndarray) -> None:
    middle = np.array(SIZE) / 2.0
    assert project(view, middle) == pytest.approx(middle)


def test_a_rolled_camera_sees_the_whole_frame() -> None:
    width, height = SIZE
    corners = project(rolled(25.0), np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]))
    assert corners.min() >= -1e-6
    assert (corners <= np.array(SIZE) + 1e-6).all()


def test_levels_differ_in_the_one_thing_alone() -> None:
    levels = (
        Level("unchanged", "unchanged", 0.0),
        Level("patches covered", "1", 1.0, retouch=covered(1)),
        Level("width", "54 px", 54.0, narrowed(54.0)),
        Level("patch", "20 px", 20.0, shrunk_card(20.0)),
    )
    (_, plain, truth), (_, hidden, same), (_, _, narrow), (_, _, small) = draw_levels(5, 0, levels)
    assert same == truth
    # Beyond the covered patch only the light it throws back into the lens, a fraction of a code, may change.
    away = np.abs(plain.astype(int) - hidden).max(axis=2) > 6
    rows, cols = np.nonzero(away)
    sides = np.ptp(np.array(truth["patches"])[0], axis=0)
    assert 0 < np.ptp(rows) < 2.0 * sides[1]
    assert 0 < np.ptp(cols) < 2.0 * sides[0]
    for before, after in zip(truth["tubes"], narrow["tubes"], strict=True):
        liquid = np.array(after["liquid"])
        assert np.linalg.norm(liquid[1] - liquid[0]) == pytest.approx(54.0)
        assert after["ph"] == before["ph"]
    patches = np.array(small["patches"])
    smaller = np.linalg.norm(patches - np.roll(patches, 1, axis=1), axis=2).min(axis=1)
    assert np.median(smaller) == pytest.approx(20.0, rel=0.05)
    assert patches.mean(axis=(0, 1)) == pytest.approx(np.array(truth["patches"]).mean(axis=(0, 1)), abs=15.0)


def test_a_reflection_on_the_strip_is_flagged_and_widens(tmp_path: Path) -> None:
    levels = (
        Level("unchanged", "unchanged", 0.0),
        Level("card", "30 %", 30.0, retouch=shining_card(0.3)),
    )
    Image.fromarray(render_artwork(base_scene(5, 3))).save(tmp_path / "card.png")
    results = []
    for number, (_, picture, truth) in enumerate(draw_levels(5, 3, levels)):
        photo = tmp_path / f"{number}.jpg"
        photo.write_bytes(encode_photo(picture, display_p3=truth["shot"]["p3"], quality=90))
        chart = calibrate_picture(tmp_path / "card.png", truth["chart_ph"], name="card")
        results.append(read_photo(photo, chart).tubes)
    plain, shining = results
    assert all("strip-uneven" not in reading.flags for reading in plain)
    assert all("strip-uneven" in reading.flags for reading in shining)
    # Over all tubes, stated or not: which of them are stated may change as well.
    narrow, wide = (np.mean([spread_of(reading) for reading in readings]) for readings in results)
    assert narrow < wide


def spread_of(reading: Reading) -> float:
    """Standard deviation of what is known of a tube's pH."""
    weights = reading.posterior / reading.posterior.sum()
    return float(np.sqrt(weights @ (reading.grid - weights @ reading.grid) ** 2))


def test_base_scenes_are_the_same_every_time() -> None:
    one, two = base_scene(5, 3), base_scene(5, 3)
    assert [tube.ph for tube in one.tubes] == [tube.ph for tube in two.tubes]
    assert all(tube.load == 1.0 for tube in one.tubes)
    assert all(one.card.ph[0] <= (tube.ph or 0.0) <= one.card.ph[-1] for tube in one.tubes)
