"""The figure: whole, legible in grey-scale, both kinds of result; and the text of a pair."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tubes_made import lab_of, picture_of, seen

from hueph.comparing.photos import Comparison, compare_photos, compare_readings
from hueph.comparison_figure import draw_comparison, write_comparison_figure
from hueph.comparison_report import comparison_text
from hueph.errors import InputError
from hueph.photo import photo_from_array

ROOT = Path(__file__).resolve().parents[2]
BEAKERS = ROOT / "tests" / "data" / "real" / "beakers_methyl_orange_cmyk.jpg"


@pytest.fixture
def comparison() -> Comparison:
    before = picture_of(seen(6.0), seen(5.0, tube=2))
    after = picture_of(seen(6.1, picture="two"), seen(11.0, picture="two", tube=2))
    return compare_readings([before, after])


def photo(colour: tuple[int, int, int]) -> np.ndarray:
    picture = np.full((100, 100, 3), 230, np.uint8)
    picture[10:60, 10:30] = colour
    return picture


def test_a_row_a_pair_and_marks_that_do_not_need_colour(comparison: Comparison) -> None:
    photos = {
        "one.jpg": photo_from_array(photo((200, 180, 40)), name="one.jpg"),
        "two.jpg": photo_from_array(photo((60, 120, 200)), name="two.jpg"),
    }
    figure = draw_comparison(comparison, photos)
    assert figure.shape == (64 + 2 * 420 + 52, 1600, 3)
    # Before and after are in it as they were photographed.
    for colour in ((200, 180, 40), (60, 120, 200)):
        assert (np.abs(figure.astype(int) - colour).max(axis=2) <= 3).sum() > 2000
    # Everything but crops and card is grey.
    right = figure[:, 720:].astype(int)
    assert (np.ptp(right, axis=2) <= 2).all()


def test_the_figure_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    result = compare_photos([BEAKERS], None, pairs=[(1, 3), (2, 4)])
    target = write_comparison_figure(result, tmp_path / "beakers.png")
    with Image.open(target) as picture:
        assert picture.size == (1600, 64 + 2 * 420 + 52)
    with pytest.raises(InputError, match=r"must end in \.png or \.jpg"):
        write_comparison_figure(result, tmp_path / "beakers.txt")
    with pytest.raises(InputError, match="cannot write the figure"):
        write_comparison_figure(result, tmp_path / "nowhere" / "beakers.png")
    assert sorted(file.name for file in tmp_path.iterdir()) == ["beakers.png"]


def test_text_says_what_sharing_was_worth(comparison: Comparison) -> None:
    text = comparison_text(comparison)
    assert "one card is shared; without that the range would be" in text
    assert "the range is open" in text
    assert "HELD" in text
    assert "EXHAUSTED" in text
    assert "beyond-chart:" in text


def test_a_doubtful_pairing_is_flagged_and_explained() -> None:
    red, blue = lab_of((0.05, 0.6, 0.5)), lab_of((0.8, 0.3, 0.05))
    pictures = []
    for name, labs in (("a", (red, blue)), ("b", (blue, red))):
        whole = picture_of(seen(6.0, picture=name), seen(8.0, picture=name, tube=2))
        tubes = tuple(replace(tube, lab=lab) for tube, lab in zip(whole.tubes, labs, strict=True))
        pictures.append(replace(whole, tubes=tubes))
    result = compare_readings(pictures)
    assert all("pairing-doubtful" in pair.flags for pair in result.pairs)
    assert "look as if they had changed places" in comparison_text(result)
    assert "changed places" in result.to_dict()["pairs"][0]["notes"][0]


def test_a_series_is_compared_with_its_first_photograph() -> None:
    series = [picture_of(seen(ph, picture=name)) for ph, name in zip((6.0, 6.1, 7.5), "abc", strict=True)]
    result = compare_readings(series, labels=[("citrate",)])
    assert [pair.change.before.file for pair in result.pairs] == ["a.jpg", "a.jpg"]
    assert [pair.judgement.verdict for pair in result.pairs] == ["held", "shifted"]
    assert result.pairs[0].label == "citrate"
    with pytest.raises(InputError, match="once for each of the 3, got 2 lists"):
        compare_readings(series, labels=[("x",), ("x",)])


def test_an_expected_change_given_by_hand_is_weighed() -> None:
    pair = compare_readings(
        [picture_of(seen(6.0)), picture_of(seen(5.5, 0.05, picture="two"))], expected_delta=-0.4
    ).pairs[0]
    assert pair.judgement.as_expected
    assert pair.judgement.verdict == "held"
