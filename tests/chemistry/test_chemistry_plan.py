"""Planned buffers hit their pH, are rebuilt from their own recipe, and refuse what cannot be."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from hueph.chemistry.expectation import expect_recipe
from hueph.chemistry.plan import plan_buffer
from hueph.chemistry.preparations import prepare
from hueph.chemistry.recipe import load_recipe
from hueph.chemistry.report import plan_text
from hueph.chemistry.sweep import sweep_ph
from hueph.errors import InputError

RECIPES = Path(__file__).parents[2] / "samples" / "recipes"


@pytest.mark.parametrize("target", [2.5, 3.8, 4.7, 6.5, 7.4, 8.2, 9.2, 10.2])
def test_a_plan_hits_its_ph(target: float) -> None:
    plans = plan_buffer(target, 100.0, total_molar=0.1)
    assert plans
    for plan in plans:
        assert plan.step.ph == pytest.approx(target, abs=0.02)
        assert plan.acid_ml + plan.base_ml == pytest.approx(100.0)
        again = expect_recipe(plan.recipe).steps[0]
        assert again.ph == pytest.approx(plan.step.ph, abs=1e-12)
        assert any("mL" in item.label for item in plan.step.budget)
    capacities = [plan.step.buffer_capacity for plan in plans]
    assert capacities == sorted(capacities, reverse=True)


def test_the_pair_is_the_one_a_bench_would_choose() -> None:
    # Common practice, no source: pKa nearest to the target.
    assert "acetic acid" in plan_buffer(4.7, 100.0)[0].acid or "citr" in plan_buffer(4.7, 100.0)[0].acid
    assert "phosphate" in plan_buffer(7.0, 100.0)[0].acid
    assert any("TRIS" in plan.acid for plan in plan_buffer(8.1, 100.0))
    assert any("ammon" in plan.acid for plan in plan_buffer(9.3, 100.0))


def test_a_plan_from_a_recipes_own_bottles() -> None:
    stocks = load_recipe(RECIPES / "acetate.toml")
    plan = plan_buffer(4.2, 250.0, stocks=stocks)[0]
    assert (plan.acid, plan.base) == ("acid", "salt")
    assert plan.step.ph == pytest.approx(4.2, abs=0.01)
    assert plan.step.temperature_c == 22.0
    assert 'acid" = "0.1 M acetic acid"' in plan.recipe


def test_report_and_json_of_a_plan() -> None:
    plans = plan_buffer(6.5, 100.0)
    text = plan_text(plans, 6.5)
    assert "68.25 mL of 0.1 M potassium dihydrogen phosphate" in text
    assert "glassware: 68.25 mL acid (100 mL burette class B) moves the pH by 0.00" in text
    assert plans[0].to_dict()["acid_ml"] == 68.25


def test_what_cannot_be_planned_is_refused() -> None:
    with pytest.raises(InputError, match=r"no two solutions at 0\.1 mol/L mix to pH 13\.9"):
        plan_buffer(13.9, 100.0)
    with pytest.raises(InputError, match="the target pH must lie between 0 and 14 to plan a buffer, got -1"):
        plan_buffer(-1.0, 100.0)
    with pytest.raises(InputError, match="the volume in mL"):
        plan_buffer(7.0, 0.0)
    with pytest.raises(InputError, match="the concentration in mol/L"):
        plan_buffer(7.0, 100.0, total_molar=5.0)
    with pytest.raises(InputError, match=r"no two solutions of titration\.toml"):
        plan_buffer(1.2, 100.0, stocks=load_recipe(RECIPES / "titration.toml"))


def test_sweep_covers_the_scale_and_keeps_the_mass() -> None:
    swept = sweep_ph(prepare({"citric acid": 0.05, "K2HPO4": 0.02}))
    assert np.all(np.diff(swept.ph) > 0.0)
    assert swept.ph[0] < 1.2
    assert swept.ph[-1] > 12.8
    citrate = sum(swept.species_molar[form] for form in ("C6H8O7", "C6H7O7-", "C6H6O7-2", "C6H5O7-3"))
    assert citrate == pytest.approx(np.full(swept.ph.size, 0.05))
    with pytest.raises(InputError, match="at least 20 points"):
        sweep_ph(prepare({}), points=3)
