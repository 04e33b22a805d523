"""Compare ways from a tube's colour to a pH on photographs with known truth.

    python tests/accuracy/compare_spaces.py FOLDER [--write]

FOLDER is laid out as for run_photos.py. Outlines come from the truth here, so that only the step
from colour to pH differs. Every way sees the same measured evidence:

nearest patch     the patch with the smallest CIEDE2000, as the eye does
CIELAB, Oklab,    nearest point of the patch curve in that space after white balance, dye load
CAM16-UCS         fitted for each candidate by Beer-Lambert
direction         largest cosine between absorbance vectors
scorer            the program's posterior
"""

from __future__ import annotations

import argparse
import json
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tables
from run_photos import DEVELOPERS, make_charts
from scipy.interpolate import PchipInterpolator

from hueph._types import FloatArray
from hueph.chart import Chart
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import linear_rgb_to_oklab
from hueph.colour.srgb import linear_rgb_to_xyz
from hueph.estimating.features import TubeEvidence, absorbance
from hueph.estimating.posterior import estimate_posterior
from hueph.locate.types import StripLocation, TubeLocation
from hueph.measuring import measure_strip, measure_tubes
from hueph.photo import load_photo
from hueph.reading import tube_evidence
from hueph.white_balance import PictureColours, balance_picture

LOADS = np.geomspace(0.3, 4.0, 30)


def true_locations(scene: dict[str, Any], chart: Chart) -> tuple[StripLocation, tuple[TubeLocation, ...]]:
    """Return where strip and tubes really are, with a central core."""
    patches = np.array(scene["patches"], dtype=float)
    homography, _ = cv2.findHomography(chart.corners.reshape(-1, 2), patches.reshape(-1, 2))
    strip = StripLocation(patches, np.asarray(homography, float), (True,) * len(patches), 9.0)
    tubes = []
    for tube in scene["tubes"]:
        quad = np.array(tube["liquid"], dtype=float)
        core = np.array(
            [_inside(quad, u, v) for u, v in ((0.33, 0.22), (0.67, 0.22), (0.67, 0.72), (0.33, 0.72))]
        )
        tubes.append(TubeLocation(quad, core))
    return strip, tuple(tubes)


def _inside(quad: FloatArray, u: float, v: float) -> FloatArray:
    """Point of a quadrilateral at shares u across and v down."""
    top, bottom = quad[0] * (1 - u) + quad[1] * u, quad[3] * (1 - u) + quad[2] * u
    return np.asarray(top * (1 - v) + bottom * v)


def nearest_patch(colours: PictureColours, evidence: TubeEvidence) -> float:
    """The patch that looks most alike."""
    distance = delta_e_cie2000(
        colours.corrected_lab(evidence.patches), colours.corrected_lab(evidence.tube)[None]
    )
    return float(evidence.ph[int(np.argmin(distance))])


def in_space(to_space: Callable[[PictureColours, FloatArray], FloatArray]) -> Callable[..., float]:
    """Nearest point of the surface (pH, load) in a colour space."""

    def estimate(colours: PictureColours, evidence: TubeEvidence) -> float:
        grid = np.linspace(evidence.ph[0], evidence.ph[-1], 241)
        curve = PchipInterpolator(evidence.ph, absorbance(evidence.patches), axis=0)(grid)
        surface = to_space(colours, 10.0 ** (-LOADS[:, None, None] * curve[None]))
        tube = to_space(colours, evidence.tube[None])[0]
        distance = ((surface - tube) ** 2).sum(axis=-1).min(axis=0)
        return float(grid[int(np.argmin(distance))])

    return estimate


def lab(colours: PictureColours, ratio: FloatArray) -> FloatArray:
    """CIELAB."""
    return colours.corrected_lab(ratio)


def oklab(colours: PictureColours, ratio: FloatArray) -> FloatArray:
    """Oklab."""
    return np.asarray(linear_rgb_to_oklab(np.maximum(colours.correction.apply(ratio), 0.0)))


def cam16_ucs(colours: PictureColours, ratio: FloatArray) -> FloatArray:
    """CAM16-UCS, through the colour-science library (average surround, La 64)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        xyz = linear_rgb_to_xyz(np.maximum(colours.correction.apply(ratio), 1e-4)) * 100.0
        seen = colour.XYZ_to_CAM16(xyz, np.array([95.05, 100.0, 108.88]), 64.0, 20.0)
        jmh = np.stack([seen.J, seen.M, seen.h], axis=-1)
        return np.asarray(colour.JMh_CAM16_to_CAM16UCS(jmh))


def direction(colours: PictureColours, evidence: TubeEvidence) -> float:
    """Largest cosine between absorbance vectors."""
    grid = np.linspace(evidence.ph[0], evidence.ph[-1], 241)
    curve = PchipInterpolator(evidence.ph, absorbance(evidence.patches), axis=0)(grid)
    seen = absorbance(evidence.tube)
    cosine = curve @ seen / (np.linalg.norm(curve, axis=1) + 1e-6)
    return float(grid[int(np.argmax(cosine))])


def scorer(colours: PictureColours, evidence: TubeEvidence) -> float:
    """Median of the program's posterior, within the card."""
    median = estimate_posterior(evidence).quantile(0.5)
    return float(np.clip(median, evidence.ph[0], evidence.ph[-1]))


WAYS: dict[str, Callable[[PictureColours, TubeEvidence], float]] = {
    "nearest patch (CIEDE2000)": nearest_patch,
    "CIELAB surface": in_space(lab),
    "Oklab surface": in_space(oklab),
    "CAM16-UCS surface": in_space(cam16_ucs),
    "absorbance direction": direction,
    "scorer (used)": scorer,
}


def main() -> None:
    """Measure every photograph once, estimate in every way, print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    options = parser.parse_args()
    scenes = json.loads((options.folder / "truth.json").read_text(encoding="utf-8"))
    charts = make_charts(options.folder, scenes)
    errors: dict[str, list[tuple[str, float]]] = {name: [] for name in WAYS}
    for scene in scenes:
        chart = charts[scene["chart"]]
        strip, tubes = true_locations(scene, chart)
        for shot in scene["shots"]:
            photo = load_photo(options.folder / shot["file"])
            colours = balance_picture(photo, chart, measure_strip(photo, chart, strip))
            measured = measure_tubes(photo, strip, chart, tubes)
            for evidence, truth in zip(tube_evidence(colours, measured, tubes), scene["tubes"], strict=True):
                if truth["ph"] is None or not chart.ph[0] <= truth["ph"] <= chart.ph[-1]:
                    continue
                for name, way in WAYS.items():
                    errors[name].append((scene["kind"], way(colours, evidence) - truth["ph"]))
    rows = []
    for name, found in errors.items():
        every = np.array([error for _, error in found])
        sheet = np.array([error for kind, error in found if kind == "sheet"])
        rows.append(
            [name, str(len(every))]
            + [
                tables.number(value)
                for part in (every, sheet)
                for value in (np.sqrt((part**2).mean()), np.median(np.abs(part)), part.mean())
            ]
        )
    head = ["way", "tubes", "RMSE", "median |error|", "bias", "sheet RMSE", "sheet median", "sheet bias"]
    text = tables.markdown(head, rows)
    print(text)
    if options.write:
        tables.put_between(DEVELOPERS, "compare-spaces", text)


if __name__ == "__main__":
    main()
