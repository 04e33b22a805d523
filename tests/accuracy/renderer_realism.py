"""Compare scenes of hueph.synthetic with photographs of known truth, region by region.

    python tests/accuracy/renderer_realism.py FOLDER [--copies 20] [--seed 1]
    python tests/accuracy/renderer_realism.py --spectra SPECTRA

FOLDER holds truth.json, the photographs and the flat artwork of their cards. Each photograph is
measured at its true corners. Each scene is then drawn again --copies times with the same indicator,
artwork, kind, pH, drops and millilitres, and with random cameras, lights, inks and glass. The table
Card figures come from scenes with the photographed artwork; tube figures from scenes whose card
shows our own mixture, because our bands are not those of the dyes in the photographs. The table
gives the 10th, 50th and 90th percentile of each figure in both, and the Kolmogorov-Smirnov distance
between the two distributions (0: the same; above 0.3: visibly different).

--spectra compares sensor sensitivities and dye bands of the model with measured ones in
SPECTRA/cameras/*.csv and SPECTRA/dyes/*.csv instead.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from realism_measure import Seen, measure, redraw
from realism_spectra import spectra_report

from hueph._types import FloatArray
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import xyz_to_lab
from hueph.colour.srgb import SRGB_TO_XYZ, srgb_to_linear_rgb

FLOOR = 0.004


def main() -> None:
    """Measure, draw, compare, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--copies", type=int, default=20, help="drawn scenes for each photographed one")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--spectra", type=Path, help="folder of measured cameras and dyes")
    options = parser.parse_args()
    if options.spectra is not None:
        print(spectra_report(options.spectra))
    if options.folder is None:
        return
    scenes = json.loads((options.folder / "truth.json").read_text(encoding="utf-8"))
    photographs = [measure(options.folder, scene, shot) for scene in scenes for shot in scene["shots"]]
    rng = np.random.default_rng(options.seed)
    drawn, own = (
        [
            redraw(options.folder, scene, rng, own_artwork=flag)
            for scene in scenes
            for _ in range(options.copies)
        ]
        for flag in (False, True)
    )
    print(f"{len(photographs)} photographs, {len(drawn)} drawn scenes for the card, as many for the tubes")
    print(compare(photographs, drawn, own))


def absorbance(colour: FloatArray, white: FloatArray) -> FloatArray:
    """Return -log10 of colour over white, channels held above a floor."""
    ratio = np.maximum(colour, FLOOR) / np.maximum(white, FLOOR)
    result: FloatArray = -np.log10(np.maximum(ratio, FLOOR))
    return result


def chart_residual(seen: Seen, *, fitted: bool) -> list[float]:
    """Return CIEDE2000 of each patch against the artwork, after white balance or a 3x3 fit."""
    white = np.median(seen.near, axis=0)
    got = seen.patch / np.maximum(white, FLOOR)
    goal = srgb_to_linear_rgb(seen.artwork) / srgb_to_linear_rgb(seen.paper)
    if fitted:
        # White and a weak pull to identity keep the fit sane on charts of few colours.
        source = np.vstack([got, 2.0 * np.ones((1, 3)), 0.1 * np.eye(3)])
        target = np.vstack([goal, 2.0 * np.ones((1, 3)), 0.1 * np.eye(3)])
        got = got @ np.linalg.lstsq(source, target, rcond=None)[0]
    pair = [xyz_to_lab(np.clip(0.85 * value, 0.0, 1.0) @ SRGB_TO_XYZ.T) for value in (got, goal)]
    return [float(value) for value in delta_e_cie2000(*pair)]


def against_chart(seen: Seen) -> list[tuple[float, float, float, float]]:
    """Return, per tube inside the card: angle to the chart's absorbance at the true pH (degrees),
    tube absorbance over the chart's per dose, pH error of the best direction, and its own residual.
    """
    curve = absorbance(seen.patch, np.median(seen.near, axis=0))
    fine = np.linspace(seen.chart_ph[0], seen.chart_ph[-1], 241)
    dense = np.stack([np.interp(fine, seen.chart_ph, curve[:, c]) for c in range(3)], axis=1)
    direction = dense / np.linalg.norm(dense, axis=1, keepdims=True)
    rows = []
    for index, ph in enumerate(seen.ph):
        if not np.isfinite(ph) or not seen.chart_ph[0] <= ph <= seen.chart_ph[-1]:
            continue
        tube = absorbance(seen.tube[index], seen.glass[index])
        size = float(np.linalg.norm(tube))
        cosine = direction @ tube / max(size, 1e-6)
        here = int(np.argmin(np.abs(fine - ph)))
        ratio = float(tube @ direction[here] / np.linalg.norm(dense[here]) / seen.dose[index])
        angles = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
        rows.append(
            (float(angles[here]), ratio, float(fine[int(np.argmax(cosine))] - ph), float(angles.min()))
        )
    return rows


def compare(photographs: Sequence[Seen], drawn: Sequence[Seen], own: Sequence[Seen]) -> str:
    """Return the table; card figures from `drawn`, tube figures from `own` (card of our own mixture)."""
    white = [s for s in photographs if s.white and s.kind != "harsh"]
    white_drawn = [s for s in own if s.white and s.kind != "harsh"]
    usual = [s for s in photographs if s.kind != "harsh"], [s for s in drawn if s.kind != "harsh"]
    samples = white, white_drawn

    def tubes(value: Callable[[Seen, int], float]) -> Callable[[Seen], list[float]]:
        return lambda seen: [value(seen, i) for i in range(len(seen.ph)) if np.isfinite(seen.ph[i])]

    def pick(column: int, *, absolute: bool = False) -> Callable[[Seen], list[float]]:
        return lambda seen: [abs(row[column]) if absolute else row[column] for row in against_chart(seen)]

    def paper(seen: Seen) -> FloatArray:
        return np.maximum(np.median(seen.near, axis=0) / srgb_to_linear_rgb(seen.paper), FLOOR)

    figures: list[tuple[str, tuple[list[Seen], list[Seen]], Callable[[Seen], list[float]]]] = [
        ("patch CIEDE2000, white balanced", usual, lambda s: chart_residual(s, fitted=False)),
        ("patch CIEDE2000, 3x3 fitted", usual, lambda s: chart_residual(s, fitted=True)),
        ("paper, green level", usual, lambda s: [float(paper(s)[1])]),
        ("paper, |ln red/green|", usual, lambda s: [float(abs(np.log(paper(s)[0] / paper(s)[1])))]),
        ("paper, |ln blue/green|", usual, lambda s: [float(abs(np.log(paper(s)[2] / paper(s)[1])))]),
        ("tube to chart direction, degrees", samples, pick(0)),
        ("tube over chart absorbance per dose", samples, pick(1)),
        ("|pH error| of best direction", samples, pick(2, absolute=True)),
        ("pH error of best direction", samples, pick(2)),
        ("direction misfit at best pH, degrees", samples, pick(3)),
        (
            "tube darkest channel / glass",
            samples,
            tubes(lambda s, i: ratio_of(s.tube[i], s.glass[i], np.min)),
        ),
        (
            "tube brightest channel / glass",
            samples,
            tubes(lambda s, i: ratio_of(s.tube[i], s.glass[i], np.max)),
        ),
        ("glass / paper, green", samples, tubes(lambda s, i: float(s.glass[i, 1] / np.median(s.near[:, 1])))),
        ("side / glass, brightest", samples, tubes(lambda s, i: ratio_of(side(s, i), s.glass[i], np.max))),
        ("side / glass, spread of ln", samples, tubes(lambda s, i: spread(side(s, i), s.glass[i]))),
    ]
    lines = [f"{'figure':40s} {'photographs':>24s} {'drawn':>24s}   KS    n"]
    for name, (real, model), figure in figures:
        a = np.array([value for seen in real for value in figure(seen)])
        b = np.array([value for seen in model for value in figure(seen)])
        cells = [" ".join(f"{q:7.3f}" for q in np.percentile(v, [10, 50, 90])) for v in (a, b)]
        lines.append(f"{name:40s} {cells[0]:>24s} {cells[1]:>24s}  {distance(a, b):.2f} {len(a):4d}")
    return "\n".join(lines)


def ratio_of(colour: FloatArray, white: FloatArray, choose: Callable[[FloatArray], FloatArray]) -> float:
    """Return the least or largest channel of colour over white."""
    return float(choose(np.maximum(colour, 0.0) / np.maximum(white, FLOOR)))


def side(seen: Seen, index: int) -> FloatArray:
    """Return the brighter side of the backing beside a tube."""
    pair = np.stack([seen.left[index], seen.right[index]])
    brighter: FloatArray = pair[int(np.argmax(pair.sum(axis=1)))]
    return brighter


def spread(colour: FloatArray, white: FloatArray) -> float:
    """Return how unlike the three channels of colour over white are, in ln."""
    logs = np.log(np.maximum(colour, FLOOR) / np.maximum(white, FLOOR))
    return float(np.ptp(logs))


def distance(a: FloatArray, b: FloatArray) -> float:
    """Return the two-sample Kolmogorov-Smirnov distance."""
    grid = np.sort(np.concatenate([a, b]))
    steps = [np.searchsorted(np.sort(v), grid, side="right") / len(v) for v in (a, b)]
    return float(np.abs(steps[0] - steps[1]).max())


if __name__ == "__main__":
    main()
