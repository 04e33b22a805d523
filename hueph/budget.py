"""Where the uncertainty of one reading comes from, in pH units.

Each measured input is moved by its standard uncertainty and the reading is made again; the move of
the median is the contribution. What the posterior is wider than all of these together is put down to
the card: print and liquid differ in ways (inks, gamut, load) that no better photograph removes. Standards
take part of that away and bring errors of their own, of their optics and their labels; a patch printed
wrong is wrong beside them too.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from hueph._types import FloatArray
from hueph.calibration import IndicatorCalibration
from hueph.estimating.features import TubeEvidence
from hueph.estimating.posterior import Posterior, pool_experts, spread
from hueph.flags import BUDGET_SOURCES
from hueph.measuring import TubeMeasurement
from hueph.white_balance import PictureColours

__all__ = ["BUDGET_SOURCES", "reading_budget"]


def reading_budget(
    evidence: TubeEvidence,
    tube: TubeMeasurement,
    colours: PictureColours,
    posterior: Posterior,
    *,
    standards: IndicatorCalibration | None = None,
    photo: str = "",
) -> dict[str, float]:
    """Return the contribution of each source to the standard deviation of a reading.

    Parameters
    ----------
    evidence, tube, colours, posterior
        As made while reading.
    standards : IndicatorCalibration, optional
        That the reading leans on.
    photo : str
        The picture's hash.

    Returns
    -------
    dict
        Keys of `BUDGET_SOURCES`, values in pH units (k = 1); "standards" only with such.
    """

    def median(seen: TubeEvidence, known: IndicatorCalibration | None, off: float = 0.0) -> float:
        pooled = pool_experts(seen)  # not widened, neither where it is nor moved
        found = spread(pooled) if known is None else known.refine(seen, pooled, photo=photo, off=off)
        return found.quantile(0.5)

    centre = median(evidence, standards)
    backing = np.maximum(tube.backing, 1e-6)

    def moved(known: IndicatorCalibration | None = standards, **changes: FloatArray) -> float:
        return median(dataclasses.replace(evidence, **changes), known) - centre

    values, axes = np.linalg.eigh(tube.cov)
    noise = [
        moved(tube=np.maximum(evidence.tube + np.sqrt(max(value, 0.0)) * axis / backing, 1e-5))
        for value, axis in zip(values, axes.T, strict=True)
    ]
    uneven = tube.backing_std if np.isfinite(tube.backing_std) else 0.0
    light = [moved(tube=evidence.tube * (1.0 + 0.3 * uneven * axis)) for axis in np.eye(3)]
    usable = np.flatnonzero(colours.strip.usable)
    relevant = usable[np.abs(colours.chart.ph[usable] - centre) <= 1.6]
    strip, printing = [], []
    for index in relevant:
        row = int(np.flatnonzero(usable == index)[0])
        level = np.maximum(colours.strip.patches[index], 1e-4)
        relative = float(np.sqrt(np.trace(colours.strip.patch_cov[index]))) / float(level.sum())
        strip.append(moved(patches=_scaled(evidence.patches, row, np.full(3, 1.0 + relative))))
        # One CIEDE2000 is about 2.5 % of light in the channel that changes most (near mid-grey).
        step = 0.025 * colours.chart.patches[index].delta_e_std
        for axis in np.eye(3):
            factor = 1.0 + step * axis
            known = standards and _printed_otherwise(standards, float(evidence.ph[row]), factor)
            printing.append(moved(known, patches=_scaled(evidence.patches, row, factor)))
    parts = {"noise": noise, "light": light, "strip": strip, "print": printing}
    if standards is not None:
        parts["standards"] = [0.5 * (median(evidence, standards, 1.0) - median(evidence, standards, -1.0))]
    budget = {name: float(np.sqrt(np.sum(np.square(moves)))) for name, moves in parts.items()}
    rest = posterior.std**2 - sum(value**2 for value in budget.values())
    budget["card-to-liquid"] = float(np.sqrt(max(rest, 0.0)))
    return budget


def _scaled(patches: FloatArray, row: int, factor: FloatArray) -> FloatArray:
    """Patches with one row multiplied."""
    changed = patches.copy()
    changed[row] = changed[row] * factor
    return changed


def _printed_otherwise(
    standards: IndicatorCalibration, ph: float, factor: FloatArray
) -> IndicatorCalibration:
    """Return the standards beside a card whose patch of one pH reflects otherwise."""
    tubes = []
    for tube in standards.tubes_:
        (rows,) = np.nonzero(tube.evidence.ph == ph)
        patches = tube.evidence.patches
        for row in rows:
            patches = _scaled(patches, int(row), factor)
        tubes.append(dataclasses.replace(tube, evidence=dataclasses.replace(tube.evidence, patches=patches)))
    return standards.seen_as(tubes)
