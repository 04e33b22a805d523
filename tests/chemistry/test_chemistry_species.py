"""The species table: neutral reagents, names, molar masses, the user's additions."""

from __future__ import annotations

import pickle

import pytest

from hueph.chemistry.formula import charge_of, display_form, molar_mass
from hueph.chemistry.species import TableEntryError, load_species, nearest
from hueph.errors import InputError, RecipeError

# CRC Handbook of Chemistry and Physics, molar masses (memory), two decimals.
MOLAR_MASS = {
    "CH3COOH": 60.05, "C6H8O7·H2O": 210.14, "KH2PO4": 136.09, "Na2B4O7·10H2O": 381.37, "Ca(NO3)2": 164.09,
    "KHC8H4O4": 204.22, "NaOH": 40.00, "C4H11NO3": 121.14, "(NH4)2SO4": 132.14, "KH3(C2O4)2·2H2O": 254.19,
}  # fmt: skip


@pytest.mark.parametrize("formula", MOLAR_MASS)
def test_molar_mass(formula: str) -> None:
    assert molar_mass(formula) == pytest.approx(MOLAR_MASS[formula], abs=0.011)


@pytest.mark.parametrize("formula", ["", "Xx2", "NaOH)", "(NaOH", "na"])
def test_no_formula(formula: str) -> None:
    with pytest.raises(InputError, match="reading the formula"):
        molar_mass(formula)


def test_charges_and_display() -> None:
    assert [charge_of(form) for form in ("Na+", "Ca+2", "PO4-3", "B(OH)4-", "MES")] == [1, 2, -3, -1, 0]
    assert display_form("B(OH)4-") == "B(OH)₄⁻"
    assert display_form("PO4-3") == "PO₄³⁻"


def test_every_reagent_is_neutral_and_keeps_its_atoms_of_charge() -> None:
    for reagent in load_species().reagents.values():
        assert sum(count * charge_of(form) for form, count in reagent.contains.items()) == 0
        assert reagent.molar_mass is not None


def test_names_find_one_reagent_each() -> None:
    table = load_species()
    seen: dict[str, str] = {}
    for reagent in table.reagents.values():
        for name in (reagent.name, reagent.formula, *reagent.also):
            assert seen.setdefault(name.casefold(), reagent.name) == reagent.name
            assert table.reagent(name) is reagent
            assert table.reagent(name.upper()) is reagent


def test_every_acid_names_its_source_and_is_ordered() -> None:
    for acid in load_species().acids.values():
        assert acid.source
        assert list(acid.pka) == sorted(acid.pka)
        assert len(acid.pka) == len(acid.forms) - 1 == len(acid.dh_kj) == len(acid.dcp_j) == len(acid.pka_std)


def test_extend_adds_and_overrides() -> None:
    table = load_species().extend(
        {
            "acid": {
                "malic": {"forms": ["H2Mal", "HMal-", "Mal-2"], "pka": [3.46, 5.10]},
                "acetic": {"ka": [1.8e-5]},
            },
            "reagent": {"malic acid": {"formula": "C4H6O5", "contains": {"H2Mal": 1}}},
        }
    )
    assert table.reagent("malic acid").molar_mass == pytest.approx(134.09, abs=0.01)
    assert table.acids["acetic"].pka == pytest.approx([4.7447], abs=1e-4)
    assert table.acids["acetic"].dh_kj == (-0.41,)
    assert load_species().acids["acetic"].pka == (4.756,)  # the shipped table is untouched


BAD = [
    ({"acid": {"x": {"pka": [4.0]}}}, "acid.x: needs forms"),
    ({"acid": {"x": {"forms": ["HX", "X-"]}}}, "acid.x: needs pka"),
    ({"acid": {"x": {"forms": ["HX", "X-2"], "pka": [4.0]}}}, "one charge less than the one before"),
    ({"acid": {"x": {"forms": ["HX", "X-"], "pka": [4.0, 5.0]}}}, r"must hold 1 number\(s\)"),
    ({"acid": {"x": {"forms": ["HX", "X-"], "pka": ["a"]}}}, "must be numbers"),
    ({"acid": {"x": {"forms": ["HX", "X-"], "pka": [40.0]}}}, "between -3 and 17"),
    ({"acid": {"x": {"forms": ["HX", "X-"], "ka": [0.0]}}}, "must be above 0"),
    ({"acid": {"x": {"forms": ["HX", "X-"], "ka": [1e-3], "pka": [3.0]}}}, "either pka or ka"),
    ({"acid": {"x": {"forms": ["CH3COOH", "X-"], "pka": [3.0]}}}, "already taken by acetic"),
    ({"acid": {"x": {"forms": ["HX", "X-"], "pkas": [3.0]}}}, "did you mean pka"),
    ({"acid": {"x": 3}}, "must be a table"),
    ({"acid": 3}, "must be a table of tables"),
    ({"reagent": {"y": {"contains": {"Na+": 1, "X-": 2}}}}, r"add up to 0, they add up to -1"),
    ({"reagent": {"y": {"contains": {"Zz": 1}}}}, "neither an ion nor a form"),
    ({"reagent": {"y": {"contains": {"Na+": -1}}}}, "above 0"),
    ({"reagent": {"y": {}}}, "needs contains"),
    ({"reagent": {"y": {"formula": "Qq", "contains": {"Na+": 1, "Cl-": 1}}}}, "no atomic weight"),
]


@pytest.mark.parametrize(("document", "message"), BAD, ids=[message for _, message in BAD])
def test_wrong_entries_are_named(document: dict[str, object], message: str) -> None:
    with pytest.raises(RecipeError, match=message) as caught:
        load_species().extend(document)
    copy = pickle.loads(pickle.dumps(caught.value))
    assert isinstance(copy, TableEntryError)
    assert str(copy) == str(caught.value)


def test_nearest_keeps_silent_without_a_good_guess() -> None:
    assert nearest("qqqqqq", ["NaOH"]) == ""
    assert "NaOH" in nearest("NaOh", ["NaOH", "KOH"])
