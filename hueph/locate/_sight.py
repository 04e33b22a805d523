"""What judging poses needs to know of a chart, and what is seen under one pose of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.chart import Chart
from hueph.locate._edges import EdgeSet, edge_set
from hueph.locate._hypotheses import ChartPlan
from hueph.locate._order import MISFIT_CAP, ColourFit, chart_colours
from hueph.locate._probe import PAPER, ChartProbe, Colours, other_prints
from hueph.locate._refine import Refined
from hueph.locate._rivals import rival_placements, stretched_placements
from hueph.locate.geometry import apply_homography

__all__ = ["COVERED_COST", "SEEN_SPREAD", "ChartSight", "View"]

# Squared residuals are weighed by what the best fit leaves, as a share of `PATCH_STD` squared, but no
# less than this: where patches fit far better than usual, small differences of order count.
LEAST_NOISE = 0.15
# What it costs a pose that something lies over a patch, in squared standard deviations: 2 ln(10), as if one patch
# in ten were covered (estimate); one printed in a wrong colour costs `MISFIT_CAP` squared. What lies over a patch
# is taken to reach this share of its size beyond it.
COVERED_COST = 4.6
COVER_REACH = 0.12
# What lies over a patch ends before the next one that is seen: their colours differ by more than this, Oklab.
LEAST_END = 0.015
# The inside of a patch that is seen is more even than this, Oklab.
SEEN_SPREAD = 0.035
# a patch with less than this share of its expected contrast to the paper is not there ...
BLANK_SHARE = 0.35
# ... if that contrast, Oklab, is more than noise
BLANK_CONTRAST = 0.05
# plain paper in place of a patch of this contrast: not this chart
PLAIN_CONTRAST = 0.08
GLARE_LIGHTNESS = 1.03
# colours inside one patch differ less than this, Oklab
MOST_SPREAD = 0.08


@dataclass(frozen=True, slots=True, eq=False)
class ChartSight:
    """What judging poses needs to know of a chart; the same for all photographs of it.

    Attributes
    ----------
    plan, edges, probe
        Geometry of the patches, their half edges, and points to sample.
    reference : array, shape (n, 3)
        Colours of the patches relative to the paper, Oklab.
    placements : array, shape (1 + k, 3, 3)
        The chart as it is, then its rivals (`_rivals`), card units to card units.
    beyond, uncovered : array of bool, shape (k, n)
        Which patches, under which rivals that only shift, fall where the card carries nothing; which
        places of the chart no patch of a rival covers.
    stretched : array of int, shape (k,)
        The axis along which a rival has another pitch, or -1.
    lands : array of bool, shape (1 + k, n, n)
        Which patches of the chart as it is (last axis) each patch, as it is and under its rivals, is read in.
    """

    plan: ChartPlan
    edges: EdgeSet
    probe: ChartProbe
    reference: FloatArray
    placements: FloatArray
    beyond: BoolArray
    uncovered: BoolArray
    stretched: AnyArray
    lands: BoolArray

    @classmethod
    @lru_cache(maxsize=16)
    def of(cls, chart: Chart) -> ChartSight:
        """Prepare a chart, once for all its photographs."""
        corners = chart.corners
        plan = ChartPlan.of(corners)
        orders, (pitches, axes) = rival_placements(corners)[0], stretched_placements(corners)
        rivals = np.concatenate([orders, pitches])
        return cls(
            plan=plan,
            edges=edge_set(corners),
            probe=ChartProbe(chart),
            reference=chart_colours(chart),
            placements=np.concatenate([np.eye(3)[None], rivals]),
            beyond=_beyond_chart(chart, plan, rivals),
            uncovered=_uncovered(plan, rivals),
            stretched=np.concatenate([np.full(len(orders), -1), axes]),
            lands=_lands(plan, rivals),
        )

    def only_patches(self, colours: Colours) -> FloatArray:
        """Colours, nan where no printed patch shows: blank, uneven, or no paper around."""
        relative = colours.relative.copy()
        relative[self.faint(relative) | np.logical_not(colours.framed) | (colours.spread > MOST_SPREAD)] = (
            np.nan
        )
        return relative

    def may_be_covered(self, colours: Colours, covered: BoolArray) -> BoolArray:
        """Which of the patches `covered` (n,), as their edges say, may be so as their colours say.

        Paper shows inside a patch only where none was printed. What goes on over a neighbour without an end is
        no cover of the one and print of the other.
        """
        middle = colours.relative[0]
        apart = np.linalg.norm(middle[:, None] - middle, axis=2)
        goes_on = (self.edges.neighbours(len(covered)) & ~covered & (apart < LEAST_END)).any(axis=1)
        return np.asarray(covered & np.isfinite(middle[:, 0]) & ~colours.paper_inside & ~goes_on)

    def faint(self, relative: AnyArray) -> BoolArray:
        """Where (m, n) hardly anything but paper shows in place of a patch, in colours (m, n, 3)."""
        expected = np.linalg.norm(self.reference - PAPER, axis=1)
        light, a, b = np.moveaxis(relative, -1, 0)
        squares = (light - 1.0) ** 2 + a * a + b * b
        return np.asarray((squares < (BLANK_SHARE * expected) ** 2) & (expected > BLANK_CONTRAST))

    def blank(self, colours: Colours) -> BoolArray:
        """Where plain paper shows in place of a patch: nothing hides it, it was never printed.

        A reflection is brighter than the paper around it.
        """
        expected = np.linalg.norm(self.reference - PAPER, axis=1)
        contrast = np.linalg.norm(colours.relative - PAPER, axis=2)
        return np.asarray(
            (contrast < BLANK_SHARE * expected)
            & (expected > PLAIN_CONTRAST)
            & (colours.relative[..., 0] < GLARE_LIGHTNESS)
            & (colours.spread < np.maximum(SEEN_SPREAD, BLANK_SHARE * expected))
        )

    def printed(self, colours: Colours) -> BoolArray:
        """Where something as even as a patch shows, plainly set off from paper all around."""
        contrast = np.linalg.norm(colours.relative - PAPER, axis=2)
        return np.asarray(
            (contrast > PLAIN_CONTRAST) & (colours.spread < 0.25 * contrast) & (colours.paper_share > 0.7)
        )


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """What is seen under one pose and its rivals.

    Attributes
    ----------
    refined, colours, fit
        The pose on the edges, what was read, and how it fits the chart; `unknown` left out.
    relative : array, shape (n, 3)
        Colours under the pose itself, nan where no patch shows.
    unknown : array of bool, shape (1 + k, n)
        Which patches something lies over: first under the pose itself, then under its rivals.
    """

    refined: Refined
    colours: Colours
    relative: FloatArray
    fit: ColourFit
    unknown: BoolArray

    @property
    def _squares(self) -> float:
        """Sum of squares over what is not covered, under the pose itself."""
        return float(self.fit.squares[0] - MISFIT_CAP**2 * self.unknown[0].sum())

    @property
    def noise(self) -> float:
        """The variance of a patch about the fit of the pose judged, as a share of the usual one."""
        bare = np.sum(~self.unknown[0])
        return float(np.clip(LEAST_NOISE + self._squares / max(bare, 1), LEAST_NOISE, 1.0))

    @property
    def misfit(self) -> float:
        """Misfit with the priors' share, a covered patch at what it costs to be covered."""
        total = self._squares + COVERED_COST * self.unknown[0].sum() + self.fit.priors[0]
        return float(np.sqrt(total / self.unknown.shape[1]))


def _beyond_chart(chart: Chart, plan: ChartPlan, rivals: FloatArray) -> BoolArray:
    """Which patches, under which rivals that only shift, fall where the card carries nothing."""
    taken = np.concatenate([plan.corners, other_prints(chart)])
    low, high = taken.min(axis=1), taken.max(axis=1)
    moved = apply_homography(rivals, plan.centres)
    free = ~((moved[:, :, None] > low) & (moved[:, :, None] < high)).all(axis=3).any(axis=2)
    shifts = np.array([np.allclose(p[:2, :2], np.eye(2)) for p in rivals], dtype=bool)
    return np.asarray(free & shifts[:, None])


def _uncovered(plan: ChartPlan, rivals: FloatArray) -> BoolArray:
    """Which places of the chart (k, n) no patch of a rival covers."""
    moved = apply_homography(rivals, plan.corners.reshape(-1, 2)).reshape(len(rivals), -1, 4, 2)
    low, high = moved.min(axis=2)[:, :, None], moved.max(axis=2)[:, :, None]
    covered = ((plan.centres > low) & (plan.centres < high)).all(axis=3).any(axis=1)
    return np.asarray(~covered)


def _lands(plan: ChartPlan, rivals: FloatArray) -> BoolArray:
    """Which patches of the pose judged (n, last) each patch, as it is and under rivals (1 + k, n), would be read in."""
    placements = np.concatenate([np.eye(3)[None], rivals])
    moved = apply_homography(placements, plan.corners.reshape(-1, 2)).reshape(len(placements), -1, 4, 2)
    middle, half = moved.mean(axis=2), 0.25 * np.ptp(moved, axis=2)
    low, high = plan.corners.min(axis=1), plan.corners.max(axis=1)
    around = COVER_REACH * (high - low)
    apart = (middle + half)[:, :, None] < low - around
    apart |= (middle - half)[:, :, None] > high + around
    return np.asarray(~apart.any(axis=3))
