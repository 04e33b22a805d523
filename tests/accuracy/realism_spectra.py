"""Compare sensitivities and dye bands of the scene model with measured ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from hueph._types import FloatArray
from hueph.synthetic.cameras import draw_sensitivities
from hueph.synthetic.dyes import DYES, state_spectrum
from hueph.synthetic.spectra import WAVELENGTHS_NM

NAMES = (
    "red mean nm", "red width nm", "green mean nm", "green width nm", "blue mean nm", "blue width nm",
    "red at 510-550", "red at 420-460", "green at 440-470", "green at 590-620", "blue at 510-540",
    "blue at 570-640", "red at 640-660", "blue at 405-420",
)  # fmt: skip


def spectra_report(folder: Path) -> str:
    """Return both comparisons as text."""
    return "\n".join([*camera_lines(folder / "cameras"), "", *dye_lines(folder / "dyes")])


def features(channels: FloatArray) -> list[float]:
    """Return numbers that decide how a sensor sees colour; channels (3, n), peak 1."""
    red, green, blue = channels
    numbers = []
    for channel in channels:
        share = channel / channel.sum()
        mean = float((WAVELENGTHS_NM * share).sum())
        numbers += [mean, float(np.sqrt((((WAVELENGTHS_NM - mean) ** 2) * share).sum()))]

    def within(channel: FloatArray, low: float, high: float) -> float:
        return float(channel[(low <= WAVELENGTHS_NM) & (high >= WAVELENGTHS_NM)].mean())

    numbers += [
        within(red, 510, 550),
        within(red, 420, 460),
        within(green, 440, 470),
        within(green, 590, 620),
    ]
    numbers += [within(blue, 510, 540), within(blue, 570, 640), within(red, 640, 660), within(blue, 405, 420)]
    return numbers


def camera_lines(folder: Path) -> list[str]:
    """Compare features of measured cameras with the family `draw_sensitivities` draws from."""
    measured, names = [], []
    for path in sorted(folder.glob("*.csv")):
        table = np.genfromtxt(path, delimiter=",", skip_header=1)
        channels = np.stack(
            [np.interp(WAVELENGTHS_NM, table[:, 0], table[:, c], left=0, right=0) for c in (1, 2, 3)]
        )
        measured.append(features(channels / channels.max(axis=1, keepdims=True)))
        names.append(path.stem)
    rng = np.random.default_rng(0)
    family = np.array([features(draw_sensitivities(rng)) for _ in range(1000)])
    real = np.array(measured)
    lines = [
        f"{'sensitivity':18s} {'measured min, median, max':>28s} {'model 1 %, 50 %, 99 %':>28s}  outside"
    ]
    for column, name in enumerate(NAMES):
        low, middle, high = np.percentile(family[:, column], [1, 50, 99])
        values = real[:, column]
        outside = [n for n, v in zip(names, values, strict=True) if not low <= v <= high]
        cells = (
            f"{values.min():9.3f} {np.median(values):9.3f} {values.max():8.3f}",
            f"{low:9.3f} {middle:9.3f} {high:8.3f}",
        )
        lines.append(f"{name:18s} {cells[0]:>28s} {cells[1]:>28s}  {', '.join(outside)}")
    return lines


def dye_lines(folder: Path) -> list[str]:
    """Compare band shapes of two dyes with measured spectra, each scaled to its own peak."""
    lines = [f"{'dye, form':28s} rms and largest difference over the peak, 400 to 700 nm; peak moved to fit"]
    visible = (WAVELENGTHS_NM >= 400) & (WAVELENGTHS_NM <= 700)
    for name, file in (("bromophenol blue", "BPB_acid_base.csv"), ("m-cresol purple", "MCP_acid_base.csv")):
        table = np.genfromtxt(folder / file, delimiter=",", names=True)
        for state, form in enumerate(("acid", "base")):
            goal = np.interp(WAVELENGTHS_NM, table["wavelength_nm"], table[form])
            best = None
            for moved in np.arange(-12.0, 12.5, 1.0):
                shape = state_spectrum(DYES[name].states[state], float(moved))
                factor = float(shape[visible] @ goal[visible] / (shape[visible] @ shape[visible]))
                gap = (factor * shape - goal)[visible] / goal[visible].max()
                rms = float(np.sqrt(np.mean(gap**2)))
                if best is None or rms < best[0]:
                    best = (rms, float(np.abs(gap).max()), float(moved))
            assert best is not None
            lines.append(f"{name + ', ' + form:28s} {best[0]:.3f}  {best[1]:.3f}  moved {best[2]:+.0f} nm")
    return lines
