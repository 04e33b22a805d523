"""Verdicts: the class's expectations, the textbook pair, the ends of the card, and what is not decided."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from tubes_made import refused, seen

from hueph.buffering import HOLD_PH, SPENT_PH, VERDICTS, judge_change
from hueph.chemistry.expectation import Expectation, expect_recipe
from hueph.chemistry.preparations import prepare
from hueph.comparing.capacity import buffer_capacity
from hueph.comparing.change import TubeChange, compare_tubes, observe
from hueph.comparing.colours import COLOUR_CHANGE_DELTA_E, colour_verdict, read_colours
from hueph.comparing.expected import ExpectedChange, expected_change, spent_limits
from hueph.errors import InputError

ROOT = Path(__file__).resolve().parents[2]
BEAKERS = ROOT / "tests" / "data" / "real" / "beakers_methyl_orange_cmyk.jpg"


@pytest.fixture(scope="module")
def sheet() -> Expectation:
    """The workshop's sheet on acetate buffers."""
    return expect_recipe(ROOT / "samples" / "recipes" / "acetate.toml")


def change(before: float, after: float, std: float = 0.12) -> TubeChange:
    return compare_tubes(seen(before, std), seen(after, std, picture="two"))


# The five drops of the workshop's sheet, read from a card from 3 to 11 (common practice, no source): the
# first buffer is visibly unchanged, the 1:10 one goes far basic with base but only a little acid with acid,
# the 1:100 one goes to the basic end, boiled water goes beyond either end of a card from 4 to 10. With acid
# the 1:100 buffer does not go to the end: only its acid was diluted (tests/chemistry/test_chemistry_trade.py).
@pytest.mark.parametrize(
    ("start", "end", "verdict"),
    [
        ("buffer", "A-acid", "held"),
        ("buffer", "B-base", "held"),
        ("buffer-10", "D-acid", "shifted"),
        ("buffer-10", "E-base", "exhausted"),
        ("buffer-100", "G-acid", "shifted"),
        ("buffer-100", "H-base", "exhausted"),
    ],
)
def test_the_five_drops_of_the_workshop(sheet: Expectation, start: str, end: str, verdict: str) -> None:
    before, after = sheet.step(start), sheet.step(end)
    read = compare_tubes(
        seen(before.ph, 0.06, card=(3.0, 11.0)), seen(after.ph, 0.06, card=(3.0, 11.0), tube=2)
    )
    judged = judge_change(read, expected=expected_change(before, after))
    assert judged.verdict == verdict, judged.reason
    assert judged.as_expected


@pytest.mark.parametrize("end", ["A-acid", "B-base"])
def test_five_drops_leave_the_first_buffer_visibly_unchanged(sheet: Expectation, end: str) -> None:
    # Common practice, no source: 2 mL of the 1:1 buffer, five drops of 0.1 M acid or base, universal strip.
    read = change(sheet.step("buffer").ph, sheet.step(end).ph)
    assert not read.visible
    assert "no change is visible" in judge_change(read).reason


def test_a_tenth_of_the_acid_is_a_plain_shift_up(sheet: Expectation) -> None:
    # Common practice, no source: with the acid diluted 1:10 the class expects one unit more, at 1:100 two.
    start = sheet.step("buffer").ph
    one, two = (change(start, sheet.step(name).ph) for name in ("buffer-10", "buffer-100"))
    assert one.delta_ph == pytest.approx(1.0, abs=0.1)
    assert two.delta_ph == pytest.approx(2.0, abs=0.15)
    for read in (one, two):
        assert judge_change(read).verdict == "shifted"


@pytest.mark.parametrize("end", ["water-acid", "water-base"])
def test_five_drops_take_boiled_water_beyond_the_card(sheet: Expectation, end: str) -> None:
    read = compare_tubes(seen(7.0), seen(sheet.step(end).ph, picture="two"))
    assert read.after.reading.bound is not None
    assert judge_change(read).verdict == "exhausted"


def test_the_textbook_pair() -> None:
    """OpenStax Chemistry 2e, example 14.20: 1.0 mL of 0.10 M NaOH to 100 mL; +0.009 and +6.24."""
    made = expect_recipe(
        "buffer = mix 100 mL 0.2 M HAc and 100 mL 0.2 M NaAc; one = take 100 mL of buffer;"
        "base = add 1 mL 0.1 M NaOH to one; plain = take 100 mL of 0.000018 M HCl;"
        "plain-base = add 1 mL 0.1 M NaOH to plain"
    )
    buffered = expected_change(made.step("one"), made.step("base"))
    plain = expected_change(made.step("plain"), made.step("plain-base"))
    assert buffered.change == pytest.approx(0.009, abs=0.002)
    assert plain.change == pytest.approx(6.24, abs=0.02)
    assert judge_change(change(4.74, 4.75), expected=buffered).verdict == "held"
    unbuffered = judge_change(change(4.74, 10.99), expected=plain)
    assert unbuffered.verdict == "exhausted"
    assert unbuffered.reason.startswith("There was no buffer to hold")


def test_a_shift_that_may_be_more_says_so() -> None:
    open_end = judge_change(change(8.6, 11.0))
    assert open_end.verdict == "shifted"
    assert "whether the buffer is used up stays open" in open_end.reason
    closed = judge_change(change(6.0, 7.2, 0.06))
    assert closed.verdict == "shifted"
    assert "stays open" not in closed.reason


def test_one_sided_readings_are_taken_as_what_they_are() -> None:
    judged = judge_change(change(5.2, 11.0))
    assert judged.verdict == "exhausted"
    # The issue's own example: "from 5.2 to 10 or above".
    assert "from 5.2 to" in judged.reason
    assert "or higher" in judged.reason
    assert "a change of +4.6 or more" in judged.reason


def test_no_visible_change_states_what_could_hide() -> None:
    judged = judge_change(change(6.0, 6.05, 0.1))
    assert judged.verdict == "held"
    assert "no change is visible, but one of up to 0." in judged.reason


def test_a_change_that_is_certain_but_small_is_held() -> None:
    read = compare_tubes(seen(6.0, 0.05), seen(6.3, 0.05, tube=2))
    assert read.visible
    judged = judge_change(read)
    assert judged.verdict == "held"
    assert "could hide" not in judged.reason


def test_between_the_limits_it_is_shifted() -> None:
    assert judge_change(change(6.0, 7.3)).verdict == "shifted"
    assert judge_change(change(7.3, 6.0)).verdict == "shifted"
    assert judge_change(change(5.0, 7.5)).verdict == "exhausted"
    assert 0.0 < HOLD_PH < SPENT_PH


@pytest.mark.parametrize(
    ("read", "why"),
    [
        (change(6.0, 6.5), "leaves open whether it is more than 0.5"),
        (change(11.0, 11.2), "beyond the same end of the card"),
        (change(9.9, 10.1), "beyond the (same )?end of the card"),
    ],
)
def test_what_the_card_cannot_resolve_is_undecided_with_the_reason(read: TubeChange, why: str) -> None:
    judged = judge_change(read)
    assert judged.verdict == "undecided"
    assert re.search(why, judged.reason)


def test_a_stricter_limit_decides_otherwise() -> None:
    read = compare_tubes(seen(6.0, 0.03), seen(6.3, 0.03, tube=2))
    assert judge_change(read).verdict == "held"
    assert judge_change(read, hold_ph=0.1).verdict == "shifted"
    with pytest.raises(InputError, match="must be above 0"):
        judge_change(read, hold_ph=0.0)


def test_the_recipe_widens_what_counts_as_held_and_only_on_its_side() -> None:
    down = ExpectedChange(before_ph=6.0, after_ph=5.6, change_std=0.02)
    fall = compare_tubes(seen(6.0, 0.05), seen(5.4, 0.05, tube=2))
    rise = compare_tubes(seen(6.0, 0.05), seen(6.65, 0.05, tube=2))
    assert judge_change(fall).verdict in ("shifted", "undecided")
    assert judge_change(fall, expected=down).verdict == "held"
    assert judge_change(rise, expected=down).verdict == "shifted"
    assert judge_change(rise, expected=down).as_expected is False
    assert "does not agree" in judge_change(rise, expected=down).reason


def test_rounding_does_not_hide_that_the_recipe_disagrees() -> None:
    seen_change = compare_tubes(seen(6.0, 0.03), seen(6.0, 0.03, tube=2))
    assert seen_change.interval is not None
    assert seen_change.interval.low is not None
    low = seen_change.interval.low
    near = ExpectedChange(before_ph=6.0, after_ph=6.0 + low - 0.03, change_std=0.01)
    told = judge_change(seen_change, expected=near).reason
    assert f"expects {low - 0.03:.2f}, which does not agree: 0.03 outside the range seen" in told
    far = ExpectedChange(before_ph=6.0, after_ph=7.0, change_std=0.01)
    told = judge_change(seen_change, expected=far).reason
    assert "expects +1.00, which does not agree: 1.0 outside the range seen" in told
    assert re.search(r"one of up to 0\.0[1-9] could hide", told)


def test_a_recipe_that_expects_much_does_not_turn_a_shift_into_a_hold() -> None:
    much = ExpectedChange(before_ph=6.0, after_ph=4.9, change_std=0.05)
    judged = judge_change(change(6.0, 4.9, 0.08), expected=much)
    assert judged.verdict == "shifted"
    assert judged.as_expected


def test_exhaustion_by_the_recipe_is_passing_the_equivalence_point() -> None:
    # 1.4 below the start is less than SPENT_PH, but past pH 4.5 phosphate has no partner left.
    phosphate = ExpectedChange(before_ph=5.6, after_ph=4.2, change_std=0.05, spent_below=4.5)
    read = compare_tubes(seen(5.6, 0.06, card=(3.0, 8.0)), seen(4.2, 0.06, card=(3.0, 8.0), tube=2))
    assert judge_change(read).verdict == "shifted"
    judged = judge_change(read, expected=phosphate)
    assert judged.verdict == "exhausted"
    assert "past pH 4.5" in judged.reason


def test_every_verdict_is_one_of_four_and_its_reason_one_sentence() -> None:
    for after in (4.2, 5.0, 6.0, 6.4, 7.0, 9.0, 11.0):
        judged = judge_change(change(6.0, after))
        assert judged.verdict in VERDICTS
        assert judged.reason.endswith(".")
        assert "\n" not in judged.reason
        assert judged.to_dict()["verdict"] == judged.verdict


def test_spent_limits_are_the_equivalence_points() -> None:
    # 0.1 M acetic acid stands at 2.88 and 0.1 M sodium acetate at 8.8 (check values of the textbooks:
    # 2.87 and 8.72 to 8.88); the minimum of capacity lies at them.
    below, above = spent_limits(prepare({"acetic acid": 0.05, "sodium acetate": 0.05}))
    assert below == pytest.approx(2.88, abs=0.05)
    assert above == pytest.approx(8.8, abs=0.1)
    assert spent_limits(prepare({})) == (None, None)


# ---------------------------------------------------------------- colours alone


def test_real_beakers_by_colour_alone() -> None:
    """OpenStax Chemistry 2e, figure 14.6 (credit Mark Ott): unbuffered turned red, the buffer did not."""
    picture = read_colours(BEAKERS)
    assert len(picture.tubes) == 4
    unbuffered = judge_change(compare_tubes(observe(picture, 1), observe(picture, 3)))
    buffered = judge_change(compare_tubes(observe(picture, 2), observe(picture, 4)))
    assert unbuffered.colour == "changed"
    assert "from yellow to red" in unbuffered.reason
    assert buffered.colour == "no visible change"
    assert "yellow both times" in buffered.reason
    # Far on either side of the limit: a difference of hue, and one of exposure and glass.
    assert compare_tubes(observe(picture, 1), observe(picture, 3)).delta_e > 30.0
    assert compare_tubes(observe(picture, 2), observe(picture, 4)).delta_e < 6.0
    for judged in (unbuffered, buffered):
        assert judged.verdict == "undecided"
        assert "no change of pH can be stated (no chart)" in judged.reason


def test_a_refused_tube_is_judged_by_colour_and_gets_no_ph() -> None:
    judged = judge_change(compare_tubes(seen(6.0), refused("turbid")))
    assert judged.verdict == "undecided"
    assert judged.colour in ("changed", "no visible change")
    assert "turbid" in judged.reason


def test_colours_against_two_whites_are_not_compared() -> None:
    judged = judge_change(compare_tubes(seen(6.0), refused("no-strip", picture="two")))
    assert judged.verdict == "undecided"
    assert judged.colour == ""
    assert "the chart card was found in one.jpg only" in judged.reason


def test_the_colour_limit_is_inclusive() -> None:
    assert colour_verdict(COLOUR_CHANGE_DELTA_E) == "no visible change"
    assert colour_verdict(COLOUR_CHANGE_DELTA_E + 0.1) == "changed"


# ---------------------------------------------------------------- capacity


def test_capacity_is_the_amount_over_the_change() -> None:
    read = change(6.0, 7.0, 0.05)
    capacity = buffer_capacity(read, 0.02)
    assert read.interval is not None
    assert capacity.value == pytest.approx(0.02, rel=0.02)
    assert capacity.low == pytest.approx(0.02 / (read.interval.high or 0.0), rel=0.01)
    assert capacity.high == pytest.approx(0.02 / (read.interval.low or 0.0), rel=0.01)


def test_acid_lowers_and_base_raises() -> None:
    assert buffer_capacity(change(7.0, 6.0, 0.05), -0.02).value == pytest.approx(0.02, rel=0.02)
    # Wrong sign: base that seems to lower the pH says only that the capacity is large.
    wrong = buffer_capacity(change(6.02, 6.0, 0.05), 0.02)
    assert wrong.value is None
    assert wrong.high is None
    assert wrong.low is not None


def test_without_a_visible_change_capacity_has_only_a_lower_limit() -> None:
    capacity = buffer_capacity(change(6.0, 6.02, 0.1), 0.02)
    assert capacity.high is None
    assert capacity.low is not None
    assert "or more" in str(capacity)


def test_beyond_the_card_capacity_has_only_an_upper_limit() -> None:
    capacity = buffer_capacity(change(5.2, 11.0), 0.02)
    assert capacity.low is None
    assert capacity.high == pytest.approx(0.02 / 4.6, rel=0.02)
    assert str(capacity).endswith("or less")


def test_doubt_about_the_drops_widens_capacity() -> None:
    read = change(6.0, 7.0, 0.05)
    sure, unsure = (buffer_capacity(read, 0.02, added_share_std=share) for share in (0.0, 0.1))
    assert unsure.low is not None
    assert sure.low is not None
    assert unsure.high is not None
    assert sure.high is not None
    assert unsure.low < sure.low < sure.high < unsure.high
    with pytest.raises(InputError, match="must not be 0"):
        buffer_capacity(read, 0.0)


def test_theory_stands_beside_it(sheet: Expectation) -> None:
    expected = expected_change(sheet.step("A"), sheet.step("A-acid"))
    # 5 drops of 0.05 mL of 0.1 M acid in 2 mL, at the mean volume of 2.125 mL: 0.025 mmol.
    assert expected.added_molar == pytest.approx(-0.025 / 2.125, rel=1e-3)
    read = compare_tubes(seen(expected.before_ph, 0.05), seen(expected.after_ph, 0.05, tube=2))
    capacity = buffer_capacity(read, expected.added_molar or 0.0, expected=expected)
    assert capacity.theory == pytest.approx(0.025 / 2.125 / abs(expected.change), rel=1e-3)
    # Van Slyke's greatest capacity of 0.1 M buffer is 0.0576; drops away from the pKa it is a little less.
    assert 0.04 < (capacity.theory or 0.0) < 0.0576
    assert capacity.theory_start == pytest.approx(0.0576, abs=0.003)
