"""Why a reading differs from its recipe: causes against the chemistry, in one tube and across tubes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from expected_made import (
    ACETATE,
    CARD,
    GRID,
    MakeReading,
    MakeReadings,
    normal,
    of,
    read,
    should_be,
    tubes,
    verdicts,
)

from hueph.expecting import TubeExpectation, attach_expected, compare_with_expected, expect_tubes
from hueph.results import ExpectedComparison, Reading


def causes(found: ExpectedComparison | None) -> tuple[str, ...]:
    assert found is not None
    return found.causes


def cause_of(reading: Reading, recipe: str | TubeExpectation, **more: Any) -> tuple[str, ...]:
    expectation = of(recipe) if isinstance(recipe, str) else recipe
    return compare_with_expected(reading, expectation, **more).causes


def test_boiled_water_that_reads_low_took_up_carbon_dioxide(make_reading: MakeReading) -> None:
    first = cause_of(normal(make_reading, 5.8, 0.15), "take 5 mL of boiled distilled water")[0]
    assert first == "carbon dioxide of the air (unboiled water, or left standing), down to pH 5.6"


def test_carbon_dioxide_is_no_excuse_for_a_high_reading_or_a_firm_buffer(make_reading: MakeReading) -> None:
    high = cause_of(normal(make_reading, 8.5, 0.15), "take 5 mL of boiled distilled water")
    firm = cause_of(normal(make_reading, 5.5, 0.15), "mix 5 mL 0.2 M KH2PO4 and 5 mL 0.2 M K2HPO4")
    for found in (high, firm):
        assert found
        assert not [text for text in found if "carbon dioxide" in text]


def test_a_weak_buffer_a_drop_of_base_too_far(make_reading: MakeReading) -> None:
    recipe = (
        "mix 5 mL 10 mM acetic acid and 5 mL 10 mM sodium acetate; add 2 drops of 0.1 M NaOH to 2 mL of it"
    )
    (tube,) = expect_tubes([f"{recipe}=1"])
    one_more = next(slip for slip in tube.expectation.slips if "too many" in slip.text)
    found = cause_of(normal(make_reading, one_more.ph, 0.1), tube.expectation)
    assert found[0].startswith("a drop of 0.1 M NaOH too many gives pH ")


def test_the_acid_left_out_of_a_buffer(make_reading: MakeReading) -> None:
    recipe = "mix 5 mL 0.1 M acetic acid and 5 mL 0.1 M sodium acetate"
    found = cause_of(normal(make_reading, 8.8, 0.15), recipe)
    assert found[0] == "0.1 M acetic acid left out gives pH 8.8"


def test_a_wrong_bottle_is_named(make_reading: MakeReading) -> None:
    # 2.0 with acid, 12.1 with base: five drops of 0.1 M in 2 mL of boiled water.
    low = read(make_reading, np.exp(-0.5 * ((GRID - 3.5) / 0.4) ** 2))
    found = cause_of(low, f"{ACETATE}:water-base", card=CARD)
    assert "wrong bottle: strong taken in place of base gives pH 2.0" in found


def test_a_gradual_cause_that_does_not_suffice_says_so(make_reading: MakeReading) -> None:
    found = cause_of(normal(make_reading, 4.6, 0.1), "take 5 mL of boiled distilled water")
    partly = [text for text in found if text.startswith("carbon dioxide of the air")]
    assert partly == [] or partly[0].endswith("which is not all of the difference")
    assert any(text.startswith("the indicator's own drops") for text in found)


def test_what_no_slip_explains_is_not_explained_away(make_reading: MakeReading) -> None:
    found = cause_of(normal(make_reading, 6.5, 0.1), should_be(5.0, 0.05))
    assert found == (
        "no single slip in the recipe gives this: check bottles and labels, the order of the tubes, and that "
        "indicator and card belong together",
    )


def test_a_flagged_reading_is_doubted_first_when_the_difference_is_small(make_reading: MakeReading) -> None:
    small = cause_of(normal(make_reading, 6.5, 0.1, flags=("glare",)), should_be(6.0, 0.05))
    large = cause_of(normal(make_reading, 8.5, 0.1, flags=("glare",)), should_be(6.0, 0.05))
    assert small[0] == "the photograph, not the liquid: reflections cover part of the liquid (glare)"
    assert large[-1] == small[0]


@pytest.mark.parametrize(
    ("read_ph", "ph", "words"), [(4.5, 3.0, "it begins at pH 4"), (9.5, 11.0, "it ends at pH 10")]
)
def test_beyond_the_end_of_the_card_nothing_can_be_shown(
    make_reading: MakeReading, read_ph: float, ph: float, words: str
) -> None:
    found = cause_of(normal(make_reading, read_ph, 0.2), should_be(ph, 0.05), card=CARD)
    assert any(words in text for text in found)
    inside = cause_of(normal(make_reading, read_ph, 0.1), should_be(7.0, 0.05), card=CARD)
    assert not any("end of the card" in text for text in inside)


def test_a_small_miss_beyond_the_end_may_be_the_card(make_reading: MakeReading) -> None:
    low = read(make_reading, np.exp(-0.5 * ((GRID - 4.0) / 0.4) ** 2))
    assert (
        cause_of(low, should_be(4.9), card=CARD)[0] == "the end of the card: near pH 4 its patches look alike"
    )
    assert "end of the card" not in cause_of(low, should_be(7.0), card=CARD)[0]


def test_at_most_a_handful_of_causes(make_reading: MakeReading) -> None:
    for ph in np.arange(3.0, 13.0, 0.5):
        reading = normal(make_reading, float(ph), 0.2)
        for step in ("buffer", "E-base", "water-acid"):
            assert len(cause_of(reading, _known(step))) <= 6


_WORKED_OUT: dict[str, TubeExpectation] = {}


def _known(step: str) -> TubeExpectation:
    if not _WORKED_OUT:
        names = ("buffer", "E-base", "water-acid")
        for tube in expect_tubes(
            [f"{ACETATE}:{name}={number}" for number, name in enumerate(names, start=1)]
        ):
            _WORKED_OUT[tube.expectation.step] = tube.expectation
    return _WORKED_OUT[step]


# Several tubes of a photograph


def test_exchanged_tubes_are_recognised(make_reading: MakeReading, make_readings: MakeReadings) -> None:
    both = (normal(make_reading, 5.0, 0.15, 1), normal(make_reading, 8.0, 0.15, 2))
    found = attach_expected(
        make_readings(tubes=both), tubes(should_be(8.0, 0.1, "base"), should_be(5.0, 0.1, "acid"))
    )
    assert verdicts(found) == ["lower", "higher"]
    assert (
        causes(found.tubes[0].expected)[0] == "tubes 1 and 2 exchanged: each agrees with the other's recipe"
    )
    assert (
        causes(found.tubes[1].expected)[0] == "tubes 2 and 1 exchanged: each agrees with the other's recipe"
    )


def test_a_tube_filled_like_its_neighbour_is_recognised(
    make_reading: MakeReading, make_readings: MakeReadings
) -> None:
    both = (normal(make_reading, 5.0, 0.15, 1), normal(make_reading, 5.0, 0.15, 2))
    found = attach_expected(
        make_readings(tubes=both), tubes(should_be(8.0, 0.1, "base"), should_be(5.0, 0.1, "acid"))
    )
    assert verdicts(found) == ["lower", "agree"]
    assert "filled like tube 2" in causes(found.tubes[0].expected)[0]


def test_when_all_tubes_are_off_alike_the_card_is_asked_first(
    make_reading: MakeReading, make_readings: MakeReadings
) -> None:
    three = tuple(normal(make_reading, 5.0 + number, 0.1, number) for number in (1, 2, 3))
    steps = [should_be(6.5 + number, 0.05, f"s{number}") for number in range(3)]
    found = attach_expected(make_readings(tubes=three), tubes(*steps))
    assert verdicts(found) == ["lower"] * 3
    for tube in found.tubes:
        assert (
            causes(tube.expected)[0] == "all 3 tubes are lower: card, indicator and light before the liquids"
        )
    two = attach_expected(make_readings(tubes=three[:2]), tubes(*steps[:2]))
    assert not any("all 2" in text for tube in two.tubes for text in causes(tube.expected))
