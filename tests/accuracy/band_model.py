"""How well the band model of `hueph.synthetic.dyes` meets measured dyes.

    python tests/accuracy/band_model.py SPECTRA/dyes [--write]

SPECTRA/dyes holds BPB_acid_base.csv (bromophenol blue) and MCP_acid_base.csv (m-cresol purple): wavelength, absorbance of
the acid and of the basic form, any unit. Each form is scaled to its own peak; nothing is moved or fitted. The colour
difference is that of liquids with as much dye, the absorbance of the stronger form's peak being 1, at the pK of the
model and a unit either side. --write puts the table into DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np
from tables import markdown, put_between

from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_xyz
from hueph.synthetic.card import reflectance_to_linear_srgb
from hueph.synthetic.dyes import DYES, state_spectrum
from hueph.synthetic.spectra import WAVELENGTHS_NM

MARKER = "band-model"
MEASURED = {"bromophenol blue": "BPB_acid_base.csv", "m-cresol purple": "MCP_acid_base.csv"}
VISIBLE = (WAVELENGTHS_NM >= 400) & (WAVELENGTHS_NM <= 700)


def main() -> None:
    """Run as a script."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    options = parser.parse_args()
    rows = [row for name, file in MEASURED.items() for row in compare(name, options.folder / file)]
    head = [
        "dye",
        "form",
        "peak, model",
        "peak, measured",
        "rms over peak",
        "largest",
        "colour at pK - 1, pK, pK + 1",
    ]
    text = markdown(head, rows)
    print(text)
    if options.write:
        put_between(Path(__file__).parents[2] / "DEVELOPERS.md", MARKER, text)


def compare(name: str, file: Path) -> list[list[str]]:
    """One row a form: 400 to 700 nm."""
    table = np.genfromtxt(file, delimiter=",", skip_header=1)
    measured = [np.interp(WAVELENGTHS_NM, table[:, 0], table[:, k]) for k in (1, 2)]
    model = [state_spectrum(bands) for bands in DYES[name].states]
    apart = colours_apart(model, measured)
    rows = []
    for form, one, other in zip(("acid", "basic"), model, measured, strict=True):
        difference = (peaked(one) - peaked(other))[VISIBLE]
        rows.append(
            [name, form, f"{peak_nm(one):.0f} nm", f"{peak_nm(other):.0f} nm",
             f"{np.sqrt(np.mean(difference**2)):.3f}", f"{np.abs(difference).max():.2f}",
             ", ".join(f"{value:.1f}" for value in apart) if form == "acid" else ""]
        )  # fmt: skip
    return rows


def peaked(spectrum: Any) -> Any:
    """Scaled to its own peak in the visible."""
    return spectrum / spectrum[VISIBLE].max()


def peak_nm(spectrum: Any) -> float:
    """Where the visible peak is."""
    return float(WAVELENGTHS_NM[VISIBLE][int(np.argmax(spectrum[VISIBLE]))])


def colours_apart(model: list[Any], measured: list[Any]) -> Any:
    """CIEDE2000 between liquids with the model's and the measured forms, a tenth, half, ten elevenths basic."""
    shares = np.array([1 / 11, 1 / 2, 10 / 11])
    labs = []
    for acid, basic in (model, measured):
        # Each form at its model's strength: what differs is the shape.
        height = [spectrum[VISIBLE].max() for spectrum in model]
        forms = [peaked(acid) * height[0] / max(height), peaked(basic) * height[1] / max(height)]
        absorbance = (1 - shares)[:, None] * forms[0] + shares[:, None] * forms[1]
        linear = np.maximum(reflectance_to_linear_srgb(10.0**-absorbance), 1e-5)
        labs.append(xyz_to_lab(linear_rgb_to_xyz(linear)))
    return delta_e_cie2000(labs[0], labs[1])


if __name__ == "__main__":
    main()
