"""Compute the reference charts that come with hueph: chart file and printable cards of nine indicators.

    python tests/accuracy/make_reference_charts.py reference_charts

Colours are those of the liquid before white paper in daylight (D65), from published recipes and the band model
of `hueph.synthetic.dyes`. Nothing is measured: each file says so, and carries the scatter of the model's own
doubt (pK by 0.2, bands by 4 nm, amounts by a quarter, dye load by an eighth) and of an unprofiled printer.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from hueph._types import FloatArray
from hueph.cards import plan_card, write_card
from hueph.cards.inks import beyond_srgb
from hueph.chart import Chart, Patch, write_chart
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_xyz
from hueph.synthetic.card import liquid_srgb_linear
from hueph.synthetic.dyes import MIXTURES, Indicator, make_indicator

PAPER_LIGHT = 0.85  # reflectance of white paper, about L* 94 (common practice, no source)
PAPER_LAB = (94.0, 0.0, 0.0)
DRAWS = 200
LOAD_STD = 0.12
# What the band model itself is off for the two dyes with measured spectra, tests/accuracy/band_model.py, CIEDE2000.
BAND_MODEL_STD = 4.5
SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
BANDS = (
    "bands and pK of a model of memory values, except thymol blue pK2 (Balderas-Hernandez et al. 1998), methyl red pK "
    "(Tobey 1958, quoted), phenolphthalein pK (Tamura et al. 1996), phenol red bands (Yao and Byrne 2001)"
)


@dataclass(frozen=True)
class Recipe:
    """One chart: dyes in relative moles, pH of the patches, and what the recipe is known from."""

    amounts: Mapping[str, float]
    ph: tuple[float, ...]
    source: str


def steps(first: float, last: float, step: float) -> tuple[float, ...]:
    """Evenly spaced pH values."""
    return tuple(round(first + step * k, 3) for k in range(round((last - first) / step) + 1))


RECIPES: dict[str, Recipe] = {
    "universal indicator": Recipe(
        MIXTURES["four-dye classical"],
        steps(4.0, 10.0, 0.5),
        "four dyes as in the recipe recalled as Yamada 1933 (thymol blue 5 mg, methyl red 12 mg, bromothymol blue 60 mg, "
        "phenolphthalein 100 mg in 200 mL; memory, not verified)",
    ),
    "bromothymol blue": Recipe(
        {"bromothymol blue": 1.0}, steps(5.6, 8.4, 0.4), "one dye; turns 6.0 to 7.6 (data booklet)"
    ),
    "methyl red": Recipe({"methyl red": 1.0}, steps(4.0, 6.8, 0.4), "one dye; turns 4.2 to 6.3 (tables differ)"),
    "bromocresol green": Recipe(
        {"bromocresol green": 1.0}, steps(3.4, 6.2, 0.4), "one dye; turns 3.8 to 5.4 (data booklet)"
    ),
    "phenol red": Recipe({"phenol red": 1.0}, steps(6.4, 9.2, 0.4), "one dye; turns 6.6 to 8.0 (data booklet)"),
    "phenolphthalein": Recipe(
        {"phenolphthalein": 1.0}, steps(8.0, 10.4, 0.4), "one dye, colourless below; turns 8.2 to 10.0 (data booklet)"
    ),
    "thymol blue": Recipe(
        {"thymol blue": 1.0}, steps(7.6, 10.4, 0.4), "one dye, its basic step; turns 8.0 to 9.6 (data booklet)"
    ),
    "methyl orange": Recipe({"methyl orange": 1.0}, steps(2.4, 4.8, 0.4), "one dye; turns 3.2 to 4.4 (data booklet)"),
    "red cabbage": Recipe(
        {"cabbage-like": 1.0}, steps(2.0, 8.0, 1.0),
        "extract of red cabbage as a ladder of colours (sequence from memory; the greens above pH 9 are not modelled "
        "well enough to print); extracts differ from head to head",
    ),
}  # fmt: skip


def main() -> None:
    """Run as a script."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    options = parser.parse_args()
    for name, recipe in RECIPES.items():
        folder = options.folder / name.replace(" ", "-")
        folder.mkdir(parents=True, exist_ok=True)
        chart = computed_chart(name, recipe)
        card = replace(plan_card(chart).chart, provenance=chart.provenance)
        write_chart(card, folder / "chart.toml", force=True)
        for paper in ("A4", "Letter"):
            write_card(chart, folder / f"card-{paper}.pdf", paper=paper, force=True)
        stds = [patch.delta_e_std for patch in chart.patches]
        print(f"{name}: {len(stds)} patches, uncertainty {min(stds):.1f} to {max(stds):.1f} CIEDE2000")


def computed_chart(name: str, recipe: Recipe) -> Chart:
    """The chart of a recipe, colours of the liquid before white paper."""
    ph = np.array(recipe.ph)
    span = (float(ph[0]), float(ph[-1]))
    nominal = liquid_lab(make_indicator(name, recipe.amounts, span), ph, 1.0)
    rng = np.random.default_rng(20_251)
    drawn = [
        liquid_lab(
            make_indicator(name, recipe.amounts, span, rng=rng), ph, float(np.exp(rng.normal(0, LOAD_STD)))
        )
        for _ in range(DRAWS)
    ]
    apart = np.array([delta_e_cie2000(nominal, other) for other in drawn])
    doubt = np.hypot(np.sqrt((apart**2).mean(axis=0)), BAND_MODEL_STD)
    patches = tuple(
        Patch(float(value), (float(lab[0]), float(lab[1]), float(lab[2])), float(std), SQUARE)
        for value, lab, std in zip(ph, nominal, doubt, strict=True)
    )
    chart = Chart(name, patches, PAPER_LAB, (1.0, 1.0))
    off = float(beyond_srgb(chart, plan_card(chart).chart).max())
    vivid = f" in sRGB, which holds its most vivid colours to {off:.1f} CIEDE2000 only" if off > 1.0 else ""
    return replace(
        chart,
        indicator=name,
        provenance=f"computed, not measured: {recipe.source}; {BANDS}; drawn as sent to the printer{vivid}",
    )


def liquid_lab(indicator: Indicator, ph: FloatArray, load: float) -> FloatArray:
    """CIELAB of the liquid before white paper, D65, shape (n, 3)."""
    linear = PAPER_LIGHT * np.maximum(liquid_srgb_linear(indicator, ph, load), 0.0)
    return np.asarray(xyz_to_lab(linear_rgb_to_xyz(linear)))


if __name__ == "__main__":
    main()
