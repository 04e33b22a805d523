"""Judge poses of a chart: colours, edges, patches seen, and rival orders."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray, UInt8Array
from hueph.chart import Chart
from hueph.locate._facing import seen_facing
from hueph.locate._hypotheses import hits, possible_poses
from hueph.locate._order import MISFIT_CAP, PATCH_STD, colour_misfit
from hueph.locate._probe import PAPER, Light
from hueph.locate._quads import eight_bit, reduce_picture
from hueph.locate._refine import Refined, refine_pose
from hueph.locate._sight import COVERED_COST, SEEN_SPREAD, ChartSight, View
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
# What it tells for a pose that a patch lies on a quadrilateral of its size, in squared standard deviations: about
# 2 ln(21), if seven in ten do under the right pose and one in ten under another (estimate).
HIT_ODDS = 6.0
# Something may lie over a patch whose colour fits no better than this (same units); whether it does its edges tell.
DOUBTFUL_RESIDUAL = 2.0
# ... and so often are more such patches looked for, where at least this many, and this share, leave no doubt.
DOUBTFUL_ROUNDS, LEAST_SURE, LEAST_SURE_SHARE = 3, 3, 0.5
# A patch is seen when its colour fits this well and its inside is even; light that liquids throw on the card
# (caustics) may make it less even where the colour fits as well as this: what hides a patch has another one.
SEEN_RESIDUAL = 3.0
SURE_RESIDUAL, SURE_SPREAD = 0.8, 0.06
# share of the patches and of their visible edges that must be found
LEAST_SEEN_SHARE = 0.6
LEAST_SUPPORT = 0.6
# ... of the edges by more where patches are covered: the others have to tell where they are
LEAST_SUPPORT_COVERED = 0.75
# a pose with this share of its edges found needs no second try
SURE_SUPPORT = 0.9
MOST_FORESHORTENING = 1.75
# edges softer than this share of a patch: out of focus
BLURRED = 0.5
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
    covered: int
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
        if self.support < (LEAST_SUPPORT_COVERED if self.covered else LEAST_SUPPORT):
            return "blurred" if self.blur > BLURRED * self.patch_pixels else "not-seen"
        if self.misfit > MOST_MISFIT or self.foreshortening > MOST_FORESHORTENING:
            return "not-seen"
        if self.seen.sum() < needed:
            return "cut-off" if self.inside < count else "too-few-patches"
        if self.blank:
            return "too-few-patches"
        squares = count * self.misfit**2 - COVERED_COST * self.covered
        excess = LEAST_EXCESS * squares / self.noise
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

    def best_looking(self, side: int, quads: FloatArray, most: int, *, more: int = 0) -> FloatArray:
        """Return at most `most` distinct poses (k, 3, 3) whose colours look like the chart's.

        Poses are those of the picture at most `side` long, as `quads` found there suggest. After them, up to
        `more` whose colours do less well and that lie on quads with more patches.
        """
        poses = possible_poses(quads, self.plan)
        if not len(poses):
            return poses
        seen = self.sight.probe.glance(self.light(side), poses, self.photo.to_linear_srgb)
        seen[self.sight.faint(seen)] = np.nan
        usable = colour_misfit(seen, self.sight.reference, rounds=1).misfit
        ranked = np.argsort(usable, kind="stable")[:400]
        ranked = ranked[usable[ranked] <= MOST_MISFIT + 1.25]
        poses, usable = poses[ranked], usable[ranked]
        chosen = self._apart(poses, np.arange(len(poses)), [], most)
        if more and len(poses):
            odds = HIT_ODDS * hits(poses, quads, self.plan) - len(self.plan.corners) * usable**2
            chosen = self._apart(poses, np.argsort(-odds, kind="stable"), chosen, len(chosen) + more)
        return np.asarray(poses[chosen])

    def _apart(self, poses: FloatArray, order: AnyArray, chosen: list[int], most: int) -> list[int]:
        """Add poses to the `chosen` in some order, up to `most`, that do not nearly repeat an earlier one."""
        centres = apply_homography(poses, self.plan.centres)
        least = 0.25 * np.sqrt(np.abs(np.linalg.det(poses[:, :2, :2]))) * self.plan.short_side
        free = np.ones(len(poses), dtype=bool)
        chosen = list(chosen)
        for place in chosen:
            free &= _mean_of_known(lengths(centres - centres[place])) > least
        for place in order:
            if len(chosen) >= most:
                break
            if free[place]:
                chosen.append(int(place))
                free &= _mean_of_known(lengths(centres - centres[place])) > least
        return chosen

    def verdict(self, pose: FloatArray, *, by_hand: bool = False) -> Verdict:
        """Refine a pose (card units to working pixels) and judge it."""
        corners = self.plan.corners
        side = self._suited(pose)
        picture, to_working = self.reduced(side)
        rough = np.linalg.inv(to_working) @ pose
        view = self._view(picture, self.light(side), rough)
        refined, colours, fit, hidden = view.refined, view.colours, view.fit, view.unknown[0]
        placed = refined.pose
        final = to_working @ placed
        final = final / final[2, 2]
        patches = apply_homography(final, corners.reshape(-1, 2)).reshape(-1, 4, 2)
        residual = fit.residual[0]
        shown = np.isfinite(residual)
        squares = float((np.minimum(residual[shown], MISFIT_CAP) ** 2).sum()) + COVERED_COST * hidden.sum()
        misfit = float(np.sqrt(squares / (shown | hidden).sum())) if shown.any() else 9.0
        most_spread = np.where(residual < SURE_RESIDUAL, SURE_SPREAD, SEEN_SPREAD)
        seen = (residual < SEEN_RESIDUAL) & (colours.spread[0] < most_spread)
        support = refined.support(self.sight.edges, shown, hidden)
        values = np.linalg.svd(np.nan_to_num(local_jacobian(final, self.plan.centres.mean(axis=0))))[1]
        height, width = self.photo.encoded.shape[:2]
        within = ((patches >= -0.5) & (patches < np.array([width, height]) - 0.5)).all(axis=(1, 2))
        pixels = float(np.median(np.nan_to_num(quad_sides(patches)).min(axis=1)))
        verdict = Verdict(
            pose=final,
            patches=patches,
            misfit=misfit,
            score=view.misfit + 2.0 * (1.0 - support),
            margin=self._margin(view),
            noise=view.noise,
            covered=int(hidden.sum()),
            support=support,
            blank=int(self.sight.blank(colours)[0].sum()),
            more=bool((self.sight.printed(colours)[1:] & self.sight.beyond).any()),
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

    def _view(self, picture: UInt8Array, light: Light, rough: FloatArray) -> View:
        """Refine a pose and read the colours; what lies over patches neither moves the pose nor counts as theirs."""
        edges, corners = self.sight.edges, self.plan.corners
        first = self._read(light, refine_pose(picture, rough, corners, edges))
        none: BoolArray = first.unknown[0]
        residual = first.fit.residual[0]
        doubtful: BoolArray = np.asarray(
            first.refined.overlaid(edges, none) | (residual >= DOUBTFUL_RESIDUAL)
        )
        least = max(LEAST_SURE, LEAST_SURE_SHARE * len(corners))
        if not doubtful.any() or np.sum(residual < SEEN_RESIDUAL) < least:
            return first
        covered: BoolArray = none
        for _ in range(DOUBTFUL_ROUNDS):
            if np.sum(~doubtful) < LEAST_SURE:
                return first
            # Where the edges of a patch are, and whether they are bare, is told by the pose of the others.
            refined = refine_pose(picture, first.refined.pose, corners, edges, without=doubtful)
            covered = refined.overlaid(edges, doubtful)
            if not (covered & ~doubtful).any():
                break
            doubtful = np.asarray(doubtful | covered)
        # what lies outside the picture is cut off, not covered
        covered = self.sight.may_be_covered(self._read(light, refined).colours, covered & doubtful)
        return self._read(light, refined, covered) if covered.any() else first

    def _read(self, light: Light, refined: Refined, covered: BoolArray | None = None) -> View:
        """Read the colours under a refined pose and its rivals; those of the patches `covered` (n,) are unknown."""
        sight = self.sight
        colours = sight.probe.read(light, refined.pose, sight.placements, self.photo.to_linear_srgb)
        relative = sight.only_patches(colours)
        unknown: BoolArray = np.zeros(relative.shape[:2], dtype=bool)
        if covered is not None:
            unknown = np.asarray((sight.lands & covered).any(axis=2))
            unknown[0] = covered
            relative[unknown] = np.nan
        return View(refined, colours, relative[0], colour_misfit(relative, sight.reference), unknown)

    def _margin(self, view: View) -> float:
        """By how many standard deviations the best rival order is worse.

        All orders have to explain the same patches: where a rival has plain paper and a patch is seen
        under the pose judged, the rival pays for it. One of another pitch pays for the edges, too. What is
        covered tells for none, and costs each the same.
        """
        fit, noise, hidden = view.fit, view.noise, view.unknown[0]
        seen = np.nan_to_num(np.linalg.norm(view.relative - PAPER, axis=1)) / PATCH_STD
        unexplained = (self.sight.uncovered * np.minimum(seen, MISFIT_CAP) ** 2).sum(axis=1)
        covered = view.unknown.sum(axis=1)
        total = (fit.squares - MISFIT_CAP**2 * covered) / noise + COVERED_COST * covered + fit.priors
        total[1:] += unexplained / noise
        for axis in (0, 1):
            of_axis = self.sight.stretched == axis
            if of_axis.any():
                total[1:][of_axis] += view.refined.agreement(self.sight.edges, axis, hidden)
        worst = len(self.plan.corners) * MISFIT_CAP**2
        return float(np.sqrt(max(total[1:].min(initial=worst) - total[0], 0.0)))

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


def _mean_of_known(values: FloatArray) -> FloatArray:
    """Return means along the last axis of what is a number, 0 where nothing is."""
    known = np.isfinite(values)
    return np.asarray(np.where(known, values, 0.0).sum(axis=-1) / np.maximum(known.sum(axis=-1), 1))
