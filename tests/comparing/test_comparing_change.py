"""The change between two tubes: ranges, what sharing a picture is worth, open ends."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tubes_made import picture_of, refused, seen

from hueph.comparing.change import compare_tubes, observe, tie_of
from hueph.errors import InputError


def test_two_alike_tubes_of_one_picture_are_compared_far_better_than_each_is_read() -> None:
    change = compare_tubes(seen(6.0, 0.2), seen(6.0, 0.2, tube=2))
    assert change.interval is not None
    assert change.independent is not None
    assert change.delta_ph == pytest.approx(0.0, abs=1e-6)
    # Independent: 2 x 1.96 x 0.2 x sqrt(2).
    assert change.independent.width == pytest.approx(1.109, abs=0.02)
    assert change.interval.width < 0.7 * change.independent.width
    assert not change.visible


def test_a_second_picture_is_worth_less_than_the_same_one() -> None:
    here = compare_tubes(seen(6.0), seen(6.1, tube=2))
    there = compare_tubes(seen(6.0), seen(6.1, picture="two"))
    assert here.interval is not None
    assert there.interval is not None
    assert here.same_picture
    assert not there.same_picture
    assert here.interval.width < there.interval.width


def test_readings_that_lean_on_standards_share_nothing_any_more() -> None:
    one, two = (replace(seen(6.0, tube=tube), with_standards=True) for tube in (1, 2))
    change = compare_tubes(one, two)
    assert change.interval == change.independent
    assert tie_of(seen(6.0), seen(6.0, tube=2)).correlation > 0.5


def test_pictures_in_which_the_card_looks_alike_are_compared_better() -> None:
    look = tuple((4.0 + step, (0.8 - 0.1 * step, 0.5, 0.1 + 0.1 * step)) for step in range(6))
    other = tuple((ph, (0.7 * red, green, 1.2 * blue)) for ph, (red, green, blue) in look)
    first = replace(seen(6.0), look=look)
    same, unlike = (compare_tubes(first, replace(seen(6.0, picture="two"), look=by)) for by in (look, other))
    unknown = compare_tubes(seen(6.0), seen(6.0, picture="two"))
    assert same.interval is not None
    assert unlike.interval is not None
    assert unknown.interval is not None
    assert same.interval.width < unlike.interval.width <= 1.02 * unknown.interval.width


def test_far_apart_nothing_cancels() -> None:
    change = compare_tubes(seen(5.0), seen(8.0, tube=2))
    assert change.interval is not None
    assert change.independent is not None
    # A shift of all hues may even drive two far colours apart.
    assert change.interval.width == pytest.approx(change.independent.width, rel=0.06)
    assert change.visible


def test_what_could_hide_is_the_far_end_of_the_range() -> None:
    change = compare_tubes(seen(6.0), seen(6.0, tube=2))
    assert change.interval is not None
    assert change.interval.high is not None
    # 95 % of the size of a change symmetric about 0 lie within its 97.5 % point.
    assert change.could_hide == pytest.approx(change.interval.high, rel=0.02)


def test_beyond_the_card_the_change_has_no_limit_on_that_side() -> None:
    up = compare_tubes(seen(5.2), seen(11.0, picture="two"))
    assert up.after.reading.bound == "above"
    assert up.delta_ph is None
    assert up.interval is not None
    assert up.interval.high is None
    # At least from 5.2 and its uncertainty to the card's end.
    assert up.interval.low == pytest.approx(10.0 - 5.2 - 1.645 * 0.12, abs=0.02)
    down = compare_tubes(seen(11.0), seen(5.2, picture="two"))
    assert down.interval is not None
    assert down.interval.low is None
    assert down.interval.high == pytest.approx(-up.interval.low, abs=0.01)
    assert up.could_hide is None


def test_from_one_end_of_the_card_to_the_other_is_at_least_its_length() -> None:
    change = compare_tubes(seen(3.0), seen(11.0, picture="two"))
    assert change.interval is not None
    assert change.interval.low == pytest.approx(6.0, abs=0.01)
    assert change.interval.high is None


def test_two_tubes_beyond_the_same_end_say_nothing() -> None:
    change = compare_tubes(seen(11.0), seen(11.5, picture="two"))
    assert change.interval is None
    assert change.has_ph
    assert not change.visible


def test_without_a_ph_only_the_colours_are_compared() -> None:
    change = compare_tubes(seen(6.0), refused())
    assert not change.has_ph
    assert change.interval is None
    assert change.delta_e > 5.0
    assert change.to_dict()["range"] is None


def test_more_dye_changes_the_colour_and_not_the_ph() -> None:
    change = compare_tubes(seen(6.0), seen(6.0, tube=2, load=1.8))
    assert change.delta_e > 10.0
    assert change.delta_ph == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("coverage", [0.5, 0.8, 0.99])
def test_the_range_grows_with_its_coverage(coverage: float) -> None:
    wide = compare_tubes(seen(6.0), seen(6.3, picture="two"), coverage=coverage).interval
    assert wide is not None
    assert wide.coverage == coverage
    usual = compare_tubes(seen(6.0), seen(6.3, picture="two")).interval
    assert usual is not None
    assert (wide.width > usual.width) == (coverage > 0.95)


def test_observing_takes_the_card_from_the_patches_and_names_what_is_missing() -> None:
    picture = picture_of(seen(6.0), seen(7.0, tube=2))
    tube = observe(picture, 2, label="citrate")
    assert tube.card == (4.0, 10.0)
    assert tube.name == "citrate"
    with pytest.raises(InputError, match=r"taking tube 3 of one\.jpg: 2 were found"):
        observe(picture, 3)


def test_a_coverage_that_is_none_is_refused() -> None:
    with pytest.raises(InputError, match="coverage must be above 0 and below 1"):
        compare_tubes(seen(6.0), seen(6.1), coverage=1.0)
