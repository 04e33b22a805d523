"""From candidate quadrilaterals to possible poses of the whole chart.

Two sources. A quadrilateral may be one patch or a run of patches that merged (touching patches,
gaps lost to blur): its four corners give the pose. Two neighbouring quadrilaterals of like size
may be two neighbouring patches: eight corners give an affine pose, and the other quadrilaterals
that fall on predicted patches are counted and used to fit it better.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.locate.geometry import (
    apply_homography,
    fit_affine,
    fit_homography,
    local_jacobian,
    quad_sides,
    square_to_quads,
)

__all__ = ["ChartPlan", "possible_poses"]

# A card seen under 55 degrees is foreshortened by 1.75; steeper views are not readable anyway.
STEEPEST_FORESHORTENING = 1.9
# Patches closer than this share of their short side may merge into one quadrilateral.
MERGING_GAP = 0.35
# Poses kept from counting neighbours
COUNTED_POSES = 20


@dataclass(frozen=True, slots=True, eq=False)
class ChartPlan:
    """Geometry of a chart, prepared for locating (card units).

    Attributes
    ----------
    corners : array, shape (n, 4, 2)
    centres : array, shape (n, 2)
    runs : array, shape (r, 4, 2)
        Outer corners of every run of neighbouring patches, single patches first.
    run_lengths : array of int, shape (r,)
    pairs : array of int, shape (k, 2)
        Ordered pairs of neighbouring patches, both directions.
    short_side : float
        Median short side of a patch.
    """

    corners: FloatArray
    centres: FloatArray
    runs: FloatArray
    run_lengths: AnyArray
    pairs: AnyArray
    short_side: float

    @classmethod
    def of(cls, corners: FloatArray) -> ChartPlan:
        """Prepare patches given by corners (n, 4, 2)."""
        sides = quad_sides(corners)
        chains = _chains(corners)
        runs, lengths = [*corners], [1] * len(corners)
        pairs: list[tuple[int, int]] = []
        for chain, across in chains:
            pairs += [(a, b) for a, b in pairwise(chain)]
            pairs += [(b, a) for a, b in pairwise(chain)]
            for start in range(len(chain)):
                for stop in range(start + 1, len(chain)):
                    if _gap(corners, chain[stop - 1], chain[stop], across) > MERGING_GAP:
                        break
                    first, last = corners[chain[start]], corners[chain[stop]]
                    order = (
                        [first[0], last[1], last[2], first[3]]
                        if across
                        else [first[0], first[1], last[2], last[3]]
                    )
                    runs.append(np.array(order))
                    lengths.append(stop - start + 1)
        return cls(
            corners=corners,
            centres=corners.mean(axis=1),
            runs=np.array(runs),
            run_lengths=np.array(lengths),
            pairs=np.array(pairs, dtype=int).reshape(-1, 2),
            short_side=float(np.median(sides.min(axis=1))),
        )


def _gap(corners: FloatArray, first: int, second: int, across: bool) -> float:
    """Distance between two neighbouring patches as a share of their short side."""
    axis = 0 if across else 1
    space = corners[second][:, axis].min() - corners[first][:, axis].max()
    return float(space / quad_sides(corners[first]).min())


def _chains(corners: FloatArray) -> list[tuple[list[int], bool]]:
    """Return lines of neighbours: (patch indices in order, True when they run across)."""
    low, high = corners.min(axis=1), corners.max(axis=1)
    centre, size = (low + high) / 2.0, high - low
    chains: list[tuple[list[int], bool]] = []
    for axis in (0, 1):
        other = 1 - axis
        left = set(range(len(corners)))
        while left:
            seed = min(left)
            line = [
                i
                for i in left
                if abs(centre[i, other] - centre[seed, other]) < 0.3 * size[seed, other]
                and 0.7 < size[i, other] / size[seed, other] < 1.43
            ]
            left -= set(line)
            line.sort(key=lambda i: centre[i, axis])
            if len(line) > 1:
                chains.append((line, axis == 0))
    return chains


def possible_poses(quads: FloatArray, plan: ChartPlan) -> FloatArray:
    """Return homographies card -> picture (m, 3, 3) worth a look at the colours."""
    if not len(quads):
        return np.zeros((0, 3, 3))
    poses = [*_poses_from_runs(quads, plan), *_poses_from_pairs(quads, plan)]
    return np.array(poses).reshape(-1, 3, 3)


def _upright_enough(homographies: FloatArray, plan: ChartPlan) -> BoolArray:
    """Which poses (m, 3, 3) neither mirror nor foreshorten the card beyond what can be read."""
    jacobian = local_jacobian(homographies, plan.centres.mean(axis=0))
    values = np.linalg.svd(np.nan_to_num(jacobian), compute_uv=False)
    turned = np.linalg.det(np.nan_to_num(jacobian)) > 0
    return np.asarray(turned & (values[..., 0] < STEEPEST_FORESHORTENING * values[..., 1]))


def _poses_from_runs(quads: FloatArray, plan: ChartPlan) -> list[FloatArray]:
    """Poses in which one quadrilateral is one run of the chart, in any of four turns."""
    turned = np.stack([np.roll(quads, -k, axis=1) for k in range(4)], axis=1).reshape(-1, 4, 2)
    sides = quad_sides(turned)
    poses: list[FloatArray] = []
    for run, length in zip(plan.runs, plan.run_lengths, strict=True):
        want = quad_sides(run)
        stretch = (sides[:, 0] / sides[:, 1]) / (want[0] / want[1])
        fits = np.abs(np.log(stretch)) < np.log(STEEPEST_FORESHORTENING)
        affine = fit_affine(run, turned[fits])
        good = _upright_enough(affine, plan)
        if length > 2:
            # a long run shows its perspective, a single patch only its noise
            to_square = np.linalg.inv(square_to_quads(run))
            poses += list(square_to_quads(turned[fits][good]) @ to_square)
        else:
            poses += list(affine[good])
    return poses


def _poses_from_pairs(quads: FloatArray, plan: ChartPlan) -> list[FloatArray]:
    """Poses in which two neighbouring quadrilaterals are two neighbouring patches."""
    if len(quads) < 2 or not len(plan.pairs):
        return []
    couples = _couples(quads)
    if not len(couples):
        return []
    along = quads[couples[:, 1]].mean(axis=1) - quads[couples[:, 0]].mean(axis=1)
    target = np.concatenate(
        [_facing(quads[couples[:, 0]], along), _facing(quads[couples[:, 1]], along)], axis=1
    )
    found: list[FloatArray] = []
    for first, second in plan.pairs:
        card = plan.corners[[first, second]]
        step = np.repeat((card[1].mean(axis=0) - card[0].mean(axis=0))[None], 2, axis=0)
        source = _facing(card, step).reshape(8, 2)
        affine = fit_affine(source, target)
        miss = np.linalg.norm(apply_homography(affine, source) - target, axis=-1).mean(axis=-1)
        scale = np.sqrt(np.abs(np.linalg.det(affine[:, :2, :2]))) * plan.short_side
        found.append(affine[(miss < 0.12 * scale) & _upright_enough(affine, plan)])
    poses = np.concatenate(found)
    return _grown_poses(poses, quads, plan) if len(poses) else []


def _couples(quads: FloatArray) -> AnyArray:
    """Return ordered pairs (k, 2) of quadrilaterals of like size that lie side by side."""
    centre = quads.mean(axis=1)
    side = np.sqrt(quad_sides(quads).prod(axis=1))
    distance = np.linalg.norm(centre[:, None] - centre[None], axis=2)
    reach = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2).max(axis=1)
    like = np.abs(np.log(side[:, None] / side[None])) < 0.25
    near = (distance > 0.5 * side[:, None]) & (distance < 2.6 * reach[:, None])
    return np.argwhere(like & near)


def _facing(quads: FloatArray, along: FloatArray) -> FloatArray:
    """Roll the corners of each quad (k, 4, 2) so that corner 0 is top-left when `along` points right."""
    direction = along / np.linalg.norm(along, axis=1, keepdims=True)
    middle = quads.mean(axis=1, keepdims=True)
    right = ((quads - middle) * direction[:, None]).sum(axis=2)
    normal = np.stack([-direction[:, 1], direction[:, 0]], axis=1)
    down = ((quads - middle) * normal[:, None]).sum(axis=2)
    start = np.argmin(right + down, axis=1)
    index = (start[:, None] + np.arange(4)[None]) % 4
    return np.asarray(np.take_along_axis(quads, index[:, :, None], axis=1))


def _grown_poses(poses: FloatArray, quads: FloatArray, plan: ChartPlan) -> list[FloatArray]:
    """Keep the poses with most quadrilaterals on predicted patches; refit each to those."""
    nearest, hit = _matches(poses, quads, plan)
    count = hit.sum(axis=1)
    centres = apply_homography(poses, plan.centres)
    best: list[int] = []
    for k in np.argsort(-count, kind="stable"):
        size = np.sqrt(abs(np.linalg.det(poses[k, :2, :2]))) * plan.short_side
        apart = np.linalg.norm(centres[best] - centres[k], axis=2).mean(axis=1)
        if apart.min(initial=np.inf) > 0.35 * size:
            best.append(int(k))
        if len(best) == COUNTED_POSES:
            break
    result: list[FloatArray] = []
    for k in best:
        pose, near, hits = poses[k], nearest[k], hit[k]
        for _ in range(2):
            if hits.sum() < 2:
                break
            source = plan.corners[hits].reshape(-1, 2)
            target = _corners_like(apply_homography(pose, source).reshape(-1, 4, 2), quads[near[hits]])
            fit = fit_homography if hits.sum() >= 4 else fit_affine
            pose = fit(source, target.reshape(-1, 2))
            again = _matches(pose[None], quads, plan)
            near, hits = again[0][0], again[1][0]
        result.append(pose)
    kept = np.array(result)
    return list(kept[_upright_enough(kept, plan)])


def _matches(poses: FloatArray, quads: FloatArray, plan: ChartPlan) -> tuple[AnyArray, BoolArray]:
    """Nearest quadrilateral to each predicted patch (m, n) and whether it agrees in place and size."""
    centre, size = quads.mean(axis=1), quad_sides(quads).prod(axis=1)
    predicted = apply_homography(poses, plan.corners.reshape(-1, 2)).reshape(len(poses), -1, 4, 2)
    area = quad_sides(predicted).prod(axis=2)
    middle = predicted.mean(axis=2)
    like = np.abs(np.log(size[None, None] / np.maximum(area, 1e-6)[..., None])) < 0.5
    distance = np.linalg.norm(middle[:, :, None] - centre[None, None], axis=3)
    distance = np.where(like, np.nan_to_num(distance, nan=np.inf), np.inf)
    nearest = np.argmin(distance, axis=2)
    gap = np.take_along_axis(distance, nearest[..., None], axis=2)[..., 0]
    return nearest, gap < 0.3 * np.sqrt(area)


def _corners_like(predicted: FloatArray, quads: FloatArray) -> FloatArray:
    """Roll each quad (k, 4, 2) so that its corners lie nearest to the predicted ones."""
    turns = np.stack([np.roll(quads, -k, axis=1) for k in range(4)], axis=1)
    miss = np.linalg.norm(turns - predicted[:, None], axis=3).sum(axis=2)
    return np.asarray(turns[np.arange(len(quads)), np.argmin(miss, axis=1)])
