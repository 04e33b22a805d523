"""Properties that hold for every solution: balances, monotony, order of mixing, dilution, capacity."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hueph.chemistry.equilibrium import Conditions, ph_of, solve_equilibrium
from hueph.chemistry.formula import charge_of
from hueph.chemistry.preparations import Mixture, mix, prepare, volume_to_reach
from hueph.chemistry.species import load_species
from hueph.errors import InputError

TABLE = load_species()
NAMES = sorted(TABLE.reagents)
# From far below the ions of water to stock solutions.
AMOUNTS = st.floats(1e-9, 1.0).map(lambda share: 10.0 ** (-9 + 9.3 * share))
CONTENTS = st.dictionaries(st.sampled_from(NAMES), AMOUNTS, min_size=0, max_size=5)
CONDITIONS = st.builds(
    Conditions,
    activity=st.sampled_from(["davies", "ideal"]),
    co2_atm=st.sampled_from([None, None, 420e-6, 0.04]),
)
CELSIUS = st.floats(0.0, 50.0)


def _mixture(contents: dict[str, float], celsius: float, volume: float = 100.0) -> Mixture:
    return prepare(contents, volume, temperature_c=celsius)


@given(CONTENTS, CELSIUS, CONDITIONS)
@settings(max_examples=300, deadline=None)
def test_charge_and_mass_balance_vanish(
    contents: dict[str, float], celsius: float, conditions: Conditions
) -> None:
    mixture = _mixture(contents, celsius)
    solved = mixture.equilibrium(conditions)
    molar = {form: float(value[0]) for form, value in solved.species_molar.items()}
    charge = sum(charge_of(form) * value for form, value in molar.items())
    ions = sum(abs(charge_of(form)) * value for form, value in molar.items())
    # 1e-10 mol/L asked; a solution held basic by a gas may hold hundreds of mol/L of ions, hence the share.
    assert abs(charge) <= 1e-10 * max(1.0, ions)
    acids, _ = mixture.concentrations()
    for key, total in acids.items():
        if key == "carbonic" and conditions.co2_atm is not None:
            continue
        held = sum(molar[form] for form in TABLE.acids[key].forms)
        assert held == pytest.approx(float(total[0]), rel=1e-10, abs=1e-16)
    strength = 0.5 * sum(charge_of(form) ** 2 * value for form, value in molar.items())
    assert float(solved.ionic_strength[0]) == pytest.approx(strength, rel=1e-9)


@given(CONTENTS, CELSIUS, CONDITIONS)
@settings(max_examples=100, deadline=None)
def test_added_base_raises_the_ph(contents: dict[str, float], celsius: float, conditions: Conditions) -> None:
    # Dissolved in it, so that nothing is diluted: a thin base poured on a thick buffer may also lower the pH.
    acids, ions = _mixture(contents, celsius).concentrations()
    added = np.concatenate([[0.0], np.geomspace(1e-8, 2.0, 150)])
    ions = {**ions, "Na+": ions.get("Na+", np.zeros(1)) + added}
    at = Conditions(celsius, conditions.activity, co2_atm=conditions.co2_atm)
    acids = {key: value + 0.0 * added for key, value in acids.items()}
    ph = solve_equilibrium(acids, ions, conditions=at, table=TABLE).ph
    # 1e-9: rounding of a step far smaller than the salt already there.
    assert np.all(np.diff(ph) > -1e-9)
    assert ph[-1] > ph[0]


def test_titrations_rise_all_the_way() -> None:
    volumes = np.linspace(0.0, 60.0, 601)
    for name in (
        "citric acid",
        "phosphoric acid",
        "HCl",
        "acetic acid",
        "ammonium chloride",
        "potassium tetroxalate",
    ):
        sample = prepare({name: 0.1}, 25.0).scaled(np.ones_like(volumes))
        ph = mix([sample, prepare({"NaOH": 0.1}).take(volumes)]).equilibrium().ph
        assert np.all(np.diff(ph) > 0.0)


@given(st.lists(CONTENTS, min_size=2, max_size=3), CELSIUS)
@settings(max_examples=40, deadline=None)
def test_order_of_mixing_does_not_matter(bottles: list[dict[str, float]], celsius: float) -> None:
    parts = [_mixture(contents, celsius, 5.0 + number) for number, contents in enumerate(bottles)]
    values = [float(mix(order).equilibrium().ph[0]) for order in itertools.permutations(parts)]
    nested = float(mix([parts[0], mix(parts[1:])]).equilibrium().ph[0])
    assert max(values) - min(values) < 1e-8
    assert nested == pytest.approx(values[0], abs=1e-8)


@given(CONTENTS, CELSIUS)
@settings(max_examples=60, deadline=None)
def test_dilution_without_end_gives_water(contents: dict[str, float], celsius: float) -> None:
    water = float(_mixture({}, celsius).equilibrium().ph[0])
    drop = _mixture(contents, celsius, 1e-9)
    thin = mix([drop, _mixture({}, celsius, 1e6)])
    assert float(thin.equilibrium().ph[0]) == pytest.approx(water, abs=1e-4)


@given(CONTENTS, CELSIUS, CONDITIONS)
@settings(max_examples=150, deadline=None)
def test_capacity_is_the_slope_of_the_solver(
    contents: dict[str, float], celsius: float, conditions: Conditions
) -> None:
    mixture = _mixture(contents, celsius)
    solved = mixture.equilibrium(conditions)
    capacity = float(solved.buffer_capacity[0])
    strength = float(solved.ionic_strength[0])
    if 0.45 < strength < 0.55:
        return  # the Davies term has a corner at 0.5
    # Five-point rule on an amount that moves the pH by 1e-4: exact to 1e-5 without drowning in rounding.
    size = 1e-4 * capacity
    acids, ions = mixture.concentrations()
    steps = np.array([-2.0, -1.0, 1.0, 2.0]) * size
    base = float(ions.get("Na+", np.zeros(1))[0])
    if base < 3.0 * size:
        acids, ions = prepare(
            {**contents, "NaCl": 10.0 * size}, 100.0, temperature_c=celsius
        ).concentrations()
        at = Conditions(celsius, conditions.activity, co2_atm=conditions.co2_atm)
        capacity = float(solve_equilibrium(acids, ions, conditions=at, table=TABLE).buffer_capacity[0])
        base = float(ions["Na+"][0])
    wide = {ion: np.full(4, float(value[0])) for ion, value in ions.items()}
    wide["Na+"] = base + steps
    held = {key: np.full(4, float(value[0])) for key, value in acids.items()}
    at = Conditions(celsius, conditions.activity, co2_atm=conditions.co2_atm)
    ph = solve_equilibrium(held, wide, conditions=at, table=TABLE).ph
    slope = (ph[0] - 8.0 * ph[1] + 8.0 * ph[2] - ph[3]) / (12.0 * size)
    # Rounding of the charge balance: 1e-16 of the ions present against the amount added.
    rounding = 1e-15 * max(1.0, strength) / size
    assert 1.0 / slope == pytest.approx(capacity, rel=1e-5 + 100.0 * rounding)


@given(CONTENTS, CELSIUS)
@settings(max_examples=60, deadline=None)
def test_many_solutions_at_once_are_the_same_as_one_by_one(
    contents: dict[str, float], celsius: float
) -> None:
    factors = np.array([1.0, 0.5, 1e-3])
    together = _mixture(contents, celsius).scaled(factors)
    acids, ions = together.concentrations()
    diluted = {key: value * factors for key, value in acids.items()}
    salts = {key: value * factors for key, value in ions.items()}
    conditions = Conditions(temperature_c=celsius)
    batch = solve_equilibrium(diluted, salts, conditions=conditions, table=TABLE).ph
    for number, factor in enumerate(factors):
        alone = ph_of({name: molar * factor for name, molar in contents.items()}, conditions=conditions)
        assert batch[min(number, batch.size - 1)] == pytest.approx(alone, abs=1e-9)


def test_extremes_stay_finite() -> None:
    for contents in (
        {"HCl": 40.0},
        {"NaOH": 40.0},
        {"Na3PO4": 20.0},
        {"citric acid": 30.0},
        {"NaCl": 30.0},
        {},
    ):
        for celsius in (0.0, 50.0):
            ph = ph_of(contents, conditions=Conditions(temperature_c=celsius))
            assert np.isfinite(ph)
            assert -2.5 < ph < 17.5


def test_volume_to_reach_lands_on_the_target() -> None:
    sample = prepare({"citric acid": 0.05, "NaOH": 0.03}, 25.0)
    titrant = prepare({"NaOH": 0.1})
    for target in (4.0, 5.5, 7.0, 9.0, 11.5):
        volume = volume_to_reach(sample, titrant, target)
        assert volume is not None
        landed = mix([sample, titrant.take(volume)]).equilibrium().ph
        assert float(landed[0]) == pytest.approx(target, abs=1e-6)
    assert volume_to_reach(sample, titrant, 13.5) is None
    assert volume_to_reach(sample, titrant, 1.0) is None


def test_carbon_dioxide_goes_in_and_boils_out() -> None:
    water = prepare({})
    aired = water.in_gas(420e-6)
    assert float(aired.equilibrium().ph[0]) == pytest.approx(5.60, abs=0.01)
    # Closed again it keeps what it took up; boiled it is neutral.
    assert float(aired.take(10.0).equilibrium().ph[0]) == pytest.approx(5.60, abs=0.01)
    assert float(aired.in_gas(1e-7).equilibrium().ph[0]) == pytest.approx(6.97, abs=0.02)
    base = prepare({"NaOH": 0.001})
    assert float(base.in_gas(420e-6).equilibrium().ph[0]) < float(base.equilibrium().ph[0]) - 2.0


def test_wrong_arguments_are_named() -> None:
    with pytest.raises(InputError, match=r"concentration of HCl must be 0 mol/L or more, got -0\.1"):
        ph_of({"HCl": -0.1})
    with pytest.raises(
        InputError, match="no substance called 'sodium acetat' is known; did you mean sodium acetate"
    ):
        ph_of({"sodium acetat": 0.1})
    with pytest.raises(InputError, match="must be 'davies' or 'ideal', got 'pitzer'"):
        Conditions(activity="pitzer")
    with pytest.raises(InputError, match="temperature must lie between 0 and 50"):
        Conditions(temperature_c=90.0)
    with pytest.raises(InputError, match="0 to 2 atm"):
        Conditions(co2_atm=5.0)
    with pytest.raises(InputError, match="one length"):
        solve_equilibrium({"acetic": np.ones(2)}, {"Na+": np.ones(3)}, conditions=Conditions(), table=TABLE)
    with pytest.raises(InputError, match="above 0 mL"):
        prepare({}, 0.0)
    with pytest.raises(InputError, match="at least one portion"):
        mix([])
