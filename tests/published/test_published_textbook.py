"""Worked examples of OpenStax Chemistry 2e, chapter 14 (modules m68804 to m68809), CC BY-NC-SA 4.0.

Only numbers are used. Each row holds the printed answer and the exact one for the same constants (recomputed
from the full balance): the printed ones are rounded approximations (0.02 asked, 0.03 without a buffer),
the exact ones are asked to 0.001. School constants: ionic activities 1, Kw = 1e-14, the Ka of the question.

Run as a script it prints the comparison.
"""

from __future__ import annotations

import math

import pytest

from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.preparations import Mixture, mix, prepare
from hueph.chemistry.species import load_species

SCHOOL = Conditions(activity="ideal", pkw=14.0)
TABLE = load_species().extend(
    {
        "acid": {
            "acetic": {"ka": [1.8e-5]},
            "formic": {"ka": [1.8e-4]},
            "carbonic": {"ka": [4.3e-7, 4.7e-11]},
            "ammonium": {"ka": [1e-14 / 1.8e-5]},
            "barbituric": {"forms": ["HBarb", "Barb-"], "ka": [9.8e-5]},
        },
        "reagent": {"barbituric acid": {"contains": {"HBarb": 1}}},
    }
)


def _ml(volume: float, **molar: float) -> Mixture:
    names = {name.replace("_", " "): value for name, value in molar.items()}
    return prepare(names, volume, table=TABLE)


def _poured(*parts: Mixture) -> float:
    return float(mix(parts).equilibrium(SCHOOL).ph[0])


BUFFER = {"acetic_acid": 0.1, "sodium_acetate": 0.1}
# (what, the portions poured together, printed, exact, tolerance against the printed value)
EXAMPLES = [
    ("14.20a", (_ml(100, **BUFFER),), 4.74, 4.7449, 0.02),
    ("14.20b", (_ml(100, **BUFFER), _ml(1, NaOH=0.1)), 4.75, 4.7536, 0.02),
    ("14.20c", (_ml(100, HCl=1.8e-5), _ml(1, NaOH=0.1)), 10.99, 10.9877, 0.03),
    ("14.20 exercise", (_ml(100, HCl=1.8e-5), _ml(1, HCl=0.1)), 3.00, 2.9966, 0.03),
    ("14.21 0 mL", (_ml(25, HCl=0.1),), 1.000, 1.0000, 0.02),
    ("14.21 12.5 mL", (_ml(25, HCl=0.1), _ml(12.5, NaOH=0.1)), -math.log10(0.0333), 1.4771, 0.02),
    ("14.21 25 mL", (_ml(25, HCl=0.1), _ml(25, NaOH=0.1)), 7.00, 7.0000, 0.02),
    ("14.21 37.5 mL", (_ml(25, HCl=0.1), _ml(37.5, NaOH=0.1)), 12.30, 12.3010, 0.02),
    ("14.21 ex. 0 mL", (_ml(50, HNO3=0.1),), 1.000, 1.0000, 0.02),
    ("14.21 ex. 15 mL", (_ml(50, HNO3=0.1), _ml(15, NaOH=0.2)), 1.5111, 1.5119, 0.02),
    ("14.21 ex. 25 mL", (_ml(50, HNO3=0.1), _ml(25, NaOH=0.2)), 7.00, 7.0000, 0.02),
    ("14.21 ex. 40 mL", (_ml(50, HNO3=0.1), _ml(40, NaOH=0.2)), 12.523, 12.5229, 0.02),
    ("14.22 0 mL", (_ml(25, acetic_acid=0.1),), 2.87, 2.8753, 0.02),
    ("14.22 12.5 mL", (_ml(25, acetic_acid=0.1), _ml(12.5, NaOH=0.1)), 4.74, 4.7452, 0.02),
    ("14.22 25 mL", (_ml(25, acetic_acid=0.1), _ml(25, NaOH=0.1)), 8.72, 8.7219, 0.02),
    ("14.22 37.5 mL", (_ml(25, acetic_acid=0.1), _ml(37.5, NaOH=0.1)), 12.30, 12.3010, 0.02),
    ("14.22 ex. 0 mL", (_ml(50, formic_acid=0.1),), 2.37, 2.3816, 0.02),
    ("14.22 ex. 15 mL", (_ml(50, formic_acid=0.1), _ml(15, NaOH=0.2)), 3.92, 3.9236, 0.02),
    ("14.22 ex. 25 mL", (_ml(50, formic_acid=0.1), _ml(25, NaOH=0.2)), 8.29, 8.2849, 0.02),
    ("14.22 ex. 30 mL", (_ml(50, formic_acid=0.1), _ml(30, NaOH=0.2)), 12.097, 12.0969, 0.02),
    ("14.7 0 mL", (_ml(40, barbituric_acid=0.1),), 2.50, 2.5112, 0.02),
    ("14.7 20 mL", (_ml(40, barbituric_acid=0.1), _ml(20, KOH=0.1)), 4.01, 4.0113, 0.02),
    ("14.7 39 mL", (_ml(40, barbituric_acid=0.1), _ml(39, KOH=0.1)), 5.60, 5.6007, 0.02),
    ("14.7 40 mL", (_ml(40, barbituric_acid=0.1), _ml(40, KOH=0.1)), 8.35, 8.3543, 0.02),
    ("14.7 41 mL", (_ml(40, barbituric_acid=0.1), _ml(41, KOH=0.1)), 11.08, 11.0915, 0.02),
    ("14.6 ammonia", (_ml(1000, NH3=0.2, NH4NO3=0.4),), 8.95, 8.9542, 0.02),
    ("14.6 acetate", (_ml(100, acetic_acid=0.2), _ml(100, sodium_acetate=0.6)), 5.222, 5.2219, 0.02),
    (
        "14.6 acetate + HCl",
        (_ml(100, acetic_acid=0.2), _ml(100, sodium_acetate=0.6), _ml(3, HCl=0.034)),
        5.220,
        5.2189,
        0.02,
    ),
    ("14.6 [H3O+]", (_ml(100, acetic_acid=0.25, sodium_acetate=0.03),), -math.log10(1.5e-4), 3.8262, 0.02),
    ("14.6 to pH 5.00", (_ml(300, acetic_acid=0.5, sodium_acetate=0.27 / 0.3),), 5.00, 5.0000, 0.02),
    ("14.19", (_ml(100, CO2=0.033),), -math.log10(1.2e-4), 3.9248, 0.02),
]  # fmt: skip

# Table of the titration module (m68809): 25.00 mL of 0.100 M acid, mL of 0.100 M NaOH, then
# HCl printed, acetic acid printed, acetic acid exact; 0.01 asked of the printed ones.
TITRATION = [
    (0, 1.00, 2.87, 2.875), (5, 1.18, 4.14, 4.145), (10, 1.37, 4.57, 4.569), (15, 1.60, 4.92, 4.921),
    (20, 1.95, 5.35, 5.347), (22, 2.20, 5.61, 5.610), (24, 2.69, 6.13, 6.125), (24.5, 3.00, 6.44, 6.435),
    (24.9, 3.70, 7.14, 7.141), (25, 7.00, 8.72, 8.722), (25.1, 10.30, 10.30, 10.300),
    (25.5, 11.00, 11.00, 10.996), (26, 11.29, 11.29, 11.292), (28, 11.75, 11.75, 11.753),
    (30, 11.96, 11.96, 11.959), (40, 12.36, 12.36, 12.363), (50, 12.52, 12.52, 12.523),
]  # fmt: skip


@pytest.mark.parametrize("row", EXAMPLES, ids=lambda row: row[0])
def test_worked_example(row: tuple[str, tuple[Mixture, ...], float, float, float]) -> None:
    _, parts, printed, exact, tolerance = row
    ph = _poured(*parts)
    assert ph == pytest.approx(exact, abs=0.001)
    assert ph == pytest.approx(printed, abs=tolerance)


def test_a_printed_slip_is_not_reproduced() -> None:
    # Trap: the answer to the exercise of 14.21 at 15 mL is printed 1.5111; -log10(2.000/65.0) is 1.5119.
    ph = _poured(_ml(50, HNO3=0.1), _ml(15, NaOH=0.2))
    assert ph == pytest.approx(-math.log10(2.000 / 65.0), abs=1e-6)
    assert abs(ph - 1.5111) > 5e-4


@pytest.mark.parametrize("row", TITRATION, ids=lambda row: f"{row[0]} mL")
def test_titration_table(row: tuple[float, float, float, float]) -> None:
    volume, strong, weak, exact = row
    base = [_ml(volume, NaOH=0.1)] if volume else []
    # The first row prints 2.87 for 2.875: half a digit more than 0.005.
    assert _poured(_ml(25, HCl=0.1), *base) == pytest.approx(strong, abs=0.01)
    assert _poured(_ml(25, acetic_acid=0.1), *base) == pytest.approx(weak, abs=0.01)
    assert _poured(_ml(25, acetic_acid=0.1), *base) == pytest.approx(exact, abs=0.001)


def test_the_alternative_text_of_the_table_is_wrong() -> None:
    # Trap: a caption of the same table says 7.17 at 24.9 mL.
    assert abs(_poured(_ml(25, acetic_acid=0.1), _ml(24.9, NaOH=0.1)) - 7.17) > 0.02


def test_did_the_buffer_hold() -> None:
    # 14.20: the same millilitre moves the buffer by 0.009 and the unbuffered acid by 6.24; acid by -1.74.
    held = _poured(_ml(100, **BUFFER), _ml(1, NaOH=0.1)) - _poured(_ml(100, **BUFFER))
    bare = _poured(_ml(100, HCl=1.8e-5), _ml(1, NaOH=0.1)) - _poured(_ml(100, HCl=1.8e-5))
    acid = _poured(_ml(100, HCl=1.8e-5), _ml(1, HCl=0.1)) - _poured(_ml(100, HCl=1.8e-5))
    assert held == pytest.approx(0.009, abs=0.001)
    assert bare == pytest.approx(6.24, abs=0.01)
    assert acid == pytest.approx(-1.74, abs=0.01)


# Drops past the equivalence point, 0.1 M NaOH, 50 mL in all (computed; the last is the table's 25.1 mL row).
@pytest.mark.parametrize(("past_ml", "expected"), [(0.05, 10.00), (0.025, 9.70), (0.01, 9.30), (0.1, 10.30)])
def test_one_drop_past_the_end_point(past_ml: float, expected: float) -> None:
    ph = _poured(_ml(25, HCl=0.1), _ml(25 + past_ml, NaOH=0.1))
    assert ph == pytest.approx(expected, abs=0.01)


if __name__ == "__main__":
    for what, parts, printed, exact, _ in EXAMPLES:
        print(f"{what:22} printed {printed:7.3f}  exact {exact:8.4f}  hueph {_poured(*parts):8.4f}")
