"""What to beware of: hazards of a recipe (said once) and limits of the model (said at the step)."""

from __future__ import annotations

from hueph.chemistry.activity import DAVIES_LIMIT_MOLAR
from hueph.chemistry.equilibrium import Conditions, Equilibrium
from hueph.chemistry.notebook import StepRecord
from hueph.chemistry.recipe import Recipe
from hueph.chemistry.solutions import Label
from hueph.chemistry.species import SpeciesTable

__all__ = ["safety_cautions", "step_cautions"]

# Below this capacity a trace of carbon dioxide or of base on the glass shows: 0.1 mmol/L moves the pH by one.
_UNBUFFERED = 2e-4
# Above this standard uncertainty the pH is no longer nearly linear in what was measured.
_STEEP_STD = 0.3
_PAIRING_IONS = ("Ca+2", "Mg+2")
_PAIRING_ACIDS = ("phosphoric", "carbonic", "citric", "sulfuric", "oxalic", "phthalic")


def safety_cautions(labels: dict[str, Label], table: SpeciesTable, recipe: Recipe) -> tuple[str, ...]:
    """Return what has to be said once about a recipe's substances and steps."""
    corrosive: dict[str, str] = {}
    for label in labels.values():
        for name, molar in label.molar.items():
            reagent = table.reagents[name]
            if molar >= reagent.caution_above_molar:
                corrosive[f"{molar:.3g} M {reagent.name}"] = reagent.caution
    found = []
    if corrosive:
        kinds = " and ".join(dict.fromkeys(kind.rstrip(",") for kind in corrosive.values()))
        found.append(
            f"{_listed(list(corrosive))}: {kinds}. Wear eye protection and gloves, pour acid into water and "
            "never water into acid, rinse splashes at once with much water; local rules and qualified staff "
            "come first."
        )
    if any(" using " in f" {step.text.casefold()} " for step in recipe.steps):
        found.append("Indicator solutions are mostly alcohol: keep them from flames and hot plates.")
    return tuple(found)


def step_cautions(
    record: StepRecord, solved: Equilibrium, recipe: Recipe, conditions: Conditions, ph_std: float
) -> tuple[str, ...]:
    """Return where the model, or the real liquid, may differ from the value stated."""
    found = []
    strength, capacity = float(solved.ionic_strength[0]), float(solved.buffer_capacity[0])
    ph = float(solved.ph[0])
    mixture = record.mixture.first()
    if recipe.activity == "davies" and strength > DAVIES_LIMIT_MOLAR:
        found.append(
            f"ionic strength {strength:.2g} mol/L: activities are known to {DAVIES_LIMIT_MOLAR:g} mol/L, "
            "beyond that the value may be off by some tenths"
        )
    if capacity < _UNBUFFERED and not recipe.air_open and not record.boiled:
        open_ph = float(mixture.in_gas(recipe.co2_atm, conditions).equilibrium(conditions).ph[0])
        if abs(open_ph - ph) > 0.1:
            found.append(f"hardly buffered: carbon dioxide of the air would bring it to {open_ph:.1f}")
        else:
            found.append("hardly buffered: a trace of acid or base on the glass shows")
    if ph_std > _STEEP_STD:
        found.append("steep place: a fraction of a drop decides here, hence the wide range")
    paired = [ion for ion in _PAIRING_IONS if ion in mixture.ions]
    partners = [key for key in _PAIRING_ACIDS if float(mixture.acids.get(key, [0.0])[0]) > 1e-7]
    if paired and partners:
        names = _listed([mixture.table.acids[key].name for key in partners])
        found.append(
            f"calcium or magnesium with {names}: pairs and precipitates are not counted, they lower the pH"
        )
    if record.boiled and ("ammonium" in mixture.acids or float(mixture.acids["carbonic"][0]) > 1e-6):
        found.append(
            "boiling also drives off ammonia and turns hydrogen carbonate to carbonate; this is the limit"
        )
    check = record.titration.label_check if record.titration else None
    if check is not None and not check.matches:
        found.append("the volume used does not match the labels")
    if float(mixture.temperature_c[0]) != 25.0 and recipe.pkw is not None:
        found.append("the ion product of water is the recipe's own at every temperature")
    return tuple(found)


def _listed(items: list[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"
