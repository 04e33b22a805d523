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
    affine_maps,
    affine_solver,
    apply_homography,
    fit_affine,
    fit_homographies,
    lengths,
    local_jacobian,
    quad_sides,
    square_to_quads,
)

__all__ = ["ChartPlan", "hits", "possible_poses"]

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
    run_solver, run_to_square : array, shape (r, 3, 4) and (r, 3, 3)
        From where the corners of a run are seen to the affine map (`affine_solver`), and from a run
        to the unit square.
    pairs : array of int, shape (k, 2)
        Ordered pairs of neighbouring patches, both directions.
    pair_solver, pair_misfit : array, shape (k, 3, 8) and (k, 8, 8)
        The same for the corners of both patches as seen along the pair, and from where they are seen to
        how far the affine map misses them.
    short_side : float
        Median short side of a patch.
    """

    corners: FloatArray
    centres: FloatArray
    runs: FloatArray
    run_lengths: AnyArray
    run_solver: FloatArray
    run_to_square: FloatArray
    pairs: AnyArray
    pair_solver: FloatArray
    pair_misfit: FloatArray
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
        along = np.array(pairs, dtype=int).reshape(-1, 2)
        points = _pair_points(corners, along)
        outer, solver = np.array(runs), affine_solver(points)
        return cls(
            corners=corners,
            centres=corners.mean(axis=1),
            runs=outer,
            run_lengths=np.array(lengths),
            run_solver=affine_solver(outer),
            run_to_square=np.asarray(np.linalg.inv(square_to_quads(outer)), dtype=np.float64),
            pairs=along,
            pair_solver=solver,
            pair_misfit=np.concatenate([points, np.ones((len(points), 8, 1))], axis=2) @ solver - np.eye(8),
            short_side=float(np.median(sides.min(axis=1))),
        )


def _pair_points(corners: FloatArray, pairs: AnyArray) -> FloatArray:
    """Return the corners (k, 8, 2) of pairs of patches, each turned to face from the first to the second."""
    first, second = corners[pairs[:, 0]], corners[pairs[:, 1]]
    along = second.mean(axis=1) - first.mean(axis=1)
    return np.concatenate([_facing(first, along), _facing(second, along)], axis=1)


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
    return np.concatenate([_poses_from_runs(quads, plan), _poses_from_pairs(quads, plan)])


def _upright_enough(jacobian: FloatArray) -> BoolArray:
    """Which maps (..., 2, 2) neither mirror nor foreshorten the card beyond what can be read.

    The ratio q of the singular values follows from their product, the determinant, and from the sum of
    their squares, the sum of the squared elements: q + 1/q is the quotient of the two.
    """
    (a, b), (c, d) = np.moveaxis(np.nan_to_num(jacobian), (-2, -1), (0, 1))
    area = a * d - b * c
    most = STEEPEST_FORESHORTENING + 1.0 / STEEPEST_FORESHORTENING
    return np.asarray((area > 0) & (a * a + b * b + c * c + d * d < most * area))


def _poses_from_runs(quads: FloatArray, plan: ChartPlan) -> FloatArray:
    """Poses in which one quadrilateral is one run of the chart, in any of four turns."""
    turned = np.stack([np.roll(quads, -k, axis=1) for k in range(4)], axis=1).reshape(-1, 4, 2)
    sides, want = quad_sides(turned), quad_sides(plan.runs)
    stretch = (sides[:, 0] / sides[:, 1]) / (want[:, 0] / want[:, 1])[:, None]
    run, quad = np.nonzero(np.abs(np.log(stretch)) < np.log(STEEPEST_FORESHORTENING))
    poses = affine_maps(plan.run_solver[run] @ turned[quad])
    good = _upright_enough(poses[:, :2, :2])
    run, quad, poses = run[good], quad[good], poses[good]
    # a long run shows its perspective, a single patch only its noise
    long = plan.run_lengths[run] > 2
    poses[long] = square_to_quads(turned[quad[long]]) @ plan.run_to_square[run[long]]
    return poses


def _poses_from_pairs(quads: FloatArray, plan: ChartPlan) -> FloatArray:
    """Poses in which two neighbouring quadrilaterals are two neighbouring patches."""
    none = np.zeros((0, 3, 3))
    if len(quads) < 2 or not len(plan.pairs):
        return none
    couples = _couples(quads)
    if not len(couples):
        return none
    along = quads[couples[:, 1]].mean(axis=1) - quads[couples[:, 0]].mean(axis=1)
    target = np.concatenate(
        [_facing(quads[couples[:, 0]], along), _facing(quads[couples[:, 1]], along)], axis=1
    )
    # All pairs with all couples in one product of matrices each: (pairs, .., couples, 2).
    points = target.swapaxes(0, 1).reshape(8, -1)
    coefficients, miss = (
        (part.reshape(-1, 8) @ points).reshape(*part.shape[:2], len(couples), 2)
        for part in (plan.pair_solver, plan.pair_misfit)
    )
    jacobian = coefficients[:, :2].transpose(0, 2, 3, 1)
    scale = np.sqrt(np.abs(np.linalg.det(jacobian))) * plan.short_side
    good = (lengths(miss).mean(axis=1) < 0.12 * scale) & _upright_enough(jacobian)
    poses = affine_maps(coefficients.swapaxes(1, 2)[good])
    return _grown_poses(poses, quads, plan) if len(poses) else none


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


def _grown_poses(poses: FloatArray, quads: FloatArray, plan: ChartPlan) -> FloatArray:
    """Keep the poses with most quadrilaterals on predicted patches; refit each to those."""
    nearest, hit = _matches(poses, quads, plan)
    best = _apart(poses, hit.sum(axis=1), plan)
    poses, nearest, hit = poses[best], nearest[best], hit[best]
    for _ in range(2):
        predicted = apply_homography(poses, plan.corners.reshape(-1, 2)).reshape(len(poses), -1, 4, 2)
        poses = _refitted(poses, _corners_like(predicted, quads[nearest]), hit, plan)
        nearest, hit = _matches(poses, quads, plan)
    return poses[_upright_enough(local_jacobian(poses, plan.centres.mean(axis=0)))]


def _apart(poses: FloatArray, count: AnyArray, plan: ChartPlan) -> list[int]:
    """Choose the poses of highest count that do not nearly repeat an earlier one."""
    centres = apply_homography(poses, plan.centres)
    least = 0.35 * np.sqrt(np.abs(np.linalg.det(poses[:, :2, :2]))) * plan.short_side
    free = np.ones(len(poses), dtype=bool)
    best: list[int] = []
    for k in np.argsort(-count, kind="stable"):
        if free[k]:
            best.append(int(k))
            if len(best) == COUNTED_POSES:
                break
            free &= lengths(centres - centres[k]).mean(axis=1) > least
    return best


def _refitted(poses: FloatArray, target: FloatArray, hit: BoolArray, plan: ChartPlan) -> FloatArray:
    """Fit poses to quadrilaterals (m, n, 4, 2) at the patches that are hit (m, n)."""
    source = plan.corners.reshape(-1, 2)
    target = target.reshape(len(poses), -1, 2)
    used = np.repeat(hit, 4, axis=1)
    count = hit.sum(axis=1)
    poses = poses.copy()
    many = count >= 4
    if many.any():
        poses[many] = fit_homographies(source, target[many], used[many])
    for k in np.nonzero((count >= 2) & ~many)[0]:
        poses[k] = fit_affine(source[used[k]], target[k, used[k]])
    return poses


def hits(poses: FloatArray, quads: FloatArray, plan: ChartPlan) -> AnyArray:
    """Count the patches that lie on quadrilaterals of their size under poses (m, 3, 3); shape (m,)."""
    return np.asarray(_matches(poses, quads, plan)[1].sum(axis=1))


def _matches(poses: FloatArray, quads: FloatArray, plan: ChartPlan) -> tuple[AnyArray, BoolArray]:
    """Nearest quadrilateral to each predicted patch (m, n) and whether it agrees in place and size."""
    centre, size = quads.mean(axis=1), quad_sides(quads).prod(axis=1)
    predicted = apply_homography(poses, plan.corners.reshape(-1, 2)).reshape(len(poses), -1, 4, 2)
    sides = quad_sides(predicted)
    area = sides[..., 0] * sides[..., 1]
    x, y = predicted[..., 0].mean(axis=2), predicted[..., 1].mean(axis=2)
    like = np.abs(np.log(size) - np.log(np.maximum(area, 1e-6))[..., None]) < 0.5
    distance = (x[..., None] - centre[:, 0]) ** 2 + (y[..., None] - centre[:, 1]) ** 2
    distance[~(like & np.isfinite(distance))] = np.inf
    nearest = np.argmin(distance, axis=2)
    gap = np.take_along_axis(distance, nearest[..., None], axis=2)[..., 0]
    return nearest, gap < 0.09 * area


def _corners_like(predicted: FloatArray, quads: FloatArray) -> FloatArray:
    """Roll each quad (..., 4, 2) so that its corners lie nearest to the predicted ones."""
    turns = (np.arange(4)[:, None] + np.arange(4)) % 4
    turned = quads[..., turns, :]
    miss = lengths(turned - predicted[..., None, :, :]).sum(axis=-1)
    best = np.argmin(miss, axis=-1)[..., None, None, None]
    return np.asarray(np.take_along_axis(turned, best, axis=-3)[..., 0, :, :])
