"""Another way to use standards, tried and beaten: bend the chart's surface to the liquids in CAM16-UCS.

Each standard is set beside the nearest point, over dye load, of the chart's surface colour(pH, load) at
its own pH; the differences are a Gaussian process over pH, load and likeness of pictures. For a sample,
every candidate pH is weighed by how much likelier its colour is with the bent surface than with the
chart's own, times the posterior by the chart alone. The constants were fitted on simulated workshops by
maximum likelihood, as those of `hueph.calibration` were.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from hueph._types import FloatArray
from hueph.calibration import KnownTube, picture_distance
from hueph.colour.cam16 import xyz_to_cam16_ucs
from hueph.colour.srgb import linear_rgb_to_xyz
from hueph.estimating.features import BEYOND_PH, TubeEvidence, absorbance, without_mirrored_light
from hueph.estimating.posterior import Posterior

# CAM16-UCS units (k = 1): common to card and indicator, to pictures that look alike, to one picture, and
# each tube's own; then the reach in picture distance, pH and log load.
CARD, SETUP, PICTURE, OWN = 3.7, 3.4, 1.4, 2.0
ALIKE, REACH_PH, REACH_LOAD = 0.021, 1.45, 0.85
LOADS = np.geomspace(0.2, 6.0, 60)
STEP = 0.05


@dataclass(frozen=True, slots=True)
class Beside:
    """A tube beside the chart's surface: difference (m, 3) and log load (m,) at each candidate pH."""

    ph: FloatArray
    difference: FloatArray
    load: FloatArray

    def at(self, ph: float) -> tuple[FloatArray, float]:
        """Return both at the candidate nearest to a pH."""
        index = int(np.abs(self.ph - ph).argmin())
        return self.difference[index], float(self.load[index])


def beside(evidence: TubeEvidence) -> Beside:
    """Set a tube beside the surface."""
    ph = np.arange(evidence.ph[0] - BEYOND_PH, evidence.ph[-1] + BEYOND_PH + 1e-9, STEP)
    inside = np.clip(ph, evidence.ph[0], evidence.ph[-1])
    curve = PchipInterpolator(evidence.ph, absorbance(evidence.patches), axis=0)(inside)
    surface = _place(evidence, 10.0 ** (-LOADS[:, None, None] * curve[None]))
    apart = _place(evidence, without_mirrored_light(evidence)) - surface
    best = (apart**2).sum(axis=2).argmin(axis=0)
    return Beside(ph, apart[best, np.arange(len(ph))], np.log(LOADS[best]))


def _place(evidence: TubeEvidence, light: FloatArray) -> FloatArray:
    """CAM16-UCS of light ratios after the picture's correction."""
    corrected = np.maximum(evidence.correction.apply(light), 0.0)
    return np.asarray(xyz_to_cam16_ucs(linear_rgb_to_xyz(corrected)))


class LiquidCurve:
    """The bent surface of some standards."""

    def __init__(self, tubes: Sequence[KnownTube], seen: Sequence[Beside]) -> None:
        self.tubes = tuple(tubes)
        self.ph = np.array([tube.ph for tube in tubes])
        self.shown = {tube.photo: tube.evidence for tube in tubes}
        known = [one.at(tube.ph) for one, tube in zip(seen, tubes, strict=True)]
        self.difference = np.array([difference for difference, _ in known])
        self.load = np.array([load for _, load in known])
        strengths = {photo: self._strength(evidence, photo) for photo, evidence in self.shown.items()}
        strength = np.array([strengths[tube.photo] for tube in tubes])
        near = self._near(self.ph, self.load)
        self.inverse = np.linalg.inv(strength * near + OWN**2 * np.eye(len(tubes)))

    def _strength(self, evidence: TubeEvidence, photo: str) -> FloatArray:
        """Covariance with every standard at no distance in pH and load."""
        apart = {other: picture_distance(evidence, known) for other, known in self.shown.items()}
        alike = np.array([np.exp(-0.5 * (apart[tube.photo] / ALIKE) ** 2) for tube in self.tubes])
        same = np.array([tube.photo == photo for tube in self.tubes])
        return np.asarray(CARD**2 + SETUP**2 * alike + PICTURE**2 * same)

    def _near(self, ph: FloatArray, load: FloatArray) -> FloatArray:
        """Share of covariance left at a distance in pH and load, shape (len(ph), standards)."""
        apart = ((ph[:, None] - self.ph) / REACH_PH) ** 2 + ((load[:, None] - self.load) / REACH_LOAD) ** 2
        return np.asarray(np.exp(-0.5 * apart))

    def refine(self, tube: KnownTube, seen: Beside, posterior: Posterior) -> Posterior:
        """Return the posterior of a tube times the likelihood ratio of bent and plain surface."""
        cross = self._strength(tube.evidence, tube.photo) * self._near(seen.ph, seen.load)
        weights = cross @ self.inverse
        whole = CARD**2 + SETUP**2 + PICTURE**2 + OWN**2
        variance = whole - (weights * cross).sum(axis=1)
        bent = ((seen.difference - weights @ self.difference) ** 2).sum(axis=1)
        plain = (seen.difference**2).sum(axis=1)
        # The load was fitted: two of three dimensions count.
        log_ratio = -0.5 * (bent / variance - plain / whole) - np.log(variance / whole)
        density = posterior.density * np.exp(np.interp(posterior.grid, seen.ph, log_ratio - log_ratio.max()))
        area = float(np.sum(0.5 * (density[1:] + density[:-1]) * np.diff(posterior.grid)))
        return Posterior(
            posterior.grid, density / area, posterior.valid, posterior.chart_low, posterior.chart_high
        )
