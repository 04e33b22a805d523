"""Make phreeqc_table.json: the same solutions solved by an independent speciation code.

Not run by the tests: the table is frozen beside this file and the code is not needed to read it. To make it
anew: ``pip install phreeqc==1.1.1`` (bindings of IPHREEQC 3.8.6, MIT licence, the code itself is in the
public domain), then ``python tests/published/make_phreeqc_table.py`` from the root of the repository.

Two sets are made.

same-constants
    The code is given hueph's own pKa and pKw at each temperature and no ion sizes, so that it uses Davies'
    equation. What is compared is the solving and the activity model: agreement to 0.002 is asked.
stock
    The code's own data files (``phreeqc.dat``, ``minteq.v4.dat``) with their constants, ion sizes and ion
    pairs. What is compared is hueph's chemistry as a whole: each case carries the tolerance of its system.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import phreeqc

from hueph.chemistry.formula import charge_of
from hueph.chemistry.species import SpeciesTable, load_species, pka_at
from hueph.chemistry.water import pkw

OUTPUT = Path(__file__).with_name("phreeqc_table.json")

# Substance: mol/kg of water. Three temperatures each.
SAME_CONSTANTS: list[dict[str, float]] = [
    {"acetic acid": 0.1},
    {"sodium acetate": 0.1},
    {"acetic acid": 0.05, "sodium acetate": 0.05},
    {"acetic acid": 0.01, "sodium acetate": 0.1},
    {"acetic acid": 0.1, "NaOH": 0.0999},
    {"acetic acid": 1e-5},
    {"citric acid": 0.05},
    {"citric acid": 0.05, "NaOH": 0.05},
    {"citric acid": 0.05, "NaOH": 0.09},
    {"citric acid": 0.05, "NaOH": 0.15},
    {"KH2PO4": 0.025, "Na2HPO4": 0.025},
    {"KH2PO4": 0.1, "K2HPO4": 0.002},
    {"Na3PO4": 0.01},
    {"H3PO4": 0.05},
    {"borax": 0.01},
    {"NH3": 0.1, "NH4Cl": 0.1},
    {"NH4Cl": 0.05},
    {"TRIS": 0.05, "HCl": 0.02},
    {"KHP": 0.05},
    {"NaHCO3": 0.025, "Na2CO3": 0.025},
    {"NaHCO3": 0.1},
    {"CO2": 0.001},
    {"H2SO4": 0.01},
    {"Na2SO4": 0.05},
    {"HCl": 0.1},
    {"HCl": 1e-7},
    {"NaOH": 0.1},
    {"NaCl": 0.1},
    {"citric acid": 0.02, "K2HPO4": 0.04, "KNO3": 0.05},
    {"potassium tetroxalate": 0.05},
    {"lactic acid": 0.1, "sodium lactate": 0.02},
    {"formic acid": 0.02, "KOH": 0.01},
    {"MES": 0.01, "NaOH": 0.004},
]

# Stock data files: (file, composition by element or species total in mol/kgw, hueph's contents, tolerance).
# minteq.v4 knows acetate, formate and citrate; phreeqc.dat phosphate, borate, ammonium and carbonate.
STOCK: list[tuple[str, dict[str, float], dict[str, float], float]] = [
    ("minteq.v4.dat", {"Acetate": 0.1}, {"acetic acid": 0.1}, 0.02),
    ("minteq.v4.dat", {"Acetate": 0.05, "Na": 0.05}, {"sodium acetate": 0.05}, 0.02),
    ("minteq.v4.dat", {"Acetate": 0.1, "Na": 0.05}, {"acetic acid": 0.05, "sodium acetate": 0.05}, 0.02),
    ("minteq.v4.dat", {"Acetate": 0.2, "Na": 0.1}, {"acetic acid": 0.1, "sodium acetate": 0.1}, 0.02),
    ("minteq.v4.dat", {"Formate": 0.1, "Na": 0.05}, {"formic acid": 0.05, "sodium formate": 0.05}, 0.03),
    # The data file gives the citrate ions no ion size and pairs them with potassium and sodium.
    ("minteq.v4.dat", {"Citrate": 0.05, "K": 0.05}, {"potassium dihydrogen citrate": 0.05}, 0.08),
    ("phreeqc.dat", {"P": 0.05, "K": 0.025, "Na": 0.05}, {"KH2PO4": 0.025, "Na2HPO4": 0.025}, 0.03),
    (
        "phreeqc.dat",
        {"P": 0.039125, "K": 0.008695, "Na": 0.06086},
        {"KH2PO4": 0.008695, "Na2HPO4": 0.03043},
        0.03,
    ),
    ("phreeqc.dat", {"B": 0.04, "Na": 0.02}, {"borax": 0.01}, 0.03),
    ("phreeqc.dat", {"N(-3)": 0.2, "Cl": 0.1}, {"NH3": 0.1, "NH4Cl": 0.1}, 0.04),
    ("phreeqc.dat", {"C": 0.1, "Na": 0.1}, {"NaHCO3": 0.1}, 0.03),
    ("phreeqc.dat", {"Na": 0.1}, {"NaOH": 0.1}, 0.03),
    ("phreeqc.dat", {"Cl": 0.01}, {"HCl": 0.01}, 0.03),
    # One ion size for all is the weak side of Davies: H+ is larger than most.
    ("phreeqc.dat", {"Cl": 0.1}, {"HCl": 0.1}, 0.03),
]


def main() -> None:
    """Solve all cases and write the table."""
    same = [case for temperature in (5.0, 25.0, 40.0) for case in same_constants(temperature)]
    table = {
        "made_with": {"package": "phreeqc", "package_version": "1.1.1", "code": "IPHREEQC 3.8.6"},
        "unit": "mol/kg of water; pH is -log10 of the activity of H+",
        "same_constants": same,
        "stock": [stock(*case) for case in STOCK],
    }
    OUTPUT.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")
    print(f"{len(same)} + {len(STOCK)} cases -> {OUTPUT.name}")


def same_constants(temperature: float) -> list[dict[str, Any]]:
    """Solve the first set at one temperature with hueph's constants."""
    species = load_species()
    cases = []
    for contents in SAME_CONSTANTS:
        totals: dict[str, float] = {}
        for name, molal in contents.items():
            reagent = species.reagent(name)
            for key, count in reagent.acids.items():
                totals[key.capitalize()] = totals.get(key.capitalize(), 0.0) + count * molal
            for ion, count in reagent.ions.items():
                element = "Nitrate" if ion == "NO3-" else ion.rstrip("+-0123456789")
                totals[element] = totals.get(element, 0.0) + count * molal
        answer = run(database(species, temperature), totals, temperature)
        cases.append({"contents": contents, "temperature_c": temperature, **answer})
    return cases


def stock(
    file: str, elements: dict[str, float], contents: dict[str, float], tolerance: float
) -> dict[str, Any]:
    """Solve one case with a data file that comes with the code, 25 °C."""
    folder = Path(phreeqc.__file__).parent / "databases"
    text = (folder / file).read_text(encoding="utf-8", errors="replace")
    answer = run(text, elements, 25.0)
    return {"data_file": file, "contents": contents, "tolerance": tolerance, **answer}


def database(species: SpeciesTable, temperature: float) -> str:
    """Write a data file with hueph's constants at one temperature and Davies for every ion."""
    masters = [
        "H H+ -1 H 1.008", "H(0) H2 0 H", "H(1) H+ -1 0", "E e- 0 0 0", "O H2O 0 O 16.0", "O(0) O2 0 O",
        "O(-2) H2O 0 0", "Alkalinity Carbonic-2 1 50 50", "Na Na+ 0 Na 22.99", "K K+ 0 K 39.1",
        "Cl Cl- 0 Cl 35.45", "Nitrate Nitrate- 0 62 62",
    ]  # fmt: skip
    reactions = [
        "H+ = H+\n log_k 0", "e- = e-\n log_k 0", "H2O = H2O\n log_k 0", "Na+ = Na+\n log_k 0",
        "K+ = K+\n log_k 0", "Cl- = Cl-\n log_k 0", "Nitrate- = Nitrate-\n log_k 0",
        f"H2O = OH- + H+\n log_k {-float(pkw(temperature))!r}", "2 H2O = O2 + 4 H+ + 4 e-\n log_k -86.08",
        "2 H+ + 2 e- = H2\n log_k -3.15",
    ]  # fmt: skip
    for key, acid in species.acids.items():
        element, charge = key.capitalize(), charge_of(acid.forms[-1])
        bare = element + sign(charge)
        masters.append(f"{element} {bare} 0 100 100")
        reactions.append(f"{bare} = {bare}\n log_k 0" + neutral(charge))
        pka = pka_at(acid, temperature)[:, 0]
        for protons in range(1, len(acid.forms)):
            log_k = float(pka[-protons:].sum())
            count = "" if protons == 1 else str(protons)
            form = f"H{count}{element}{sign(charge + protons)}"
            reactions.append(f"{bare} + {protons} H+ = {form}\n log_k {log_k!r}" + neutral(charge + protons))
    return "\n".join(["SOLUTION_MASTER_SPECIES", *masters, "SOLUTION_SPECIES", *reactions, "END\n"])


def neutral(charge: int) -> str:
    """Give uncharged forms an activity coefficient of 1 (the code's own default is 10**0.1 I)."""
    return "\n -gamma 0 0" if charge == 0 else ""


def sign(charge: int) -> str:
    """Write a charge the way the code does."""
    if charge == 0:
        return ""
    return ("+" if charge > 0 else "-") + (str(abs(charge)) if abs(charge) > 1 else "")


def run(data: str, totals: dict[str, float], temperature: float) -> dict[str, float]:
    """Solve one solution, its pH fixed by the charge balance."""
    engine = phreeqc.Phreeqc()
    if engine.LoadDatabaseString(data):
        raise SystemExit(f"data file: {engine.GetErrorString()}")
    lines = "\n".join(f" {element} {molal!r}" for element, molal in totals.items())
    text = (
        f"SOLUTION 1\n temp {temperature}\n units mol/kgw\n pH 7 charge\n{lines}\n"
        "SELECTED_OUTPUT\n -reset false\n -high_precision true\n -pH true\n -ionic_strength true\nEND\n"
    )
    if engine.RunString(text):
        raise SystemExit(f"{totals}: {engine.GetErrorString()}")
    ph, strength = (float(engine.GetSelectedOutputValue(1, column)) for column in (0, 1))
    return {"ph": ph, "ionic_strength": strength}


if __name__ == "__main__":
    main()
