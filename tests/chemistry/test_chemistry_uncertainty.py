"""Uncertainty of the expected pH: by algebra, and linear against Monte Carlo."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from hueph.chemistry.expectation import expect_recipe
from hueph.errors import InputError

ROOT = Path(__file__).parents[2]
BENCH = """\
[solutions]
acid = "0.1 M acetic acid"
salt = "0.1 M sodium acetate"
base = "0.1 M NaOH"
strong = "0.1 M HCl"
"""


def test_drop_size_by_algebra() -> None:
    # 5 drops of 0.1 M NaOH in 2 mL water, 10 % of the drop: dpH = 0.1 / ln 10 * (1 - v/V), v/V = 0.25/2.25.
    text = f'{BENCH}[steps]\ns = "add 5 drops of base to 2 mL of boiled water"\n'
    budget = {item.label: item.ph for item in expect_recipe(text).steps[0].budget}
    # Davies at the ionic strength of the drop takes 4 % of it back.
    assert budget["size of a drop"] == pytest.approx(0.1 / math.log(10.0) * (1.0 - 0.25 / 2.25), rel=0.05)


def test_label_by_algebra() -> None:
    # Henderson-Hasselbalch: dpH = u/ln 10 for each label, limit 2 % rectangular.
    text = f'activity = "ideal"\n{BENCH}[steps]\ns = "mix 5 mL acid and 5 mL salt"\n'
    budget = {item.label: item.ph for item in expect_recipe(text).steps[0].budget}
    assert budget["label of acid"] == pytest.approx(-0.02 / math.sqrt(3.0) / math.log(10.0), rel=0.01)
    assert budget["label of salt"] == pytest.approx(0.02 / math.sqrt(3.0) / math.log(10.0), rel=0.01)
    assert budget["pKa of acetic acid"] == pytest.approx(0.01, rel=0.01)
    assert "activity model" not in budget


def test_glassware_by_algebra() -> None:
    # 5 mL class B transfer pipette: 0.02/sqrt(6) mL of 5 mL, and again dpH = u/ln 10.
    text = f'{BENCH}[measuring]\nlabel_percent = 0\n[steps]\ns = "mix 5 mL acid and 5 mL salt"\n'
    budget = {item.label: abs(item.ph) for item in expect_recipe(text).steps[0].budget}
    expected = 0.02 / math.sqrt(6.0) / 5.0 / math.log(10.0)
    assert budget["5 mL acid (5 mL transfer pipette class B)"] == pytest.approx(expected, rel=0.1)


def test_the_parts_add_up_in_squares() -> None:
    step = expect_recipe(ROOT / "samples" / "recipes" / "acetate.toml").steps[0]
    assert step.ph_std == pytest.approx(math.sqrt(sum(item.ph**2 for item in step.budget)), rel=1e-6)
    kinds = step.std_by_kind()
    assert set(kinds) == {"constants and model", "labels", "measuring", "temperature"}
    assert step.ph_std == pytest.approx(math.sqrt(sum(size**2 for size in kinds.values())), rel=1e-6)
    sizes = [abs(item.ph) for item in step.budget]
    assert sizes == sorted(sizes, reverse=True)
    # 1.96 standard deviations: the normal distribution.
    interval = step.interval(0.95)
    assert interval.high is not None
    assert interval.high - step.ph == pytest.approx(1.96 * step.ph_std, rel=1e-3)


def test_exact_leaves_nothing() -> None:
    made = expect_recipe(
        f'{BENCH}[measuring]\nexact = true\n[steps]\ns = "mix 5 mL acid and 5 drops of base"\n'
    )
    assert made.steps[0].ph_std == 0.0
    assert made.steps[0].budget == ()


@pytest.mark.parametrize("name", ["acetate.toml", "nutrient.toml"])
def test_linear_and_monte_carlo_agree(name: str) -> None:
    # GUM Supplement 1, validation by Monte Carlo; 6000 runs know a standard deviation to 1 %, and what is not
    # linear adds a few per cent where drops decide.
    made = expect_recipe(ROOT / "samples" / "recipes" / name)
    runs = made.monte_carlo(6000, rng=np.random.default_rng(7))
    for step in made.steps:
        assert float(np.std(runs[step.name])) == pytest.approx(step.ph_std, rel=0.08)
        assert float(np.median(runs[step.name])) == pytest.approx(step.ph, abs=0.1 * step.ph_std + 1e-4)


def test_a_strong_acid_beside_as_much_base_ends_where_one_label_wins() -> None:
    # Two labels, each rectangular within 2 %, leave a triangular excess within 2 mM of 50 mM acid beside 50 mM base.
    # 2.5 % of a triangle of half width 2 lie beyond 2 (1 - sqrt(0.05)) = 1.55 mM; activity by Davies at 50 mM.
    steps = 'pipes = "mix 5 mL acid and 5 mL base"'
    step = expect_recipe(
        '[solutions]\nacid = "0.1 M HCl"\nbase = "0.1 M NaOH"\n[measuring]\nvolumes = "class A pipette"\n'
        f"[steps]\n{steps}\n"
    ).step("pipes")
    excess = 2e-3 * (1.0 - math.sqrt(0.05))
    root = math.sqrt(0.05)
    activity = 10.0 ** (-0.51 * (root / (1.0 + root) - 0.3 * 0.05))
    acid_side = -math.log10(excess * activity)
    interval = step.interval(0.95)
    assert step.ph == pytest.approx(7.0, abs=0.05)
    assert interval.low == pytest.approx(acid_side, abs=0.08)
    assert interval.high == pytest.approx(14.0 - acid_side, abs=0.08)
    assert step.ph_std == pytest.approx(math.sqrt(sum(item.ph**2 for item in step.budget)), rel=1e-6)
    assert step.samples is not None
    assert (np.diff(step.samples) >= 0.0).all()
    assert any("hence the wide range" in text for text in step.cautions)


def test_where_a_drop_decides_the_step_says_so() -> None:
    made = expect_recipe(f'{BENCH}[steps]\nend = "titrate 25 mL strong with base, used 25 mL"\n')
    assert any("steep" in text for text in made.steps[0].cautions)
    runs = made.monte_carlo(4000, rng=np.random.default_rng(1))["end"]
    # The real spread has two humps, acid or base left over: no single number describes it.
    assert np.mean(np.abs(runs - 7.0) < 1.0) < 0.2


def test_a_stopped_titration_follows_its_sample() -> None:
    # Titrated to a colour, a wrong label changes the volume and not the pH: only the last drop matters.
    made = expect_recipe(f'{BENCH}[steps]\nend = "titrate 25 mL acid with base, to pH 7"\n')
    budget = {item.label: abs(item.ph) for item in made.steps[0].budget}
    assert budget["last drop"] == max(budget.values())
    assert budget.get("label of acid", 0.0) < 1e-3


def test_number_of_runs_is_checked() -> None:
    made = expect_recipe("0.1 M acetic acid")
    with pytest.raises(InputError, match="between 100 and 200000, got 5"):
        made.monte_carlo(5, rng=np.random.default_rng(0))
