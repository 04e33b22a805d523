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
from hueph.locate._edges import EdgeSet
from hueph.locate.geometry import apply_homography, quad_sides, square_to_quads

__all__ = ["Refined", "refine_pose"]

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
# Colours on both sides of an edge are compared this far from it: share of a patch's short side, but at least
# this many rectified pixels. A step of less than this share of the usual one is none.
ACROSS, LEAST_ACROSS = 0.05, 1.0
STEP_SHARE = 0.4
# a patch is covered when something runs across this share of its visible edges
CROSSED_SHARE = 0.5
ALONG = 9
# where the colour of a patch is looked at, shares of its sides
MIDDLE = np.linspace(0.28, 0.72, 7)


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """A refined pose.

    Attributes
    ----------
    pose : array, shape (3, 3)
        Card units to pixels of the picture given.
    visible, found : array of bool, shape (e,)
        Half edges that ought to be visible, and those of them found where they should be.
    crossed : array of bool, shape (e,)
        Those that ought to be visible, where the same colour lies on both sides.
    error : float
        Root mean square of what is left at supported edges, shares of a patch's short side.
    blur : float
        Median 10 to 90 % width of supported edges, pixels of the picture given.
    """

    pose: FloatArray
    visible: BoolArray
    found: BoolArray
    crossed: BoolArray
    error: float
    blur: float

    def overlaid(self, edges: EdgeSet, doubtful: BoolArray) -> BoolArray:
        """Which patches (n,) something lies over: it runs across their edges, in each direction that shows any.

        What lies over the `doubtful` (n,) may reach across the edges of others that face them.
        """
        count = len(doubtful)
        upright = np.abs(edges.normal[:, 0]) > np.abs(edges.normal[:, 1])
        told = self.visible & (doubtful[edges.patch] | ~edges.facing(doubtful))
        total = np.zeros(count)
        over = np.ones(count, dtype=bool)
        for part in (upright, ~upright):
            expected = np.bincount(edges.patch, told & part, count)
            total += expected
            over &= np.bincount(edges.patch, self.crossed & told & part, count) >= CROSSED_SHARE * expected
        return np.asarray(over & (total >= LEAST_EDGES))

    def agreement(self, edges: EdgeSet, axis: int, hidden: BoolArray) -> float:
        """How clearly the edges between the ends say that the pose is not too long or short along an axis.

        The log of how much likelier what was found is under this pose than under one of another pitch
        (once, not twice: near the end they share, both have the same edges). An edge between touching
        patches is one edge, though both have it. Edges of the patches `hidden` (n,) tell nothing.
        """
        across = np.abs(edges.normal[:, axis]) > np.abs(edges.normal[:, 1 - axis])
        place = edges.middle[:, axis]
        low, high = place[across].min(), place[across].max()
        bare = ~(hidden[edges.patch] | edges.facing(hidden))
        inner = across & bare & (place > low + 0.3 * edges.reach) & (place < high - 0.3 * edges.reach)
        weight = np.where(edges.beyond >= 0, 0.5, 1.0)
        gain = np.where(self.found, np.log(FOUND / BY_CHANCE), np.log((1 - FOUND) / (1 - BY_CHANCE)))
        return float((weight * gain)[inner & self.visible].sum())

    def support(self, edges: EdgeSet, patches: BoolArray, hidden: BoolArray) -> float:
        """Share of visible half edges of some patches (n,) that were found, but for those that face the `hidden` (n,).

        The lesser of the two directions: a run of patches read as too many has its long sides right.
        """
        upright = np.abs(edges.normal[:, 0]) > np.abs(edges.normal[:, 1])
        shares = []
        for part in (upright, ~upright):
            expected = self.visible & part & patches[edges.patch] & ~edges.facing(hidden)
            shares.append((self.found & expected).sum() / max(expected.sum(), LEAST_EDGES))
        return float(min(shares))


def refine_pose(
    picture: UInt8Array,
    pose: FloatArray,
    corners: FloatArray,
    edges: EdgeSet,
    *,
    without: BoolArray | None = None,
) -> Refined:
    """Refine a pose (card units to pixels of `picture`, 8-bit encoded) on the patch edges.

    Edges of the patches `without` (n,), and those that face them, are looked at, but the pose is not
    brought onto them.
    """
    nothing = np.zeros(len(edges.patch), dtype=bool)
    lost = Refined(pose, nothing, nothing, nothing, np.inf, 0.0)
    found, visible, crossed, error, blur = nothing, nothing, nothing, np.inf, 0.0
    wanted = np.ones(len(edges.patch))
    if without is not None:
        wanted[without[edges.patch] | edges.facing(without)] = 0.0
    windows = list(WINDOWS)
    while windows:
        share = windows.pop(0)
        scale = _rectified_scale(pose, corners)
        if scale is None:
            return lost
        patch, to_card = _rectify(picture, pose, corners, scale)
        shift, weight, visible, width, step = _edge_shifts(patch, to_card, edges, scale, share, corners)
        weight = weight * wanted
        if weight.sum() <= 0 or (weight > 0).sum() < 6:
            return lost
        move, left = _small_homography(edges, shift, weight)
        good = (weight > 0) & (np.abs(left) < 0.1 * edges.reach)
        found = good & visible
        error = float(np.sqrt(np.mean((left[good] / edges.reach[good]) ** 2))) if good.any() else np.inf
        blur = float(medians(width[good])) if good.any() else 0.0
        if not windows:
            same = _crossed(patch, to_card, edges, scale, move, step, visible)
            # Paper too narrow to show its own colour: the edge is not found, that is all that can be said.
            crossed = visible & np.where(_told(edges, scale), same, ~good)
        pose = pose @ move
        pose = pose / pose[2, 2]
        if error < SETTLED_ERROR and found.sum() >= SETTLED_SHARE * visible.sum():
            windows = windows[-1:]
    pixels = _pixels_per_unit(pose, corners)
    return Refined(pose, visible, found, crossed, error, blur * pixels / scale if scale else 0.0)


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
) -> tuple[FloatArray, FloatArray, AnyArray, FloatArray, FloatArray]:
    """Shift (card units), weight, ought-to-be-visible, width (rectified pixels) and colour step of half edges."""
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
    return shift, weight, visible, width, step


def _crossed(
    patch: Float32Array,
    origin: FloatArray,
    edges: EdgeSet,
    scale: float,
    move: FloatArray,
    step: FloatArray,
    visible: BoolArray,
) -> BoolArray:
    """Which half edges show no step of colour at their places after a `move`: something runs across them.

    What a step of full sharpness comes to
    between the two places compared is learnt from the others.
    """
    import cv2

    reach = np.maximum(ACROSS * edges.reach, LEAST_ACROSS / scale)[:, None] * edges.normal
    along = (np.arange(ALONG) / (ALONG - 1) - 0.5)[:, None] * edges.along[:, None]
    lines = edges.middle[:, None] + along
    points = (
        apply_homography(move, np.stack([lines - reach[:, None], lines + reach[:, None]])) - origin
    ) * scale
    x, y = (points[..., axis].astype(np.float32).reshape(-1, ALONG) for axis in (0, 1))
    values = cv2.remap(patch, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside, outside = values.reshape(2, len(step), ALONG, 3)
    # The middle one of the points along an edge: figures beside the patches are dark in some places only.
    along = medians(((outside - inside) * step[:, None]).sum(axis=2))
    share = along / np.maximum((step * step).sum(axis=1), 1e-6)
    shown = _told(edges, scale) & visible
    usual = min(float(medians(share[shown])), 1.0) if shown.any() else 1.0
    return np.asarray(share < STEP_SHARE * usual)


def _told(edges: EdgeSet, scale: float) -> BoolArray:
    """Which half edges have the colour expected on both sides: not those at paper narrower than the blur."""
    return np.asarray((edges.beyond >= 0) | (edges.gap * scale >= WIDE_GAP))


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
