"""What docstrings of public functions promise: which shapes are taken, and which class of error is raised."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import hueph
from hueph import InputError, Interval, load_chart
from hueph.charting import calibrate_card, calibrate_picture, calibrate_pictures
from hueph.chemistry.equilibrium import Conditions, solve_equilibrium
from hueph.chemistry.formula import molar_mass
from hueph.chemistry.preparations import mix, prepare, volume_to_reach
from hueph.chemistry.species import load_species
from hueph.chemistry.titration import check_labels
from hueph.colour.correction import leave_one_out_delta_e
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import lab_to_xyz
from hueph.colour.naming import colour_name
from hueph.interval import format_coverage, format_ph
from hueph.shipped import find_chart

SAMPLE = Path(__file__).parents[1] / "samples" / "dim-single-tube.jpg"
CHART = load_chart(find_chart("sample-universal-strip"))


@pytest.mark.parametrize(
    "call",
    [
        lambda: hueph.read_photos("a.jpg", CHART),
        lambda: hueph.read_photos(Path("a.jpg"), CHART),
        lambda: hueph.find_photos("a.jpg"),
        lambda: hueph.compare_photos("a.jpg", CHART),
        lambda: hueph.expect_tubes("1 mL water=1"),
        lambda: calibrate_pictures("a.jpg", [4, 5, 6]),
        lambda: calibrate_card(CHART, "a.jpg"),
        lambda: hueph.check_drift(CHART, Path("a.jpg")),
    ],
)
def test_one_name_is_not_taken_for_its_letters(call: Callable[[], Any]) -> None:
    with pytest.raises(InputError, match=r"must be a sequence, got the one name .*; put it into a list"):
        call()


def test_outlines_may_be_arrays() -> None:
    box, corners = np.array([[593.0, 860.0, 110.0, 300.0]]), np.array([60.0, 80, 900, 80, 900, 200, 60, 200])
    by_list = hueph.read_photos([SAMPLE], CHART, tubes=[tuple(box[0])], strip=list(corners))
    by_array = hueph.read_photos([SAMPLE], CHART, tubes=box, strip=corners)  # type: ignore[arg-type]
    assert next(by_array).to_dict() == next(by_list).to_dict()


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"tubes": [(1, 2, 3)]}, r"needs x, y, width and height, got \(1, 2, 3\)"),
        ({"tubes": (1, 2, 3, 4)}, "needs x, y, width and height, got 1"),
        ({"tubes": ["wide"]}, "needs x, y, width and height, got 'wide'"),
        ({"strip": [1] * 7}, "needs 8 numbers, x and y of its four corners"),
        ({"strip": "everywhere"}, "needs 8 numbers"),
        ({"chart": "sample-universal-strip"}, "needs a chart as load_chart returns it, got str"),
        ({"chart": None}, "got NoneType"),
    ],
)
def test_what_cannot_be_read_with_is_said(options: dict[str, Any], text: str) -> None:
    with pytest.raises(InputError, match=text):
        hueph.read_photo(SAMPLE, options.pop("chart", CHART), **options)


@pytest.mark.parametrize("coverage", [0.0, 1.0, 1.5, float("nan")])
def test_an_interval_holds_its_value_with_a_probability(coverage: float) -> None:
    with pytest.raises(InputError, match="coverage must be above 0 and below 1"):
        Interval(4.0, 5.0, coverage)


def test_nothing_short_of_certain_is_printed_as_certain() -> None:
    assert str(Interval(4.0, 5.0, 0.9999)) == "4.0 to 5.0, 99.99 %"
    assert [format_coverage(value) for value in (0.95, 0.8, 0.6827, 0.99999)] == [
        "95 %", "80 %", "68.3 %", "99.999 %",
    ]  # fmt: skip
    assert (format_ph(-0.04), format_ph(-0.06), format_ph(6.25, 2)) == ("0.0", "-0.1", "6.25")


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: lab_to_xyz([[1.0, 2.0], [3.0]]), "got rows of different lengths"),
        (lambda: delta_e_cie2000(np.zeros((5, 3)), np.zeros((4, 3))), r"must broadcast, got \(5, 3\) and \(4, 3\)"),
        (lambda: colour_name((50.0, 0.0)), r"lab must have shape \(3\)"),
        (lambda: leave_one_out_delta_e(np.empty((0, 3)), np.empty((0, 3))), "at least 2 patches, got 0"),
        (lambda: leave_one_out_delta_e(np.eye(3), np.eye(3), kind="cubic"), "kind must be one of diagonal"),  # type: ignore[arg-type]
        (lambda: leave_one_out_delta_e(np.eye(3), np.eye(3), kind="linear"), "at least 4 patches, got 3"),
        (lambda: Conditions(temperature_c=np.array([25.0, 99.0])), "between 0 and 50 °C, got 99$"),
        (lambda: prepare({"acetic acid": [0.1, 0.2]}, [1.0, 2.0, 3.0]), "as many versions, got 2 and 3"),
        (
            lambda: mix([prepare({"acetic acid": [0.1, 0.2]}), prepare({"NaOH": [0.1, 0.2, 0.3]})]),
            "as many versions, got 2 and 3",
        ),
        (lambda: volume_to_reach(prepare({}), prepare({"NaOH": 0.1}), float("nan")), "must be a number, got nan"),
        (
            lambda: solve_equilibrium(
                {"vinegar": np.array([0.1])}, {}, conditions=Conditions(), table=load_species()
            ),
            "no acid system called 'vinegar' is known; the table has acetic",
        ),
        (lambda: check_labels(25.0, 22.3, -0.01), "must be 0 or more, got -0.01"),
        (lambda: molar_mass("H" + "9" * 400), "is not understood here"),
        (lambda: calibrate_picture(np.zeros((1, 3000, 3), np.uint8), [4, 5, 6]), "at least 16 pixels wide and high"),
    ],
)  # fmt: skip
def test_wrong_input_is_one_sentence_of_the_promised_class(call: Callable[[], Any], text: str) -> None:
    with pytest.raises(InputError, match=text):
        call()


def test_an_overlay_needs_the_ending_of_a_picture(tmp_path: Path) -> None:
    photo = hueph.load_photo(SAMPLE)
    with pytest.raises(InputError, match=r"its ending must name a picture format, such as .jpg or .png"):
        hueph.write_overlay(photo, hueph.read_photo(photo, CHART), tmp_path / "overlay")
    assert list(tmp_path.iterdir()) == []
