"""What a preparation gives when something goes otherwise, against the same preparation written so."""

from __future__ import annotations

from pathlib import Path

import pytest

from hueph.chemistry import expect_recipe
from hueph.chemistry.slips import Slip, work_out_slips
from hueph.errors import InputError

RECIPES = Path(__file__).parents[2] / "samples" / "recipes"


def slips(recipe: str, step: str = "") -> list[Slip]:
    """Slips of a step, the last one by default."""
    made = expect_recipe(recipe)
    name = step or made.steps[-1].name
    return list(work_out_slips(made, [name])[made.step(name).name])


def named(found: list[Slip], text: str) -> Slip:
    """The one slip whose words hold `text`."""
    (one,) = [slip for slip in found if text in slip.text]
    return one


ACETATE = "mix 5 mL 0.1 M acetic acid and 5 mL 0.1 M sodium acetate"


@pytest.mark.parametrize(
    ("written", "slip", "otherwise"),
    [
        (f"{ACETATE}; add 5 drops of 1 M HCl to 2 mL of it", "a drop of 1 M HCl too many",
         f"{ACETATE}; add 6 drops of 1 M HCl to 2 mL of it"),
        (f"{ACETATE}; add 5 drops of 1 M HCl to 2 mL of it", "a drop of 1 M HCl too few",
         f"{ACETATE}; add 4 drops of 1 M HCl to 2 mL of it"),
        (f"{ACETATE}; add 5 drops of 1 M HCl to 2 mL of it", "1 M HCl left out", ACETATE),
        (ACETATE, "0.1 M sodium acetate left out", "take 5 mL of 0.1 M acetic acid"),
        ("mix 5 mL 0.1 M acetic acid and 15 mL 0.1 M sodium acetate", "exchanged",
         "mix 15 mL 0.1 M acetic acid and 5 mL 0.1 M sodium acetate"),
        ("dilute 5 mL 0.1 M acetic acid 1:10", "not diluted", "take 5 mL of 0.1 M acetic acid"),
        ("dilute 5 mL 0.1 M acetic acid 1:10", "1:100 instead", "dilute 5 mL 0.1 M acetic acid 1:100"),
        (ACETATE, "0.1 M acetic acid ten times weaker",
         "mix 5 mL 0.01 M acetic acid and 5 mL 0.1 M sodium acetate"),
        (f"{ACETATE}; add 1 mL 0.1 M NaOH to it", "0.1 M NaOH taken in place of 0.1 M acetic acid",
         "mix 6 mL 0.1 M NaOH and 5 mL 0.1 M sodium acetate"),
    ],
)  # fmt: skip
def test_a_slip_is_the_recipe_written_otherwise(written: str, slip: str, otherwise: str) -> None:
    assert named(slips(written), slip).ph == pytest.approx(expect_recipe(otherwise).steps[-1].ph, abs=1e-6)


def test_bottles_of_a_file_are_exchanged_by_name() -> None:
    found = slips(str(RECIPES / "acetate.toml"), "water-base")
    # Five drops of the acid in 2 mL of boiled water instead of base: the recipe's own step water-acid.
    other = expect_recipe(RECIPES / "acetate.toml").step("water-acid").ph
    assert named(found, "strong taken in place of base").ph == pytest.approx(other, abs=1e-6)


def test_a_forgotten_dilution_needs_no_more_than_stands_on_the_bench() -> None:
    # 250 mL of stock instead of feed are not there; the slip is a flask of stock all the same.
    made = expect_recipe(RECIPES / "nutrient.toml")
    found = list(work_out_slips(made, ["feed"])["feed"])
    assert named(found, "stock not diluted").ph == pytest.approx(made.step("stock").ph, abs=0.05)


def test_boiled_water_left_standing_comes_to_the_ph_of_water_under_air() -> None:
    # CO2-saturated water 5.61 at 420 ppm: Henry's law and pK1 6.35, independent speciation code.
    slip = named(slips("take 5 mL of boiled distilled water"), "carbon dioxide of the air")
    assert slip.gradual
    assert slip.ph == pytest.approx(5.61, abs=0.02)


def test_water_from_the_air_boiled_comes_near_neutral() -> None:
    slip = named(slips("take 5 mL of distilled water"), "less carbon dioxide")
    assert slip.ph == pytest.approx(7.0, abs=0.03)


def test_hydrogen_carbonate_loses_carbon_dioxide_to_the_air() -> None:
    # A solution of sodium hydrogen carbonate rises on standing (common practice, no source).
    found = slips("take 5 mL of 0.1 M NaHCO3")
    assert named(found, "lost to the air").ph > 9.0
    assert not [slip for slip in found if "less carbon dioxide" in slip.text]


def test_a_good_buffer_has_nothing_to_fear_from_air_trace_dye_or_room() -> None:
    found = slips("mix 5 mL 0.2 M KH2PO4 and 5 mL 0.2 M K2HPO4")
    assert [slip.text for slip in found if slip.kind in ("gas", "trace", "dye", "temperature")] == []


def test_the_dye_moves_a_weak_buffer_only() -> None:
    # 1e-4 mol/L of a one-proton acid moves a buffer of capacity b by about 1e-4 / b (definition of capacity).
    made = expect_recipe("mix 5 mL 1 mM acetic acid and 5 mL 1 mM sodium acetate")
    capacity = made.steps[-1].buffer_capacity
    down, up = (slip for slip in work_out_slips(made, ["step 1"])["step 1"] if slip.kind == "dye")
    assert made.steps[-1].ph - down.ph == pytest.approx(1e-4 / capacity, rel=0.15)
    assert up.ph - made.steps[-1].ph == pytest.approx(1e-4 / capacity, rel=0.15)


def test_salt_moves_a_sulfonephthalein_by_three_davies_terms() -> None:
    # pure water against a card made at 0.1 mol/L: 3 * 0.51 * (0.2402 - 0.03) = 0.32 lower (Davies 1962).
    water = named(slips("take 5 mL of distilled water"), "less salt")
    assert water.ph == pytest.approx(5.61 - 0.32, abs=0.02)


def test_tris_follows_the_room() -> None:
    # d pKa / dT = -0.028 per K at 25 °C (Good et al. 1966, memory).
    made = expect_recipe("take 5 mL of 0.05 M TRIS + 0.05 M TRIS-HCl")
    warm, cold = (slip for slip in work_out_slips(made, ["step 1"])["step 1"] if slip.kind == "temperature")
    assert warm.ph - made.steps[0].ph == pytest.approx(-0.27, abs=0.03)
    assert cold.ph - made.steps[0].ph == pytest.approx(0.3, abs=0.03)


def test_a_drop_beyond_the_end_point() -> None:
    # One drop of 0.1 M base too many leaves about 1e-4 mol/L of it in 50 mL: pH 10.0 (algebra).
    slip = named(slips(str(RECIPES / "titration.toml"), "planned"), "beyond")
    assert slip.ph == pytest.approx(9.95, abs=0.15)


def test_later_steps_and_unknown_names() -> None:
    made = expect_recipe(RECIPES / "acetate.toml")
    buffer = work_out_slips(made, ["buffer"])["buffer"]
    assert not [slip for slip in buffer if slip.kind in ("drops", "dilution")]
    assert work_out_slips(made, ["A"]).keys() == {"tubes"}
    with pytest.raises(InputError, match="has no step called 'Z'"):
        work_out_slips(made, ["Z"])
