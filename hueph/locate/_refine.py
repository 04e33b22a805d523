"""Bring a rough pose of the chart onto the edges of its patches, to a fraction of a pixel.

The neighbourhood of the chart is rectified into card coordinates, where every patch edge is known
to run straight; the shift of each half edge along its normal is measured on a profile averaged
over the half edge; a robust fit of a small homography moves the pose; and again, with narrower
windows, at once with the narrowest where hardly a shift is left unexplained.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._medians import medians, quantiles
from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray, UInt8Array
from hueph.locate.geometry import apply_homography, quad_sides, square_to_quads

__all__ = ["EdgeSet", "Refined", "edge_set", "refine_pose"]

# search half-widths of successive rounds, shares of the short side of a patch
WINDOWS = (0.45, 0.3, 0.2, 0.14)
# What a fit leaves of the shifts, share of a patch's short side, and the share of visible edges found,
# where the next round is the last.
SETTLED_ERROR, SETTLED_SHARE = 0.015, 0.9
# resolution of the rectified picture, pixels along the short side of a patch
FINEST, COARSEST = 30.0, 8.0
# an edge counts as visible when its colour step exceeds this many codes of 255
LEAST_STEP = 5.0
# A slope this many times the noise is an edge; one that many times, an edge that cannot be missed.
LEAST_SEEN, SURELY_SEEN = 2.5, 5.0
# half edges that have to be found in each direction: two ends of two halves
LEAST_EDGES = 4
# paper between patches wider than this shows its own colour, rectified pixels
WIDE_GAP = 4.0
# how often a visible edge is found where it is, and where none is (estimated on drawn cards)
FOUND, BY_CHANCE = 0.9, 0.2
ALONG = 9
# where the colour of a patch is looked at, shares of its sides
MIDDLE = np.linspace(0.28, 0.72, 7)


@dataclass(frozen=True, slots=True, eq=False)
class EdgeSet:
    """Half edges of the patches of a chart, card units.

    Attributes
    ----------
    middle, normal, along : array, shape (e, 2)
        Middle of the half edge, outward unit normal, vector along the half edge.
    patch, beyond : array of int, shape (e,)
        The patch it bounds; the patch that touches it outside, or -1 for paper.
    reach : array, shape (e,)
        Short side of the patch.
    gap : array, shape (e,)
        Width of the paper between the patch and the next one outside; infinite where there is none.
    """

    middle: FloatArray
    normal: FloatArray
    along: FloatArray
    patch: AnyArray
    beyond: AnyArray
    reach: FloatArray
    gap: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """A refined pose.

    Attributes
    ----------
    pose : array, shape (3, 3)
        Card units to pixels of the picture given.
    visible, found : array of bool, shape (e,)
        Half edges that ought to be visible, and those of them found where they should be.
    error : float
        Root mean square of what is left at supported edges, shares of a patch's short side.
    blur : float
        Median 10 to 90 % width of supported edges, pixels of the picture given.
    """

    pose: FloatArray
    visible: BoolArray
    found: BoolArray
    error: float
    blur: float

    def agreement(self, edges: EdgeSet, axis: int) -> float:
        """How clearly the edges between the ends say that the pose is not too long or short along an axis.

        The log of how much likelier what was found is under this pose than under one of another pitch
        (once, not twice: near the end they share, both have the same edges). An edge between touching
        patches is one edge, though both have it.
        """
        across = np.abs(edges.normal[:, axis]) > np.abs(edges.normal[:, 1 - axis])
        place = edges.middle[:, axis]
        low, high = place[across].min(), place[across].max()
        inner = across & (place > low + 0.3 * edges.reach) & (place < high - 0.3 * edges.reach)
        weight = np.where(edges.beyond >= 0, 0.5, 1.0)
        gain = np.where(self.found, np.log(FOUND / BY_CHANCE), np.log((1 - FOUND) / (1 - BY_CHANCE)))
        return float((weight * gain)[inner & self.visible].sum())

    def support(self, edges: EdgeSet, patches: BoolArray) -> float:
        """Share of visible half edges of some patches (n,) that were found.

        The lesser of the two directions: a run of patches read as too many has its long sides right.
        """
        upright = np.abs(edges.normal[:, 0]) > np.abs(edges.normal[:, 1])
        shares = []
        for part in (upright, ~upright):
            expected = self.visible & part & patches[edges.patch]
            shares.append((self.found & expected).sum() / max(expected.sum(), LEAST_EDGES))
        return float(min(shares))


def edge_set(corners: FloatArray) -> EdgeSet:
    """List the half edges of patches (n, 4, 2)."""
    rows: list[tuple[FloatArray, FloatArray, FloatArray, int, int, float, float]] = []
    low, high = corners.min(axis=1), corners.max(axis=1)
    for index, quad in enumerate(corners):
        short = float(quad_sides(quad).min())
        for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            normal = np.array([(b - a)[1], -(b - a)[0]]) / np.linalg.norm(b - a)
            outside = (a + b) / 2.0 + normal * 0.06 * short
            touching = ((outside > low) & (outside < high)).all(axis=1).nonzero()[0]
            beyond = int(touching[0]) if len(touching) else -1
            gap = _gap((a + b) / 2.0, normal, low, high)
            for start, stop in ((0.12, 0.5), (0.5, 0.88)):
                middle = a + (b - a) * (start + stop) / 2.0
                rows.append((middle, normal, (b - a) * (stop - start), index, beyond, short, gap))
    middle, normal, along, patch, beyond_, reach, gaps = (list(column) for column in zip(*rows, strict=True))
    return EdgeSet(
        np.array(middle), np.array(normal), np.array(along), np.array(patch), np.array(beyond_),
        np.array(reach), np.array(gaps),
    )  # fmt: skip


def _gap(point: FloatArray, normal: FloatArray, low: FloatArray, high: FloatArray) -> float:
    """Distance from the middle of an edge, outwards, to the next of some upright patches; infinite without one."""
    axis = int(np.argmax(np.abs(normal)))
    other = 1 - axis
    abreast = (low[:, other] < point[other]) & (high[:, other] > point[other])
    near = (low if normal[axis] > 0 else -high)[:, axis] - np.sign(normal[axis]) * point[axis]
    ahead = near[abreast & (near > -1e-9)]
    return float(ahead.min()) if len(ahead) else np.inf


def refine_pose(picture: UInt8Array, pose: FloatArray, corners: FloatArray, edges: EdgeSet) -> Refined:
    """Refine a pose (card units to pixels of `picture`, 8-bit encoded) on the patch edges."""
    nothing = np.zeros(len(edges.patch), dtype=bool)
    lost = Refined(pose, nothing, nothing, np.inf, 0.0)
    found, visible, error, blur = nothing, nothing, np.inf, 0.0
    windows = list(WINDOWS)
    while windows:
        share = windows.pop(0)
        scale = _rectified_scale(pose, corners)
        if scale is None:
            return lost
        patch, to_card = _rectify(picture, pose, corners, scale)
        shift, weight, visible, width = _edge_shifts(patch, to_card, edges, scale, share, corners)
        if weight.sum() <= 0 or (weight > 0).sum() < 6:
            return lost
        move, left = _small_homography(edges, shift, weight)
        good = (weight > 0) & (np.abs(left) < 0.1 * edges.reach)
        found = good & visible
        error = float(np.sqrt(np.mean((left[good] / edges.reach[good]) ** 2))) if good.any() else np.inf
        blur = float(medians(width[good])) if good.any() else 0.0
        pose = pose @ move
        pose = pose / pose[2, 2]
        if error < SETTLED_ERROR and found.sum() >= SETTLED_SHARE * visible.sum():
            windows = windows[-1:]
    pixels = _pixels_per_unit(pose, corners)
    return Refined(pose, visible, found, error, blur * pixels / scale if scale else 0.0)


def _pixels_per_unit(pose: FloatArray, corners: FloatArray) -> float:
    """Mean picture pixels per card unit over the patches; nan for an impossible pose."""
    placed = apply_homography(pose, corners.reshape(-1, 2)).reshape(-1, 4, 2)
    return float(np.mean(quad_sides(placed) / quad_sides(corners)))


def _rectified_scale(pose: FloatArray, corners: FloatArray) -> float | None:
    """Rectified pixels per card unit, or None when the pose is impossible or far too small."""
    per_unit = _pixels_per_unit(pose, corners)
    short = float(medians(quad_sides(corners).min(axis=1)))
    if not np.isfinite(per_unit) or per_unit * short < 2.0:
        return None
    return float(np.clip(per_unit * short, COARSEST, FINEST) / short)


def _rectify(
    picture: UInt8Array, pose: FloatArray, corners: FloatArray, scale: float
) -> tuple[Float32Array, FloatArray]:
    """Warp the surroundings of the patches upright; also return the origin in card units."""
    import cv2

    points = corners.reshape(-1, 2)
    margin = 0.7 * float(medians(quad_sides(corners).min(axis=1)))
    low, high = points.min(axis=0) - margin, points.max(axis=0) + margin
    size = np.ceil((high - low) * scale).astype(int) + 1
    to_card = np.array([[1 / scale, 0, low[0]], [0, 1 / scale, low[1]], [0, 0, 1.0]])
    warped = cv2.warpPerspective(
        picture, pose @ to_card, (int(size[0]), int(size[1])),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return cv2.GaussianBlur(warped, (0, 0), 0.8).astype(np.float32), low


def _edge_shifts(
    patch: Float32Array,
    origin: FloatArray,
    edges: EdgeSet,
    scale: float,
    share: float,
    corners: FloatArray,
) -> tuple[FloatArray, FloatArray, AnyArray, FloatArray]:
    """Shift (card units), weight, ought-to-be-visible and width (rectified pixels) of each half edge."""
    import cv2

    half = max(3, round(share * float(medians(edges.reach)) * scale))
    steps = np.arange(-half - 1, half + 2) / scale
    along = (np.arange(ALONG) / (ALONG - 1) - 0.5)[:, None] * edges.along[:, None]
    lines = (edges.middle[:, None] + along - origin) * scale
    outward = (steps * scale)[:, None] * edges.normal[:, None]
    x, y = (
        (lines[:, :, None, axis] + outward[:, None, :, axis]).astype(np.float32).reshape(len(edges.patch), -1)
        for axis in (0, 1)
    )
    values = cv2.remap(patch, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    values = values.reshape(len(edges.patch), ALONG, len(steps), 3)
    profile = values.mean(axis=1)
    inner = _patch_colours(patch, origin, scale, corners)
    paper = _paper_colour(patch)
    own = inner[edges.patch]
    other = np.where(edges.beyond[:, None] >= 0, inner[edges.beyond], paper)
    step = other - own
    size = np.linalg.norm(step, axis=1)
    direction = step / np.maximum(size, 1e-6)[:, None]
    # a strip of paper narrower than the blur shows by a share of its colour only
    size = size * np.where(edges.beyond < 0, np.clip(edges.gap * scale / WIDE_GAP, 0.0, 1.0), 1.0)
    visible = size > LEAST_STEP
    slope = np.einsum("etc,ec->et", profile[:, 2:] - profile[:, :-2], direction) / 2.0
    prior = np.exp(-0.5 * (np.arange(-half, half + 1) / (0.7 * half)) ** 2)
    index = np.argmax(slope * prior, axis=1)
    rows = np.arange(len(index))
    inside = np.clip(index, 1, slope.shape[1] - 2)
    before, at_peak, after = (slope[rows, inside + k] for k in (-1, 0, 1))
    curve = before - 2 * at_peak + after
    fine = np.where(np.abs(curve) > 1e-6, 0.5 * (before - after) / np.where(curve == 0, 1, curve), 0.0)
    shift = (inside - half + np.clip(fine, -0.6, 0.6)) / scale
    quiet = slope[:, : max(2, half // 2)]
    noise = float(medians(np.abs(quiet - medians(quiet)[:, None]).ravel())) + 0.4
    width = 0.8 * size / np.maximum(at_peak, 1e-6)
    # a step that would drown in the noise, were it as sharp as the others, is not to be expected
    drowned = SURELY_SEEN * noise
    visible &= 0.8 * size > drowned * _usual_width(width, visible & (at_peak > drowned))
    strong = (
        visible
        & (at_peak > 0.1 * size)
        & (at_peak > LEAST_SEEN * noise)
        & (index > 0)
        & (index < slope.shape[1] - 1)
    )
    weight = np.where(strong, np.minimum(at_peak, 40.0), 0.0)
    return shift, weight, visible, width


def _usual_width(width: FloatArray, clear: BoolArray) -> float:
    """Median width, rectified pixels, of the edges clearly seen; 0 where none is."""
    return float(medians(width[clear])) if clear.any() else 0.0


def _patch_colours(patch: Float32Array, origin: FloatArray, scale: float, corners: FloatArray) -> FloatArray:
    """Median colour of points over the middle half of each patch in the rectified picture, (n, 3)."""
    low = (corners.min(axis=1) - origin) * scale
    size = (corners.max(axis=1) - origin) * scale - low
    x, y = ((low[:, axis, None] + size[:, axis, None] * MIDDLE).astype(int) for axis in (0, 1))
    points = patch[y[:, :, None], x[:, None]].reshape(len(corners), -1, 3)
    return np.asarray(medians(np.ascontiguousarray(points.swapaxes(1, 2))), dtype=np.float64)


def _paper_colour(patch: Float32Array) -> FloatArray:
    """Colour of the paper around: bright, yet not the brightest (glare, noise)."""
    channels = np.ascontiguousarray(patch[::2, ::2].transpose(2, 0, 1)).reshape(3, -1)
    brightness = channels[0] + channels[1] + channels[2]
    low, high = (quantiles(brightness, share) for share in (0.7, 0.9))
    chosen = np.compress((brightness >= low) & (brightness <= high), channels, axis=1)
    return np.asarray(medians(chosen), dtype=np.float64)


def _small_homography(edges: EdgeSet, shift: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit the homography near identity (card units) that explains the shifts; also what is left."""
    centre = edges.middle.mean(axis=0)
    size = float(np.abs(edges.middle - centre).max())
    p = (edges.middle - centre) / size
    n = edges.normal
    x, y = p[:, 0], p[:, 1]
    along = n[:, 0] * x + n[:, 1] * y
    design = np.column_stack(
        [n[:, 0], n[:, 0] * x, n[:, 0] * y, n[:, 1], n[:, 1] * x, n[:, 1] * y, along * x, along * y]
    )
    target = shift / size
    unit = float(medians(edges.reach)) / size
    # shears and keystone of more than a patch over half the strip do not occur in one round
    prior = np.diag([1e-6, 1e-4, 1e-4, 1e-6, 1e-4, 1e-4, 3e-2, 3e-2]) * max(float(weight.sum()), 1.0)
    robust = weight.copy()
    solution = np.zeros(8)
    for spread in (0.2, 0.12, 0.08, 0.08, 0.08):
        scaled = design * robust[:, None]
        solution = np.linalg.solve(scaled.T @ design + prior, scaled.T @ target)
        left = target - design @ solution
        robust = weight / (1.0 + (left / (spread * unit)) ** 2) ** 2
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=np.float64)
    sx, sy = square[:, 0], square[:, 1]
    a = solution
    moved = square + np.column_stack(
        [
            a[0] + a[1] * sx + a[2] * sy + a[6] * sx * sx + a[7] * sx * sy,
            a[3] + a[4] * sx + a[5] * sy + a[6] * sx * sy + a[7] * sy * sy,
        ]
    )
    before, after = square_to_quads(np.stack([square, moved]) * size + centre)
    return after @ np.linalg.inv(before), np.asarray((target - design @ a) * size)
