"""Equilibria against an independent speciation code, frozen by make_phreeqc_table.py (versions inside)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from hueph.chemistry.equilibrium import Conditions, ph_of
from hueph.chemistry.preparations import prepare

TABLE = json.loads(Path(__file__).with_name("phreeqc_table.json").read_text(encoding="utf-8"))


def _name(case: dict[str, Any]) -> str:
    contents = " + ".join(f"{molal:g} {name}" for name, molal in case["contents"].items())
    return f"{contents} at {case.get('temperature_c', 25):g} C"


@pytest.mark.parametrize("case", TABLE["same_constants"], ids=_name)
def test_same_constants_give_the_same_ph(case: dict[str, Any]) -> None:
    # 0.002: the other code lets the activity of water fall with the salt (0.0015 in 0.1 M NaOH).
    conditions = Conditions(temperature_c=case["temperature_c"])
    assert ph_of(case["contents"], conditions=conditions) == pytest.approx(case["ph"], abs=0.002)
    solved = prepare(case["contents"], temperature_c=case["temperature_c"]).equilibrium()
    assert float(solved.ionic_strength[0]) == pytest.approx(case["ionic_strength"], rel=0.003, abs=1e-9)


@pytest.mark.parametrize("case", TABLE["stock"], ids=_name)
def test_stock_data_files_agree_within_what_the_system_allows(case: dict[str, Any]) -> None:
    assert ph_of(case["contents"]) == pytest.approx(case["ph"], abs=case["tolerance"])


def test_the_table_is_the_one_described() -> None:
    assert TABLE["made_with"]["code"] == "IPHREEQC 3.8.6"
    assert len(TABLE["same_constants"]) == 99
    assert len(TABLE["stock"]) == 14
