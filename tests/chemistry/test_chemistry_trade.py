"""What the class expects and what exact chemistry says, side by side.

The expectations are common practice, no source. Where the two differ the test holds both and says why.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.expectation import Expectation, expect_recipe
from hueph.chemistry.indicators import find_indicator
from hueph.chemistry.preparations import mix, prepare
from hueph.chemistry.titration import titrate

RECIPE = Path(__file__).parents[2] / "samples" / "recipes" / "acetate.toml"
# A printed colour strip is read to about half a unit: what moves less is "no visible change".
VISIBLE = 0.5


@pytest.fixture(scope="module")
def sheet() -> Expectation:
    """The workshop's sheet on acetate buffers."""
    return expect_recipe(RECIPE)


def ph(sheet: Expectation, name: str) -> float:
    return sheet.step(name).ph


def test_equal_volumes_expected_4_70_metered_4_73(sheet: Expectation) -> None:
    step = sheet.step("buffer")
    assert step.ph == pytest.approx(4.73, abs=0.07)
    assert step.ph == pytest.approx(4.70, abs=0.04)
    # The shortcut gives pKa itself; ions shield each other and lower the reading by 0.09. The meter's 4.73
    # lies between the two, and agrees with the exact value once a class meter's own 0.05 (common practice, no
    # source) is counted; labels, glassware and constants alone (0.015) would not explain it.
    assert step.ph_ideal == pytest.approx(4.756)
    assert step.ph_ideal is not None
    assert step.ph_ideal > 4.73 > step.ph
    assert 2.0 * step.ph_std < 4.73 - step.ph < 2.0 * math.hypot(step.ph_std, 0.05)
    assert step.difference is not None
    assert "activity" in step.difference


def test_diluting_the_acid_raises_by_one_and_two(sheet: Expectation) -> None:
    first = ph(sheet, "buffer")
    assert ph(sheet, "buffer-10") - first == pytest.approx(1.0, abs=0.02)
    assert ph(sheet, "buffer-100") - first == pytest.approx(2.0, abs=0.03)


def test_five_drops_leave_the_first_buffer_as_it_was(sheet: Expectation) -> None:
    first = ph(sheet, "buffer")
    assert 0.1 < first - ph(sheet, "A-acid") < VISIBLE
    assert 0.1 < ph(sheet, "B-base") - first < VISIBLE


def test_the_tenfold_buffer_goes_far_basic_but_only_a_little_acid(sheet: Expectation) -> None:
    first = ph(sheet, "buffer-10")
    assert ph(sheet, "E-base") > 11.0
    assert VISIBLE < first - ph(sheet, "D-acid") < 1.0


def test_the_hundredfold_buffer_goes_to_the_end_with_base_only(sheet: Expectation) -> None:
    # The class expects both ends of the scale. With base that is so. With acid it is not: only the acid was
    # diluted, so the 0.1 mmol of acetate is all there and takes the 0.025 mmol up; pH falls by 1.5 to 5.1.
    assert ph(sheet, "H-base") > 11.5
    assert ph(sheet, "G-acid") == pytest.approx(5.13, abs=0.05)
    assert 1.0 < ph(sheet, "buffer-100") - ph(sheet, "G-acid") < 2.0


def test_a_buffer_thinned_as_a_whole_does_go_to_both_ends() -> None:
    # Which is what the class has in mind: the mixed buffer 1:100, both of its halves scarce.
    steps = expect_recipe(
        "mix 5 mL 0.1 M HAc and 5 mL 0.1 M NaAc; thin = dilute it 1:100;"
        "add 5 drops of 0.1 M HCl to 2 mL of thin; add 5 drops of 0.1 M NaOH to 2 mL of thin"
    ).steps
    assert steps[2].ph < 2.5
    assert steps[3].ph > 11.5
    # Thinned so far the ions hardly shield, and the acid's own dissociation shows: above the shortcut's 4.76.
    assert 4.76 < steps[1].ph < 4.80


def test_boiled_water_goes_beyond_4_and_beyond_10(sheet: Expectation) -> None:
    assert ph(sheet, "water-acid") < 4.0
    assert ph(sheet, "water-base") > 10.0


def test_25_ml_of_tenth_molar_hold_a_fortieth_of_a_mole() -> None:
    made = expect_recipe("take 25 mL of 0.1 M acetic acid").steps[0]
    assert made.species_mol["CH3COOH"] + made.species_mol["CH3COO-"] == pytest.approx(0.0025)
    curve = titrate(prepare({"acetic acid": 0.1}, 25.0), prepare({"NaOH": 0.1}))
    assert curve.main_point is not None
    assert curve.main_point.volume_ml * 0.1 / 1000.0 == pytest.approx(0.0025)


def test_one_drop_past_the_end_point_is_deep_pink() -> None:
    sample, base = prepare({"acetic acid": 0.1}, 25.0), prepare({"NaOH": 0.1})
    pink = find_indicator("phenolphthalein").base_fraction
    ph_at = [float(mix([sample, base.take(25.0 + past)]).equilibrium().ph[0]) for past in (-0.05, 0.0, 0.05)]
    before, at, after = (float(pink(value)) for value in ph_at)
    # Colourless a drop before, faint at the point, deep a drop later.
    assert before < 0.002
    assert 0.02 < at < 0.08
    assert after > 0.6


def test_the_end_point_fades_in_air() -> None:
    # Carbon dioxide takes the pink away while the flask stands: not an error of the reading.
    flask = mix([prepare({"acetic acid": 0.1}, 25.0), prepare({"NaOH": 0.1}, 25.05)])
    pink = find_indicator("phenolphthalein").base_fraction
    closed = float(flask.equilibrium().ph[0])
    stood = float(flask.in_gas(420e-6, Conditions()).equilibrium().ph[0])
    assert float(pink(closed)) > 0.6
    assert float(pink(stood)) < 0.01
