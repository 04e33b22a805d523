"""Titrations, indicators and glassware against what the bench knows and the tables say."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.expectation import expect_recipe
from hueph.chemistry.glassware import choose_tool, parse_tool
from hueph.chemistry.indicators import find_indicator, load_indicators
from hueph.chemistry.preparations import mix, prepare
from hueph.chemistry.report import expectation_text
from hueph.chemistry.titration import TitrationCurve, check_labels, titrate
from hueph.errors import InputError


def curve(sample: str, titrant: str = "NaOH", *, molar: float = 0.1) -> TitrationCurve:
    """25 mL of 0.1 M sample with 0.1 M titrant."""
    return titrate(prepare({sample: molar}, 25.0), prepare({titrant: 0.1}))


@pytest.mark.parametrize(
    ("sample", "titrant", "volumes", "visible"),
    [
        ("HCl", "NaOH", [25.0], [True]),
        ("acetic acid", "NaOH", [25.0], [True]),
        ("phosphoric acid", "NaOH", [25.0, 50.0, 75.0], [True, True, False]),
        ("citric acid", "NaOH", [25.0, 50.0, 75.0], [False, False, True]),
        ("sulfuric acid", "NaOH", [25.0, 50.0], [False, True]),
        ("KHP", "NaOH", [25.0], [True]),
        ("boric acid", "NaOH", [25.0], [False]),
        ("ammonia", "HCl", [25.0], [True]),
        ("sodium carbonate", "HCl", [25.0, 50.0], [False, True]),
        ("borax", "HCl", [50.0], [True]),
        ("NaOH", "HCl", [25.0], [True]),
        ("sodium acetate", "NaOH", [], []),
    ],
)
def test_equivalence_points(sample: str, titrant: str, volumes: list[float], visible: list[bool]) -> None:
    # Volumes from stoichiometry; which steps show is common practice, no source (third proton of phosphoric
    # acid and boric acid do not, citric acid shows one step for all three).
    found = curve(sample, titrant).equivalence_points
    assert [point.volume_ml for point in found] == pytest.approx(volumes, rel=1e-9)
    assert [point.visible for point in found] == visible


def test_ph_at_equivalence_is_that_of_the_salt() -> None:
    acetate = curve("acetic acid").main_point
    assert acetate is not None
    assert acetate.ph == pytest.approx(float(prepare({"sodium acetate": 0.05}).equilibrium().ph[0]), abs=1e-9)
    assert acetate.what == "CH₃COOH to CH₃COO⁻"
    strong = curve("HCl").main_point
    assert strong is not None
    assert strong.what == "free strong acid"
    assert strong.ph == pytest.approx(6.998, abs=0.002)


def test_the_curve_is_made_of_solved_points() -> None:
    made = curve("citric acid")
    assert made.volume_ml.size >= 900
    assert np.all(np.diff(made.volume_ml) > 0.0)
    for index in (3, 400, 800):
        volume = made.volume_ml[index]
        alone = mix([prepare({"citric acid": 0.1}, 25.0), prepare({"NaOH": 0.1}).take(volume)]).equilibrium()
        assert made.ph[index] == pytest.approx(float(alone.ph[0]), abs=1e-9)
    assert made.volume_at(0.5) is None
    reached = made.volume_at(7.0)
    assert reached is not None
    landed = mix([prepare({"citric acid": 0.1}, 25.0), prepare({"NaOH": 0.1}).take(reached)]).equilibrium()
    assert float(landed.ph[0]) == pytest.approx(7.0, abs=0.005)


@pytest.mark.parametrize(
    ("sample", "titrant", "good", "bad"),
    [
        # Common practice, no source: weak acid with strong base calls for phenolphthalein, weak base with
        # strong acid for methyl red, strong with strong takes either; carbonate to CO2 takes methyl orange.
        ("acetic acid", "NaOH", ["phenolphthalein", "thymol blue"], ["methyl orange", "methyl red"]),
        ("ammonia", "HCl", ["methyl red"], ["phenolphthalein", "thymolphthalein"]),
        ("HCl", "NaOH", ["phenolphthalein", "bromothymol blue", "methyl red"], ["thymol blue (acid step)"]),
        ("sodium carbonate", "HCl", ["methyl orange"], ["phenolphthalein", "bromothymol blue"]),
        ("KHP", "NaOH", ["phenolphthalein"], ["methyl red"]),
    ],
)
def test_which_indicator_fits(sample: str, titrant: str, good: list[str], bad: list[str]) -> None:
    verdicts = {fit.indicator.name: fit.verdict for fit in curve(sample, titrant).fit_indicators()}
    assert {name: verdicts[name] for name in good} == dict.fromkeys(good, "fits")
    assert {name: verdicts[name] for name in bad} == dict.fromkeys(bad, "does-not-fit")


@pytest.mark.parametrize(
    ("drop_ml", "phenolphthalein", "phenol_red"), [(0.02, "usable", "usable"), (0.2, "fits", "fits")]
)
def test_indicators_are_judged_by_the_drops_of_the_recipe(
    drop_ml: float, phenolphthalein: str, phenol_red: str
) -> None:
    # Nobody stops within less than a drop: an error of 0.1 mL is two drops or half a drop.
    recipe = f'drop_ml = {drop_ml}\n[steps]\nt = "titrate 20 mL of 0.01 M acetic acid with 0.01 M NaOH"'
    made = expect_recipe(recipe)
    listed = made.steps[0].to_dict()["titration"]["indicators"]
    verdicts = {fit["indicator"]: fit["verdict"] for fit in listed}
    assert (verdicts["phenolphthalein"], verdicts["phenol red"]) == (phenolphthalein, phenol_red)
    (line,) = [line for line in expectation_text(made).splitlines() if "indicators that fit" in line]
    assert ("phenolphthalein" in line) is (phenolphthalein == "fits")


def test_indicator_error_of_methyl_orange_from_algebra() -> None:
    # Strong acid stopped at pH 3.8 instead of 7: the acid left is 10^-3.8 times the volume, so the base is
    # short by 50 mL * 10^-3.8 / 0.1 (ideal).
    ideal = titrate(prepare({"HCl": 0.1}, 25.0), prepare({"NaOH": 0.1}), Conditions(activity="ideal"))
    fit = next(fit for fit in ideal.fit_indicators() if fit.indicator.name == "methyl orange")
    assert fit.error_ml == pytest.approx(-50.0 * 10**-3.8 / 0.1, rel=0.01)


def test_no_equivalence_without_a_strong_titrant() -> None:
    made = curve("NaOH", "acetic acid")
    assert made.equivalence_points == ()
    assert made.main_point is None
    assert made.fit_indicators() == ()


def test_a_wrong_label_is_found_out() -> None:
    # 25.00 mL of 0.1 M acid that need 22.3 mL of "0.1 M" base: one label is off by 12 %.
    check = check_labels(25.0, 22.3, 0.01)
    assert not check.matches
    assert check.off_percent == pytest.approx(12.1, abs=0.05)
    assert 0.1 * check.titrant_implied == pytest.approx(0.1121, abs=5e-5)
    assert 0.1 * check.sample_implied == pytest.approx(0.0892, abs=5e-5)
    assert check_labels(25.0, 24.9, 0.01).matches
    with pytest.raises(InputError, match="above 0 mL"):
        check_labels(25.0, 0.0, 0.01)


def test_the_report_says_what_the_used_volume_implies() -> None:
    recipe = '[solutions]\nacid = "0.1 M acetic acid"\nlye = "0.1 M NaOH"\n[steps]\n'
    text = recipe + 't = "titrate 25.00 mL of acid with lye, using phenolphthalein, used 22.30 mL"\n'
    made = expect_recipe(text)
    titration = made.steps[0].titration
    assert titration is not None
    assert titration.delivered_mol == pytest.approx(0.00223)
    report = expectation_text(made)
    assert "labels do not agree: 22.30 mL used where they call for 25.00 mL" in report
    assert "2.23 mmol delivered is not 2.5 mmol" in report
    assert "one label is off by 12 %: either lye holds 112 mM, or acid holds 89.2 mM" in report
    agreed = expect_recipe(recipe + 't = "titrate 25 mL of acid with lye, used 24.95 mL"\n')
    assert "labels agree" in expectation_text(agreed)
    assert not any("labels" in text for text in agreed.steps[0].cautions)


# Sample, titrant, used volume at the end, and the sample's concentration that it implies by stoichiometry:
# volume times 0.1 M over protons times 20 mL. None for a mixture: no single label is meant.
IMPLIED = [
    ("0.05 M acetic acid", "0.1 M NaOH, using phenolphthalein, used 9.00 mL", 9.00 * 0.1 / 20),
    ("0.02 M citric acid", "0.1 M NaOH, using thymol blue, used 13.20 mL", 13.20 * 0.1 / (3 * 20)),
    ("0.05 M H3PO4", "0.1 M NaOH, using thymolphthalein, used 18.00 mL", 18.00 * 0.1 / (2 * 20)),
    ("0.05 M H2SO4", "0.1 M NaOH, using methyl red, used 18.00 mL", 18.00 * 0.1 / (2 * 20)),
    ("0.05 M Na2CO3", "0.1 M HCl, using methyl orange, used 18.00 mL", 18.00 * 0.1 / (2 * 20)),
    ("0.05 M KH2PO4", "0.1 M NaOH, using thymolphthalein, used 9.00 mL", 9.00 * 0.1 / 20),
    ("0.05 M NH4Cl", "0.1 M NaOH, using alizarin yellow R, used 9.00 mL", 9.00 * 0.1 / 20),
    ("0.05 M HCl", "0.1 M NaOH, using phenol red, used 9.00 mL", 9.00 * 0.1 / 20),
    ("0.05 M HCl + 0.05 M acetic acid", "0.1 M NaOH, using phenolphthalein, used 18 mL", None),
    ("0.05 M NaOH + 0.05 M Na2CO3", "0.1 M HCl, using methyl orange, used 28 mL", None),
    ("0.05 M acetic acid + 0.05 M sodium acetate", "0.1 M NaOH, using phenolphthalein, used 9 mL", None),
]


@pytest.mark.parametrize(("sample", "rest", "implied"), IMPLIED, ids=[sample for sample, *_ in IMPLIED])
def test_implied_concentration_is_that_of_the_label(sample: str, rest: str, implied: float | None) -> None:
    """Of 0.02 M citric acid 22 mM are implied, not the 66 mM of its three protons."""
    made = expect_recipe(f"titrate 20 mL of {sample} with {rest}")
    titration = made.steps[0].titration
    assert titration is not None
    assert titration.label_check is not None
    report = expectation_text(made)
    if implied is None:
        assert titration.sample_molar is None
        assert (
            f"or {sample} holds {titration.label_check.sample_implied:.3g} times what its labels say"
            in report
        )
        return
    assert titration.sample_molar is not None
    # The indicator's own error, up to a few per cent for the weak ones, is part of the expected volume.
    assert titration.sample_molar * titration.label_check.sample_implied == pytest.approx(implied, rel=0.04)
    assert f"or {sample} holds " in report


def test_an_indicator_is_judged_at_the_point_it_is_meant_for() -> None:
    """Phenolphthalein shows carbonate's first step (common practice, no source), methyl orange its second."""
    carbonate = "titrate 20 mL of 0.05 M Na2CO3 with 0.1 M HCl, using "
    report = expectation_text(expect_recipe(carbonate + "phenolphthalein"))
    assert "phenolphthalein does not fit: its end point misses the equivalence at 10.00 mL by -0.0" in report
    report = expectation_text(expect_recipe(carbonate + "methyl orange"))
    assert "methyl orange fits: its end point misses the equivalence at 20.00 mL by +0.0" in report
    # Methyl orange turns far from the point of citric acid that shows; the one near it shows no jump.
    report = expectation_text(
        expect_recipe("titrate 20 mL of 0.02 M citric acid with 0.1 M NaOH, using bromocresol green")
    )
    assert "bromocresol green does not fit: its end point misses the equivalence at 12.00 mL by -" in report


def test_openstax_neutralisation_example() -> None:
    # OpenStax Chemistry 2e, section 4.5: 50.00 mL HCl need 35.23 mL of 0.250 M NaOH, printed 0.176 M.
    made = titrate(prepare({"HCl": 0.1}, 50.0), prepare({"NaOH": 0.25}))
    assert made.main_point is not None
    assert 0.1 * check_labels(made.main_point.volume_ml, 35.23, 0.01).sample_implied == pytest.approx(0.17615)


def test_curve_needs_points() -> None:
    with pytest.raises(InputError, match="at least 50 points, got 3"):
        titrate(prepare({"HCl": 0.1}), prepare({"NaOH": 0.1}), points=3)


# ---------------------------------------------------------------- indicators

# pK of other sources than the table's: Balderas-Hernández et al. 1998 (thymol blue), Tobey
# 1958 (methyl red), Lai et al. 2016 (phenol red, m-cresol purple), Tamura et al. 1996 (phenolphthalein),
# OpenStax 14.7 (methyl orange), web tables for the others. Tables differ by 0.2 to 0.4.
OTHER_PK = {
    "thymol blue": 8.918, "methyl red": 5.05, "bromothymol blue": 7.05, "phenol red": 8.0642,
    "methyl orange": 3.40, "bromocresol green": 4.8, "m-cresol purple": 8.6606, "alizarin yellow R": 11.0,
    "phenolphthalein": 9.50,
}  # fmt: skip


@pytest.mark.parametrize("name", [item.name for item in load_indicators()])
def test_range_lies_round_the_pk(name: str) -> None:
    indicator = find_indicator(name)
    low, high = indicator.transition_range
    # OpenStax Chemistry 2e, 14.7: the change takes about pK - 1 to pK + 1.
    assert 1.0 <= high - low <= 2.0
    assert abs(0.5 * (low + high) - indicator.pka) <= 0.8
    # What a table gives and an independent source: 0.3 (the medium alone moves a pK by 0.2).
    if name in OTHER_PK:
        assert indicator.pka == pytest.approx(OTHER_PK[name], abs=0.3)
    assert low <= indicator.seen_ph <= high


def test_fraction_of_one_proton_indicators() -> None:
    blue = find_indicator("Bromothymol Blue")
    shares = blue.base_fraction(blue.pka + np.array([-1.0, 0.0, 1.0]))
    assert shares == pytest.approx([1 / 11, 0.5, 10 / 11], abs=1e-9)


def test_phenolphthalein_loses_two_protons() -> None:
    # pK1 9.05, pK2 9.50 (Tamura et al. 1996, Anal. Sci. 12, 927); values from the formula.
    ph = np.array([8.0, 8.2, 8.3, 8.72, 9.0, 9.5, 10.0, 11.0])
    shares = find_indicator("phenolphthalein").base_fraction(ph)
    assert shares == pytest.approx([0.0026, 0.0062, 0.0094, 0.0502, 0.130, 0.425, 0.740, 0.969], rel=0.02)
    # Trap: one pK of 9.5 would colour it eight times as much at pH 8.2.
    assert 7.0 * shares[1] < 1.0 / (1.0 + 10.0 ** (9.5 - 8.2))


def test_unknown_indicator_is_named() -> None:
    with pytest.raises(InputError, match="did you mean phenolphthalein"):
        find_indicator("phenolphtalein")


# ---------------------------------------------------------------- glassware

# Class A limits at 20 °C, mL: two analytical textbooks (transfer pipettes 5 to 100, flasks), ISO 385 (burette
# 50), USP <31> (measuring pipettes).
CLASS_A = [
    ("transfer pipette", 1, 0.006), ("transfer pipette", 5, 0.01), ("transfer pipette", 10, 0.02),
    ("transfer pipette", 25, 0.03), ("transfer pipette", 50, 0.05), ("transfer pipette", 100, 0.08),
    ("measuring pipette", 2, 0.01), ("measuring pipette", 5, 0.02), ("measuring pipette", 10, 0.03),
    ("flask", 25, 0.03), ("flask", 50, 0.05), ("flask", 100, 0.08), ("flask", 250, 0.12),
    ("flask", 1000, 0.30), ("burette", 50, 0.05),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "size", "limit"), CLASS_A)
def test_glassware_limits(kind: str, size: float, limit: float) -> None:
    assert choose_tool(kind, "A", size).tolerance_ml == limit
    # Class B is twice class A: ASTM E287-02(2019).
    assert choose_tool(kind, "B", size).tolerance_ml == pytest.approx(2.0 * limit)


def test_limits_turn_into_standard_uncertainties() -> None:
    # GUM 4.3.9: triangular a/sqrt(6); a burette is read twice, 0.02 mL each, rectangular.
    assert choose_tool("flask", "A", 100.0).std_ml == pytest.approx(0.08 / math.sqrt(6.0))
    readings = 2.0 * (0.02 / math.sqrt(3.0)) ** 2
    assert choose_tool("burette", "A", 22.3).std_ml == pytest.approx(math.sqrt(0.03**2 / 6.0 + readings))


def test_choice_of_tool() -> None:
    assert str(choose_tool("pipette", "B", 25.0)) == "25 mL transfer pipette class B"
    assert str(choose_tool("pipette", "B", 3.0)) == "5 mL measuring pipette class B"
    assert str(choose_tool("pipette", "A", 31.75)) == "50 mL burette class A"
    assert str(choose_tool("vessel", "A", 250.0)) == "250 mL flask class A"
    assert str(choose_tool("vessel", "A", 30.0)) == "50 mL cylinder class A"
    assert choose_tool("cylinder", "A", 2500.0).fillings == 3
    assert parse_tool("burette B") == ("burette", "B")
    assert parse_tool("measuring cylinder") == ("measuring cylinder", "B")
    with pytest.raises(InputError, match="A or B, got 'C'"):
        choose_tool("flask", "C", 10.0)
    with pytest.raises(InputError, match="no glassware called 'bucket'"):
        parse_tool("class A bucket")
    with pytest.raises(InputError, match="one class"):
        parse_tool("A pipette B")
