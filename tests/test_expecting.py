"""Readings beside their recipes: verdicts and amounts against algebra, expectations as they are asked for."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
from expected_made import (
    ACETATE,
    CARD,
    GRID,
    TITRATION,
    MakeReading,
    MakeReadings,
    Z,
    normal,
    of,
    read,
    should_be,
    tubes,
    verdicts,
)

from hueph.errors import InputError, RecipeError
from hueph.expecting import (
    ExpectRequest,
    attach_expected,
    compare_with_expected,
    expect_tubes,
    parse_expect,
)
from hueph.interval import Interval


def test_two_normal_distributions_join_by_their_squares(make_reading: MakeReading) -> None:
    # 6.2 +- 0.15 less 6.0 +- 0.2 is 0.2 +- 0.25 (k = 1).
    found = compare_with_expected(normal(make_reading, 6.2, 0.15), should_be(6.0, 0.2))
    assert found.verdict == "agree"
    assert found.difference == pytest.approx(0.2, abs=1e-3)
    assert found.joint_std == pytest.approx(0.25)
    assert found.difference_interval is not None
    assert found.difference_interval.low == pytest.approx(0.2 - Z * 0.25, abs=2e-3)
    assert found.difference_interval.high == pytest.approx(0.2 + Z * 0.25, abs=2e-3)
    assert found.interval.low == pytest.approx(6.0 - Z * 0.2)
    assert found.causes == ()
    assert str(found) == (
        "expected 6.0 (5.6 to 6.4, 95 %; buffer of recipe.toml): agrees (difference +0.2, -0.3 to +0.7)"
    )


@pytest.mark.parametrize(
    ("sigmas", "verdict"), [(2.0, "higher"), (1.92, "agree"), (-1.92, "agree"), (-2.0, "lower")]
)
def test_the_verdict_turns_where_the_joint_range_leaves_nothing(
    make_reading: MakeReading, sigmas: float, verdict: str
) -> None:
    reading = normal(make_reading, 6.5 + sigmas * 0.25, 0.15)
    found = compare_with_expected(reading, should_be(6.5, 0.2))
    assert found.verdict == verdict
    spread = found.difference_interval
    assert spread is not None
    assert spread.contains(0.0) is (verdict == "agree")


def test_other_coverages_are_kept_to(make_reading: MakeReading) -> None:
    # 1.5 joint standard deviations: outside 80 %, inside 95 %.
    off = 6.5 + 1.5 * 0.25
    narrow = normal(make_reading, off, 0.15, interval=Interval(off - 0.19, off + 0.19, 0.8))
    found = compare_with_expected(narrow, should_be(6.5, 0.2), coverage=0.95)
    assert (found.verdict, found.interval.coverage) == ("higher", 0.8)
    assert compare_with_expected(normal(make_reading, off, 0.15), should_be(6.5, 0.2)).verdict == "agree"


@pytest.mark.parametrize(
    "density",
    [
        np.exp(-0.5 * ((GRID - 6.2) / 0.3) ** 2),
        np.where(GRID > 5.0, np.exp(-np.maximum(GRID - 5.0, 0.0) / 0.4), 0.0),  # skewed
        np.exp(-0.5 * ((GRID - 4.1) / 0.4) ** 2),  # one-sided, below
        np.exp(-0.5 * ((GRID - 9.8) / 0.2) ** 2),  # one-sided, above
        np.exp(-0.5 * ((GRID - 5.0) / 0.2) ** 2) + np.exp(-0.5 * ((GRID - 7.0) / 0.2) ** 2),  # two ranges
    ],
    ids=["normal", "skewed", "below", "above", "ambiguous"],
)
@pytest.mark.parametrize("coverage", [0.8, 0.95])
def test_a_ph_known_exactly_agrees_when_the_stated_range_holds_it(
    make_reading: MakeReading, density: np.ndarray, coverage: float
) -> None:
    reading = read(make_reading, density, coverage)
    assert reading.interval is not None
    limits = [one for one in (reading.interval.low, reading.interval.high) if one is not None]
    for ph in np.arange(1.0, 13.0, 0.07):
        if min(abs(ph - limit) for limit in limits) < 0.02:
            continue  # the grid's step and the least standard deviation blur the limit itself
        verdict = compare_with_expected(reading, should_be(float(ph))).verdict
        assert (verdict == "agree") is reading.interval.contains(float(ph)), (ph, str(reading.interval))


def test_verdicts_are_right_as_often_as_they_say(make_reading: MakeReading) -> None:
    # True pH drawn from the expectation, reading from round the truth. 99 % of binomial counts of
    # 1000 at 0.95 lie in 931 to 967.
    rng = np.random.default_rng(7)
    hits = 0
    for _ in range(1000):
        truth = 6.5 + 0.2 * rng.standard_normal()
        reading = normal(make_reading, truth + 0.15 * rng.standard_normal(), 0.15)
        hits += compare_with_expected(reading, should_be(6.5, 0.2)).verdict == "agree"
    assert 931 <= hits <= 967


def test_a_skewed_expectation_is_joined_as_it_is(make_reading: MakeReading) -> None:
    rng = np.random.default_rng(3)
    drawn = 6.0 + rng.exponential(0.5, 2000)
    reading = normal(make_reading, 7.0, 0.2)
    found = compare_with_expected(reading, should_be(6.3, 0.5, samples=np.sort(drawn)))
    # By brute force: the same two distributions, sampled.
    many = rng.normal(7.0, 0.2, 400_000) - rng.choice(drawn, 400_000)
    low, middle, high = np.quantile(many, [0.025, 0.5, 0.975])
    assert found.difference == pytest.approx(middle, abs=0.01)
    assert found.difference_interval is not None
    assert found.difference_interval.low == pytest.approx(low, abs=0.02)
    assert found.difference_interval.high == pytest.approx(high, abs=0.02)


@pytest.mark.parametrize(
    ("end", "expected", "verdict", "words"),
    [
        ("below", 2.0, "agree", "agrees, as far as this card goes (4.7 or lower)"),
        ("below", 4.2, "agree", "agrees, as far as this card goes (4.7 or lower)"),
        ("below", 7.0, "lower", "reads lower by 2.3 or more"),
        ("above", 12.5, "agree", "agrees, as far as this card goes (9.5 or higher)"),
        ("above", 7.0, "higher", "reads higher by 2.5 or more"),
    ],
)
def test_a_one_sided_reading_is_compared_as_what_it_is(
    make_reading: MakeReading, end: str, expected: float, verdict: str, words: str
) -> None:
    centre, spread = (4.0, 0.4) if end == "below" else (9.8, 0.2)
    reading = read(make_reading, np.exp(-0.5 * ((GRID - centre) / spread) ** 2))
    assert reading.bound == end
    found = compare_with_expected(reading, should_be(expected), card=CARD)
    assert (found.verdict, found.outcome) == (verdict, words)
    assert (found.difference, found.joint_std) == (None, None)
    spread_of = found.difference_interval
    assert spread_of is not None
    assert (spread_of.low is None, spread_of.high is None) == (end == "below", end == "above")
    if verdict == "agree":
        assert found.causes == ()


def test_an_ambiguous_reading_has_a_range_of_differences_but_no_value(make_reading: MakeReading) -> None:
    two = np.exp(-0.5 * ((GRID - 5.0) / 0.2) ** 2) + np.exp(-0.5 * ((GRID - 7.0) / 0.2) ** 2)
    found = compare_with_expected(read(make_reading, two), should_be(7.0))
    assert (found.verdict, found.difference) == ("agree", None)
    assert found.outcome.startswith("agrees (difference -2.")
    assert found.outcome.endswith("), the colour fits two separate ranges")
    high = compare_with_expected(read(make_reading, two), should_be(9.0))
    assert high.outcome.startswith("reads lower by 1.7 to 4.3")


def test_a_refusal_cannot_be_compared(make_reading: MakeReading) -> None:
    refused = make_reading(ph=None, ph_std=None, interval=None, flags=("turbid",))
    found = compare_with_expected(refused, should_be(6.0, 0.1))
    assert (found.verdict, found.difference_interval, found.causes) == ("cannot-compare", None, ())
    assert found.outcome == "cannot be compared, no reading: turbid"


def test_a_coverage_out_of_range_is_turned_away(make_reading: MakeReading) -> None:
    with pytest.raises(InputError, match="coverage must be above 0 and below 1"):
        compare_with_expected(make_reading(interval=None), should_be(6.0), coverage=1.5)


def test_json_form_is_plain_and_rounded(make_reading: MakeReading) -> None:
    found = compare_with_expected(normal(make_reading, 6.2, 0.15), should_be(6.0, 0.2)).to_dict()
    assert found == {
        "verdict": "agree",
        "step": "buffer",
        "source": "recipe.toml",
        "ph": 6.0,
        "ph_std": 0.2,
        "range": [5.608, 6.392],
        "coverage": 0.95,
        "difference": 0.2,
        "difference_range": [pytest.approx(-0.29, abs=2e-3), pytest.approx(0.69, abs=2e-3)],
        "joint_std": 0.25,
        "causes": [],
        "note": "",
    }


# What to expect in which tube


@pytest.mark.parametrize(
    ("text", "request_"),
    [
        ("acetate.toml:A-acid=2", ExpectRequest("acetate.toml", "A-acid", (2,))),
        ("acetate.toml=2", ExpectRequest("acetate.toml", "", (2,))),
        (ACETATE + ":A=1,2, 3", ExpectRequest(ACETATE, "A", (1, 2, 3))),
        (r"C:\lab\acetate.toml=2", ExpectRequest(r"C:\lab\acetate.toml", "", (2,))),
        (r"C:\lab\acetate.toml:A=2", ExpectRequest(r"C:\lab\acetate.toml", "A", (2,))),
        ("take 2 mL of 0.1 M HCl=1", ExpectRequest("take 2 mL of 0.1 M HCl", "", (1,))),
        ("dilute 5 mL 0.1 M HCl 1:10=1", ExpectRequest("dilute 5 mL 0.1 M HCl 1:10", "", (1,))),
        (
            "thin = dilute 5 mL 0.1 M HCl 1:10; add 1 drop of 1 M HCl to it:thin=p.jpg#1",
            ExpectRequest(
                "thin = dilute 5 mL 0.1 M HCl 1:10; add 1 drop of 1 M HCl to it", "thin", (1,), "p.jpg"
            ),
        ),
    ],
)
def test_words_are_told_apart(text: str, request_: ExpectRequest) -> None:
    assert parse_expect(text) == request_


@pytest.mark.parametrize(
    "text", ["", "=", "=2", "acetate.toml", "acetate.toml:A=", "a.toml:A=0", "a=x", "a=-1"]
)
def test_words_without_recipe_or_tube_are_turned_away(text: str) -> None:
    with pytest.raises(InputError, match="what to expect is written RECIPE:STEP=TUBE") as error:
        parse_expect(text)
    assert str(error.value).endswith(f"got {text!r}")


def test_steps_and_portions_are_found_and_shared() -> None:
    whole, part, acid = expect_tubes([f"{ACETATE}:tubes=1", f"{ACETATE}:A=2", f"{ACETATE}:A-acid=3"])
    assert (whole.expectation.step, part.expectation.step) == ("tubes", "A")
    assert whole.expectation.ph == part.expectation.ph
    # Five drops of 0.1 M acid move 2 mL of this buffer by about two tenths (exact chemistry: 0.22).
    assert acid.expectation.ph == pytest.approx(part.expectation.ph - 0.22, abs=0.01)
    assert acid.expectation.source == "acetate.toml"


def test_a_steep_place_is_drawn_at_random_and_a_firm_one_is_not() -> None:
    firm, steep = of(f"{ACETATE}:buffer"), of(f"{TITRATION}:planned")
    assert firm.samples is None
    assert steep.samples is not None
    interval = steep.interval(0.95)
    assert interval.low is not None
    assert interval.high is not None
    # The curve is flatter on the acid side than on the jump: the range is not even about the value.
    assert interval.high - steep.ph > 1.3 * (steep.ph - interval.low)


@pytest.mark.parametrize(
    ("requests", "error", "text"),
    [
        ([f"{ACETATE}:Z=1"], InputError, "acetate.toml has no step called 'Z'"),
        (["missing.toml:A=1"], RecipeError, "reading missing.toml: the file cannot be opened"),
        (["nonsense=1"], RecipeError, "reading nonsense: the file cannot be opened"),
        (["stir 5 mL of 0.1 M HCl=1"], RecipeError, "line 1: a step must begin with one of"),
        ([f"{ACETATE}:A=1,1"], InputError, "got two for tube 1"),
        ([f"{ACETATE}:A=1", f"{ACETATE}:B=1"], InputError, "got two for tube 1"),
        ([f"{ACETATE}:A=c.jpg#1"], InputError, "names the photograph c.jpg, .* to read: a.jpg, b.jpg"),
    ],
)
def test_what_cannot_be_expected_is_said_in_a_sentence(
    requests: list[str], error: type[Exception], text: str
) -> None:
    with pytest.raises(error, match=text):
        expect_tubes(requests, ["x/a.jpg", "b.jpg"])


def test_expectations_travel_to_worker_processes(make_readings: MakeReadings) -> None:
    expected = expect_tubes([f"{ACETATE}:A=1", f"{TITRATION}:planned=2"])
    there = pickle.loads(pickle.dumps(expected))
    one, other = (attach_expected(make_readings(), each).to_dict() for each in (expected, there))
    assert one == other


# A whole photograph


def test_every_tube_gets_its_own(make_readings: MakeReadings) -> None:
    # The photograph: 6.2 +- 0.15 twice, "4.3 or lower", and a refusal.
    found = attach_expected(
        make_readings(), tubes(should_be(6.2), should_be(7.5), should_be(3.0), should_be(5.0), should_be(5.0))
    )
    assert verdicts(found) == ["agree", "lower", "agree", "cannot-compare"]
    ((number, missing),) = found.expected_unmatched
    assert (number, missing.outcome) == (5, "cannot be compared, this tube was not found in the photograph")
    listed = found.to_dict()
    assert [tube["expected"]["verdict"] for tube in listed["tubes"]] == verdicts(found)
    assert listed["expected_unmatched"][0]["tube"] == 5


def test_nothing_asked_changes_nothing(make_readings: MakeReadings) -> None:
    readings = make_readings()
    assert attach_expected(readings, ()) is readings
    listed = attach_expected(readings, tubes(should_be(6.2), photo="other.jpg")).to_dict()
    assert "expected_unmatched" not in listed
    assert not any("expected" in tube for tube in listed["tubes"])


def test_a_photograph_named_goes_before_all_photographs(make_readings: MakeReadings) -> None:
    both = (*tubes(should_be(6.2)), *tubes(should_be(7.5), photo="after.jpg"))
    assert verdicts(attach_expected(make_readings("x/before.jpg"), both))[0] == "agree"
    assert verdicts(attach_expected(make_readings("x/after.jpg"), both))[0] == "lower"


def test_a_photograph_that_cannot_be_used_stays_as_it_is(make_readings: MakeReadings) -> None:
    broken = make_readings(tubes=(), patches=(), error=("PhotoError", "it is empty"))
    assert attach_expected(broken, tubes(should_be(6.2))) is broken


def test_a_reading_without_its_distribution_cannot_be_compared(make_reading: MakeReading) -> None:
    bare = replace(make_reading(), grid=np.zeros(0), posterior=np.zeros(0))
    assert compare_with_expected(bare, should_be(6.0)).verdict == "cannot-compare"
