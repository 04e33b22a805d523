"""Pure chemistry: what the pH of a preparation should be. Knows no pictures and no colours."""

from hueph.chemistry.equilibrium import Conditions, Equilibrium, ph_of
from hueph.chemistry.expectation import Expectation, ExpectedStep, expect_recipe
from hueph.chemistry.indicators import Indicator, find_indicator, load_indicators
from hueph.chemistry.plan import BufferPlan, plan_buffer
from hueph.chemistry.preparations import Mixture, mix, prepare, volume_to_reach
from hueph.chemistry.recipe import Recipe, load_recipe, parse_one_liner, parse_recipe
from hueph.chemistry.species import SpeciesTable, load_species, pka_at
from hueph.chemistry.sweep import sweep_ph
from hueph.chemistry.titration import LabelCheck, TitrationCurve, check_labels, titrate

__all__ = [
    "BufferPlan",
    "Conditions",
    "Equilibrium",
    "Expectation",
    "ExpectedStep",
    "Indicator",
    "LabelCheck",
    "Mixture",
    "Recipe",
    "SpeciesTable",
    "TitrationCurve",
    "check_labels",
    "expect_recipe",
    "find_indicator",
    "load_indicators",
    "load_recipe",
    "load_species",
    "mix",
    "parse_one_liner",
    "parse_recipe",
    "ph_of",
    "pka_at",
    "plan_buffer",
    "prepare",
    "sweep_ph",
    "titrate",
    "volume_to_reach",
]
