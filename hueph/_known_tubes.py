"""Tubes of known pH as they were seen, how deep their dye, and how alike the pictures they stand in."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hueph.chart import Chart
from hueph.estimating.curve import shape_preserving_curve
from hueph.estimating.features import TubeEvidence, absorbance, without_mirrored_light
from hueph.white_balance import chart_light, choose_correction

__all__ = ["ALIKE", "KnownTube", "dye_load", "known_tubes", "likeness", "picture_distance"]

_CURVE_POINTS = 12
# Light added before pictures are compared: dark channels, which flare and noise rule, count little.
_PICTURE_SOFT = 0.15
ALIKE = 0.028
"""Distance of two pictures over which likeness falls off (k = 1)."""


@dataclass(frozen=True, slots=True, eq=False)
class KnownTube:
    """A tube of known pH as it was seen.

    Attributes
    ----------
    evidence : TubeEvidence
    ph, ph_std : float
        Label and its standard uncertainty (k = 1).
    photo : str
        Tells photographs apart (the hash of the file).
    name : str
        What to call it in a sentence.
    """

    evidence: TubeEvidence
    ph: float
    ph_std: float
    photo: str
    name: str = ""


def known_tubes(chart: Chart) -> tuple[KnownTube, ...]:
    """Return the standards of a chart as they were seen.

    Parameters
    ----------
    chart : Chart

    Returns
    -------
    tuple of KnownTube
        Empty for a chart without standards.
    """
    tubes = []
    for standard in chart.standards:
        photo = chart.standard_photos[standard.photo - 1]
        to_srgb = np.reshape(np.array(photo.to_linear_srgb), (3, 3))
        artwork, paper = chart_light(chart, to_srgb)
        rows = [int(np.abs(chart.ph - ph).argmin()) for ph in photo.patch_ph]
        patches = np.array(photo.patches)
        correction, _ = choose_correction(patches, artwork[rows], paper, to_srgb)
        evidence = TubeEvidence(
            ph=chart.ph[rows],
            patches=patches,
            artwork=artwork[rows],
            tube=np.array(standard.liquid),
            backing=np.array(standard.backing),
            glass=np.full(3, np.nan) if standard.glass is None else np.array(standard.glass),
            paper_level=photo.paper_level,
            noise=standard.noise,
            low=np.array(standard.dark),
            high=np.array(standard.bright),
            correction=correction,
            neighbours=np.array(standard.neighbours),
        )
        name = f"tube {standard.tube} of {photo.file}"
        tubes.append(KnownTube(evidence, standard.ph, standard.ph_std, photo.sha256 or photo.file, name))
    return tuple(tubes)


def dye_load(evidence: TubeEvidence) -> float:
    """Return the logarithm of how much light a tube's dye takes, whatever its hue (natural, relative)."""
    light = np.maximum(evidence.correction.apply(without_mirrored_light(evidence)), 0.0)
    # The summand keeps water finite.
    return math.log(float(np.linalg.norm(absorbance(light))) + 0.03)


def picture_distance(one: TubeEvidence, other: TubeEvidence) -> float:
    """Return how differently a chart looks in two pictures: rms absorbance between its curves.

    Parameters
    ----------
    one, other : TubeEvidence
        Of any tube of each picture; their charts have to overlap in pH.

    Returns
    -------
    float
        0 for the same picture; in simulated workshops 0.013 (median) for one phone under one lamp,
        0.04 for another phone under another lamp; infinite for charts without a pH in common.
    """
    low, high = max(one.ph[0], other.ph[0]), min(one.ph[-1], other.ph[-1])
    if high <= low:
        return math.inf
    where = np.linspace(low, high, _CURVE_POINTS)
    first, second = (
        shape_preserving_curve(seen.ph, absorbance(seen.patches, _PICTURE_SOFT), where)
        for seen in (one, other)
    )
    return float(np.sqrt(((first - second) ** 2).mean()))


def likeness(one: TubeEvidence, other: TubeEvidence, same: bool, alike: float = ALIKE) -> float:
    """Return how much a chart looks the same in two pictures, 0 to 1.

    Parameters
    ----------
    one, other : TubeEvidence
        Of any tube of each picture.
    same : bool
        Whether it is one picture.
    alike : float
        Distance over which likeness falls off.
    """
    return 1.0 if same else math.exp(-0.5 * (picture_distance(one, other) / alike) ** 2)
