"""The sample photographs (rendered, truth beside them), one line a picture in the table below."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from accuracy.scoring import PhotoScore, score_photo

from hueph.batch import read_photos
from hueph.shipped import find_chart

SAMPLES = Path(__file__).resolve().parents[2] / "samples"


@dataclass(frozen=True)
class Expected:
    """What must hold for one sample."""

    rmse: float  # of the tubes with a stated pH
    stated: int  # at least so many tubes get a pH
    one_sided: int = 0  # tubes beyond the card, all answered one-sided
    outside: int = 0  # at most so many ranges miss the true pH (one in twenty is what 95 % means)


# Near an end of the card the indicator hardly changes colour, so an answer open on that side is right
# there too, even for a pH on the card.
TABLE = {
    "five-tubes.jpg": Expected(rmse=0.30, stated=2, one_sided=2),
    "dim-single-tube.jpg": Expected(rmse=0.50, stated=0),
    "cream-backing.jpg": Expected(rmse=0.30, stated=0, one_sided=1),
    "wood-backing.jpg": Expected(rmse=0.40, stated=2, outside=1),
    "plain-water.jpg": Expected(rmse=0.0, stated=0),
    "phenol-red.jpg": Expected(rmse=0.30, stated=2, one_sided=1, outside=1),
}


def scenes() -> dict[str, dict[str, Any]]:
    """Return the truth of each sample by file name."""
    truth = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
    return {shot["file"]: scene for scene in truth for shot in scene["shots"]}


@pytest.fixture(scope="module")
def scores() -> dict[str, PhotoScore]:
    """Read every sample once."""
    found = {}
    for file, scene in scenes().items():
        (readings,) = read_photos([SAMPLES / file], find_chart(scene["chart"]))
        found[file] = score_photo(scene, file, readings, 0.0)
    return found


def test_every_sample_has_truth_and_a_line_in_the_table() -> None:
    pictures = {path.name for path in SAMPLES.iterdir() if path.suffix == ".jpg"}
    assert pictures == set(scenes()) == set(TABLE)
    assert sum(path.stat().st_size for path in SAMPLES.iterdir()) < 1.5e6


@pytest.mark.parametrize("file", TABLE)
def test_strip_and_tubes_are_found(scores: dict[str, PhotoScore], file: str) -> None:
    score = scores[file]
    assert (score.error, score.strip) == ("", "right")
    assert all(tube.reading is not None for tube in score.tubes)
    assert score.false_tubes == ()


@pytest.mark.parametrize("file", TABLE)
def test_readings_are_as_near_as_the_table_says(scores: dict[str, PhotoScore], file: str) -> None:
    expected = TABLE[file]
    tubes = scores[file].tubes
    errors = [tube.error for tube in tubes if tube.error is not None]
    assert not any(tube.refused for tube in tubes if tube.is_sample)
    assert len(errors) >= expected.stated
    assert all(abs(error) < 3 * expected.rmse for error in errors)
    if errors:
        assert (sum(error**2 for error in errors) / len(errors)) ** 0.5 <= expected.rmse
    assert sum(tube.covered is False for tube in tubes) <= expected.outside
    beyond = [tube for tube in tubes if tube.beyond is not None]
    assert len(beyond) == expected.one_sided
    assert all(tube.reading is not None and tube.reading.bound == tube.beyond for tube in beyond)


@pytest.mark.parametrize("file", TABLE)
def test_what_is_no_sample_gets_no_ph_and_a_reason(scores: dict[str, PhotoScore], file: str) -> None:
    for tube in scores[file].tubes:
        if not tube.is_sample:
            assert tube.refused
            assert tube.reading is not None
            assert tube.reading.flags
