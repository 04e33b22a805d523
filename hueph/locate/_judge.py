"""Judge poses of a chart: colours, edges, patches seen, and rival orders."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray, UInt8Array
from hueph.chart import Chart
from hueph.locate._facing import seen_facing
from hueph.locate._hypotheses import ChartPlan
from hueph.locate._order import MISFIT_CAP, PATCH_STD, ColourFit, chart_colours, colour_misfit
from hueph.locate._probe import PAPER, ChartProbe, Colours, Light, other_prints
from hueph.locate._quads import eight_bit, reduce_picture
from hueph.locate._refine import EdgeSet, Refined, edge_set, refine_pose
from hueph.locate._rivals import rival_placements, stretched_placements
from hueph.locate.geometry import apply_homography, lengths, local_jacobian, quad_sides, resize_homography
from hueph.locate.types import StripLocation
from hueph.photo import Photo

__all__ = ["Judge", "Verdict"]

# Largest misfit of the colours (units of `_order.PATCH_STD`) still taken for this chart. On the
# development photographs the right chart stays below 1.4, another indicator's is above 2.0.
MOST_MISFIT = 1.75
MISFIT_FLAGGED = 1.45
# A rival order must be worse by this many standard deviations, and its sum of squares by this
# share of the accepted one's (what misfits for another reason must not decide).
LEAST_MARGIN = 4.0
LEAST_EXCESS = 0.45
# Squared residuals are weighed by what the best fit leaves, as a share of `PATCH_STD` squared, but no
# less than this: where patches fit far better than usual, small differences of order count.
LEAST_NOISE = 0.15
# A patch is seen when its colour fits this well (same units) ...
SEEN_RESIDUAL = 3.0
# ... and its inside is even, Oklab; light that liquids throw on the card (caustics) may make it less even where
# the colour fits this well: what hides a patch has another one
SEEN_SPREAD = 0.035
SURE_RESIDUAL, SURE_SPREAD = 0.8, 0.06
# share of the patches and of their visible edges that must be found
LEAST_SEEN_SHARE = 0.6
LEAST_SUPPORT = 0.6
# a pose with this share of its edges found needs no second try
SURE_SUPPORT = 0.9
MOST_FORESHORTENING = 1.75
# edges softer than this share of a patch: out of focus
BLURRED = 0.5
# a patch with less than this share of its expected contrast to the paper is not there ...
BLANK_SHARE = 0.35
# ... if that contrast, Oklab, is more than noise
BLANK_CONTRAST = 0.05
# plain paper in place of a patch of this contrast: not this chart
PLAIN_CONTRAST = 0.08
GLARE_LIGHTNESS = 1.03
# colours inside one patch differ less than this, Oklab
MOST_SPREAD = 0.08
SMALLEST_PATCH = 6.0
SMALL_PATCH = 10.0
# resolution at which colours and edges are judged, pixels along a patch's short side
JUDGED_PIXELS = 30.0
# ... or from this to that share of it, where the picture is there already
NEARLY_JUDGED = (0.85, 1.3)


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """What was found under one pose."""

    pose: FloatArray
    patches: FloatArray
    misfit: float
    score: float
    margin: float
    noise: float
    support: float
    foreshortening: float
    seen: BoolArray
    inside: int
    patch_pixels: float
    blur: float
    by_hand: bool
    blank: int
    more: bool
    mirrored: bool = False

    @property
    def reason(self) -> str:
        """Why the pose is not accepted; "" when it is."""
        count = len(self.seen)
        needed = max(3, int(np.ceil(LEAST_SEEN_SHARE * count)))
        if self.misfit > MOST_MISFIT + 0.75:
            return "not-seen"
        if self.patch_pixels < SMALLEST_PATCH:
            return "too-small"
        if self.inside < needed:
            return "cut-off"
        if self.support < LEAST_SUPPORT:
            return "blurred" if self.blur > BLURRED * self.patch_pixels else "not-seen"
        if self.misfit > MOST_MISFIT or self.foreshortening > MOST_FORESHORTENING:
            return "not-seen"
        if self.seen.sum() < needed:
            return "cut-off" if self.inside < count else "too-few-patches"
        if self.blank:
            return "too-few-patches"
        excess = LEAST_EXCESS * count * self.misfit**2 / self.noise
        if self.more or self.margin < LEAST_MARGIN or self.margin**2 < excess:
            return "cut-off" if self.inside < count else "order-ambiguous"
        return "order-ambiguous" if self.mirrored else ""

    @property
    def accepted(self) -> bool:
        """Whether the pose is sure enough."""
        return self.reason == ""

    @property
    def settled(self) -> bool:
        """Whether there is no need for a second try, accepted or not."""
        return (self.accepted or self.mirrored) and self.support >= SURE_SUPPORT

    def location(self) -> StripLocation:
        """Return the result handed on."""
        flags = set()
        if self.by_hand:
            flags.add("strip-by-hand")
        if not self.seen.all():
            flags.add("strip-patch-hidden")
        if self.patch_pixels < SMALL_PATCH:
            flags.add("strip-small")
        if self.misfit > MISFIT_FLAGGED:
            flags.add("strip-misfit")
        return StripLocation(
            patches=self.patches,
            homography=self.pose,
            seen=tuple(bool(s) for s in self.seen),
            margin=self.margin,
            flags=frozenset(flags),
        )


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
    """

    plan: ChartPlan
    edges: EdgeSet
    probe: ChartProbe
    reference: FloatArray
    placements: FloatArray
    beyond: BoolArray
    uncovered: BoolArray
    stretched: AnyArray

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
        )


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


class Judge:
    """Everything about one photograph and one chart that judging poses needs."""

    def __init__(self, photo: Photo, chart: Chart) -> None:
        """Prepare the chart; pictures are reduced when first asked for."""
        self.photo = photo
        self.chart = chart
        self.sight = ChartSight.of(chart)
        self.plan = self.sight.plan
        table = np.asarray(photo.decode_table, dtype=np.float64).ravel()
        codes = np.linspace(0, len(table) - 1, 256)
        self.table: FloatArray = np.interp(codes, np.arange(len(table)), table)
        self._halvings: list[UInt8Array] = [eight_bit(photo.encoded)]
        self._reduced: dict[int, tuple[UInt8Array, FloatArray]] = {}
        self._light: dict[int, Light] = {}

    def reduced(self, side: int) -> tuple[UInt8Array, FloatArray]:
        """Return the picture at most `side` long, 8 bit, and the map of its pixels to working pixels."""
        if side not in self._reduced:
            picture, reduction = reduce_picture(self._halvings, side)
            self._reduced[side] = (picture, resize_homography(reduction))
        return self._reduced[side]

    def halved(self, most: int) -> int:
        """Return the longer side of the picture halved until it is at most `most`: a reduction made quickest."""
        side = int(max(self.photo.encoded.shape[:2]))
        while side > most:
            side //= 2
        return side

    def light(self, side: int) -> Light:
        """Return the light of the picture at most `side` long, slightly smoothed."""
        import cv2

        if side not in self._light:
            smooth = np.asarray(cv2.blur(self.reduced(side)[0], (3, 3)), dtype=np.uint8)
            self._light[side] = Light.of(smooth, self.table)
        return self._light[side]

    def best_looking(self, side: int, poses: FloatArray, most: int) -> FloatArray:
        """Return at most `most` distinct poses (k, 3, 3) whose colours look like the chart's.

        Poses are those of the picture at most `side` long.
        """
        if not len(poses):
            return poses
        seen = self.sight.probe.glance(self.light(side), poses, self.photo.to_linear_srgb)
        usable = colour_misfit(seen, self.sight.reference, rounds=1).misfit
        ranked = np.argsort(usable, kind="stable")[:400]
        ranked = ranked[usable[ranked] <= MOST_MISFIT + 1.25]
        poses = poses[ranked]
        centres = apply_homography(poses, self.plan.centres)
        size = np.sqrt(np.abs(np.linalg.det(poses[:, :2, :2]))) * self.plan.short_side
        free = np.ones(len(poses), dtype=bool)
        chosen: list[int] = []
        for place in range(len(poses)):
            if free[place]:
                chosen.append(place)
                if len(chosen) == most:
                    break
                free &= _mean_of_known(lengths(centres - centres[place])) > 0.25 * size
        return np.asarray(poses[chosen])

    def verdict(self, pose: FloatArray, *, by_hand: bool = False) -> Verdict:
        """Refine a pose (card units to working pixels) and judge it."""
        corners = self.plan.corners
        side = self._suited(pose)
        picture, to_working = self.reduced(side)
        rough = np.linalg.inv(to_working) @ pose
        refined = refine_pose(picture, rough, corners, self.sight.edges)
        placed = refined.pose
        light, to_srgb = self.light(side), self.photo.to_linear_srgb
        colours = self.sight.probe.read(light, placed, self.sight.placements, to_srgb)
        relative = self._only_patches(colours)
        fit = colour_misfit(relative, self.sight.reference)
        best = float(fit.misfit[0])
        final = to_working @ placed
        final = final / final[2, 2]
        patches = apply_homography(final, corners.reshape(-1, 2)).reshape(-1, 4, 2)
        residual = fit.residual[0]
        shown = np.isfinite(residual)
        misfit = float(np.sqrt(np.mean(np.minimum(residual[shown], MISFIT_CAP) ** 2))) if shown.any() else 9.0
        most_spread = np.where(residual < SURE_RESIDUAL, SURE_SPREAD, SEEN_SPREAD)
        seen = (residual < SEEN_RESIDUAL) & (colours.spread[0] < most_spread)
        support = refined.support(self.sight.edges, shown)
        values = np.linalg.svd(np.nan_to_num(local_jacobian(final, self.plan.centres.mean(axis=0))))[1]
        height, width = self.photo.encoded.shape[:2]
        within = ((patches >= -0.5) & (patches < np.array([width, height]) - 0.5)).all(axis=(1, 2))
        pixels = float(np.median(np.nan_to_num(quad_sides(patches)).min(axis=1)))
        verdict = Verdict(
            pose=final,
            patches=patches,
            misfit=misfit,
            score=best + 2.0 * (1.0 - support),
            margin=self._margin(relative[0], fit, refined),
            noise=_noise(fit),
            support=support,
            blank=int(self._blank(colours)[0].sum()),
            more=bool((self._printed(colours)[1:] & self.sight.beyond).any()),
            foreshortening=float(values[0] / max(values[1], 1e-9)),
            seen=seen & within,
            inside=int(within.sum()),
            patch_pixels=pixels,
            blur=refined.blur * to_working[0, 0],
            by_hand=by_hand,
        )
        if verdict.accepted:
            facing = seen_facing(picture, placed, self.chart)
            verdict = replace(verdict, mirrored=facing is not None and facing.mirrored)
        return verdict

    def _margin(self, relative: FloatArray, fit: ColourFit, refined: Refined) -> float:
        """By how many standard deviations the best rival order is worse.

        All orders have to explain the same patches: where a rival has plain paper and a patch is seen
        under the pose judged, the rival pays for it. One of another pitch pays for the edges, too.
        """
        seen = np.nan_to_num(np.linalg.norm(relative - PAPER, axis=1)) / PATCH_STD
        unexplained = (self.sight.uncovered * np.minimum(seen, MISFIT_CAP) ** 2).sum(axis=1)
        total = fit.squares / _noise(fit) + fit.priors
        total[1:] += unexplained / _noise(fit)
        for axis in (0, 1):
            of_axis = self.sight.stretched == axis
            if of_axis.any():
                total[1:][of_axis] += refined.agreement(self.sight.edges, axis)
        worst = len(self.plan.corners) * MISFIT_CAP**2
        return float(np.sqrt(max(total[1:].min(initial=worst) - total[0], 0.0)))

    def _only_patches(self, colours: Colours) -> FloatArray:
        """Colours, nan where no printed patch shows: blank, uneven, or no paper around."""
        expected = np.linalg.norm(self.sight.reference - PAPER, axis=1)
        contrast = np.linalg.norm(colours.relative - PAPER, axis=2)
        faint = (contrast < BLANK_SHARE * expected) & (expected > BLANK_CONTRAST)
        relative = colours.relative.copy()
        relative[faint | np.logical_not(colours.framed) | (colours.spread > MOST_SPREAD)] = np.nan
        return relative

    def _blank(self, colours: Colours) -> BoolArray:
        """Where plain paper shows in place of a patch: nothing hides it, it was never printed.

        A reflection is brighter than the paper around it.
        """
        expected = np.linalg.norm(self.sight.reference - PAPER, axis=1)
        contrast = np.linalg.norm(colours.relative - PAPER, axis=2)
        return np.asarray(
            (contrast < BLANK_SHARE * expected)
            & (expected > PLAIN_CONTRAST)
            & (colours.relative[..., 0] < GLARE_LIGHTNESS)
            & (colours.spread < np.maximum(SEEN_SPREAD, BLANK_SHARE * expected))
        )

    def _printed(self, colours: Colours) -> BoolArray:
        """Where something as even as a patch shows, plainly set off from paper all around."""
        contrast = np.linalg.norm(colours.relative - PAPER, axis=2)
        return np.asarray(
            (contrast > PLAIN_CONTRAST) & (colours.spread < 0.25 * contrast) & (colours.paper_share > 0.7)
        )

    def _suited(self, pose: FloatArray) -> int:
        """Return the longer side of the reduction in which patches are about `JUDGED_PIXELS` wide.

        One there is already will do where they are nearly that.
        """
        placed = apply_homography(pose, self.plan.corners.reshape(-1, 2)).reshape(-1, 4, 2)
        pixels = float(np.nan_to_num(np.median(quad_sides(placed).min(axis=1)), nan=JUDGED_PIXELS))
        longest = max(self.photo.encoded.shape[:2])
        for side in self._reduced:
            if NEARLY_JUDGED[0] <= pixels * min(side / longest, 1.0) / JUDGED_PIXELS <= NEARLY_JUDGED[1]:
                return side
        steps = np.clip(np.round(np.log2(pixels / JUDGED_PIXELS) * 3.0) / 3.0, 0.0, 5.0)
        return round(float(longest / 2.0**steps))


def _noise(fit: ColourFit) -> float:
    """Return the variance of a patch about the fit of the pose judged, as a share of the usual one."""
    return float(np.clip(LEAST_NOISE + fit.squares[0] / fit.residual.shape[1], LEAST_NOISE, 1.0))


def _mean_of_known(values: FloatArray) -> FloatArray:
    """Return means along the last axis of what is a number, 0 where nothing is."""
    known = np.isfinite(values)
    return np.asarray(np.where(known, values, 0.0).sum(axis=-1) / np.maximum(known.sum(axis=-1), 1))
