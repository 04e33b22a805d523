"""Read colours off a picture under a supposed pose of the chart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray, UInt8Array
from hueph.chart import Chart
from hueph.colour._arrays import apply_matrix
from hueph.locate._order import relative_oklab
from hueph.locate.geometry import apply_homography, quad_sides

__all__ = ["PAPER", "ChartProbe", "Colours", "other_prints"]

# where paper is looked for: this share of the short side away from a patch
PAPER_DISTANCE = 0.16
# inside a patch: a grid of 3 x 3 over its middle half
INSIDE = (0.27, 0.5, 0.73)
MIDDLE = 4
SPREAD_RANK = 6
QUICK_PAPER_POINTS = 16
# of the points beside patches, this quantile stands for paper: some lie on figures or in shadow
PAPER_QUANTILE = 0.6
PAPER = np.array([1.0, 0.0, 0.0])
# Share of those points that are in the picture where a strip is said to end with it.
LEAST_PAPER = 0.5
# A line of at least this many patches may be read as a place longer or shorter.
MANY_IN_LINE = 5
# closer to paper than this, Oklab, counts as paper
LIKE_PAPER = 0.06


@dataclass(frozen=True, slots=True, eq=False)
class Colours:
    """Colours of n patches under m placements.

    Attributes
    ----------
    relative : array, shape (m, n, 3)
        Oklab relative to the paper; nan where the patch is not wholly in the picture.
    spread : array, shape (m, n)
        How far, Oklab, the third-farthest point of a patch lies from its middle value.
    framed : array of bool, shape (m, n)
        Most points just outside a patch look like paper, in contrast to the patch.
    paper_share : array, shape (m, n)
        Share of those points that are paper by themselves.
    paper_inside : array of bool, shape (n,)
        Some point inside a patch looks like paper, under the first placement.
    """

    relative: FloatArray
    spread: FloatArray
    framed: BoolArray
    paper_share: FloatArray
    paper_inside: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """A picture to be sampled as linear light: the three 8 bit codes of each pixel in one number (h, w), as
    such are picked out ten times as fast, and the light of each code (256,).
    """

    packed: AnyArray
    table: Float32Array

    @classmethod
    def of(cls, codes: UInt8Array, table: FloatArray) -> Light:
        """Take code values (h, w, 3) and the light of each."""
        import cv2

        packed = cv2.cvtColor(codes, cv2.COLOR_RGB2RGBA).view(np.uint32)[..., 0]
        return cls(packed, table.astype(np.float32))

    def at(self, points: FloatArray) -> tuple[Float32Array, BoolArray]:
        """Return the nearest pixels at points (m, k, 2), and which lie inside the picture.

        In memory the channels of the light come one after another.
        """
        height, width = self.packed.shape
        x, y = points[..., 0] + 0.5, points[..., 1] + 0.5
        ok = (x >= 0) & (x < width) & (y >= 0) & (y < height)
        column, row = (np.where(ok, place, 0.0).astype(np.intp) for place in (x, y))
        codes = self.packed.ravel().take(row.ravel() * width + column.ravel()).view(np.uint8)
        channels = np.ascontiguousarray(codes.reshape(-1, 4)[:, :3].T)
        return np.moveaxis(self.table.take(channels).reshape(3, *ok.shape), 0, -1), ok


class ChartProbe:
    """Sample points of a chart: inside its patches and on the paper beside them."""

    def __init__(self, chart: Chart) -> None:
        """Prepare the points (card units)."""
        corners = chart.corners
        self.count = len(corners)
        self.inside = _inside_points(corners)
        self.paper, self.owner, side = _paper_points(corners, other_prints(chart), chart.card_size)
        # Which points lie beside which patch, beside which side of one, and whose those sides are.
        sides, self.beside = _memberships(self.owner, side, self.count)
        self.beside_side, self.side_of = sides
        self.ends_line = _ends_line(corners, np.unique(self.owner * 4 + side))
        self.few_paper = np.arange(0, len(self.paper), max(1, -(-len(self.paper) // QUICK_PAPER_POINTS)))
        self.centre = corners.reshape(-1, 2).mean(axis=0)
        self.reach = float(np.abs(corners.reshape(-1, 2) - self.centre).max())

    def glance(self, light: Light, poses: FloatArray, to_srgb: FloatArray) -> AnyArray:
        """Read the middle of each patch under many poses.

        Parameters
        ----------
        light : Light
            The picture, file primaries.
        poses : array, shape (m, 3, 3)
            Card units to its pixels.
        to_srgb : array, shape (3, 3)
            File primaries to linear sRGB.

        Returns
        -------
        array, shape (m, n, 3), float32
            Oklab relative to one paper colour per pose; nan outside the picture or without paper.
        """
        # Half the precision does for choosing among poses.
        to_srgb = to_srgb.astype(np.float32)
        middle = self.inside.reshape(self.count, -1, 2)[:, MIDDLE]
        inside, ok = light.at(apply_homography(poses, middle))
        points, paper_ok = light.at(apply_homography(poses, self.paper[self.few_paper]))
        channels = np.sort(np.where(paper_ok, np.moveaxis(points, 2, 0), np.float32(np.nan)), axis=2)
        known = paper_ok.sum(axis=1)
        at = np.clip((PAPER_QUANTILE * known).astype(int), 0, points.shape[1] - 1)
        paper = channels[:, np.arange(len(poses)), at].T @ to_srgb.T
        relative = relative_oklab(apply_matrix(inside, to_srgb), np.nan_to_num(paper, nan=1.0)[:, None])
        no_paper = np.logical_not(np.isfinite(paper).all(axis=1))
        relative[~ok | no_paper[:, None]] = np.nan
        return relative

    def read(self, light: Light, pose: FloatArray, placements: FloatArray, to_srgb: FloatArray) -> Colours:
        """Read all points under one pose and rival placements of the chart on the same card.

        The paper's light is a plane in log light fitted under the first placement and used for
        all: rivals lie on the same card.
        """
        field = self._paper_field(light, pose, to_srgb)
        inside = np.ascontiguousarray(apply_homography(placements, self.inside))
        around = np.ascontiguousarray(apply_homography(placements, self.paper))
        values, ok = light.at(apply_homography(pose, inside.reshape(-1, 2))[None])
        points = (values[0] @ to_srgb.T).reshape(*inside.shape[:2], 3)
        oklab = relative_oklab(points, self._paper_at(field, inside))
        oklab = oklab.reshape(len(placements), self.count, -1, 3)
        inside_ok = ok[0].reshape(len(placements), self.count, -1).all(axis=2)
        middle = np.median(oklab, axis=2)
        off = np.sort(np.linalg.norm(oklab - middle[:, :, None], axis=3), axis=2)
        spread = off[:, :, SPREAD_RANK]
        values, ok = light.at(apply_homography(pose, around.reshape(-1, 2))[None])
        beside = relative_oklab(
            (values[0] @ to_srgb.T).reshape(*around.shape[:2], 3), self._paper_at(field, around)
        )
        paperlike = np.linalg.norm(beside - PAPER, axis=2) < np.maximum(
            LIKE_PAPER, 0.5 * np.linalg.norm(middle - PAPER, axis=2)[:, self.owner]
        )
        seen = ok[0].reshape(around.shape[:2])
        clear = np.linalg.norm(beside - PAPER, axis=2) < LIKE_PAPER
        total = self.beside.sum(axis=0)
        like, shown, bare = (
            np.asarray(which, dtype=np.float64) @ self.beside
            for which in (paperlike & seen, seen, clear & seen)
        )
        # with only two free sides, one may carry a printed figure
        framed = like >= np.where(total > 4, 0.55, 0.5) * shown
        # Where the picture ends at a patch, the strip may go on outside; beside a line of patches it does not, where all
        # patches are inside and paper shows beside most of them.
        hidden = seen.astype(np.float64) @ self.beside_side == 0
        whole = inside_ok.all(axis=1) & (seen.mean(axis=1) >= LEAST_PAPER)
        hidden &= self.ends_line | ~whole[:, None]
        framed &= (hidden.astype(np.float64) @ self.side_of) == 0
        paper_share = np.where(total > 0, bare / np.maximum(total, 1.0), 1.0)
        paper_inside = (np.linalg.norm(oklab[0] - PAPER, axis=2) < LIKE_PAPER).any(axis=1)
        middle[~inside_ok] = np.nan
        return Colours(middle, spread, framed, paper_share, paper_inside)

    def _paper_field(self, light: Light, pose: FloatArray, to_srgb: FloatArray) -> FloatArray:
        """Coefficients (3 terms, 3 channels) of log paper light over card coordinates."""
        values, ok = light.at(apply_homography(pose, self.paper)[None])
        kept = ok[0]
        if kept.sum() < 3:
            return np.zeros((3, 3))
        value = np.log(np.maximum(values[0][kept] @ to_srgb.T, 1e-4))
        design = self._terms(self.paper[kept])
        # start from the brighter part: figures, shadow and what covers the card are darker
        start = np.quantile(value, PAPER_QUANTILE, axis=0)
        solution = np.zeros((3, 3))
        solution[0] = start
        for _ in range(4):
            left = value - design @ solution
            size = np.abs(left).max(axis=1)
            weight = 1.0 / (1.0 + (size / 0.12) ** 4)
            normal = (design * weight[:, None]).T @ design + np.diag([1e-6, 0.3, 0.3])
            solution = np.linalg.solve(normal, (design * weight[:, None]).T @ value)
        return solution

    def _terms(self, points: FloatArray) -> FloatArray:
        """Constant and linear terms at card points (..., 2), scaled to the size of the strip."""
        scaled = np.clip((points - self.centre) / self.reach, -1.3, 1.3)
        return np.concatenate([np.ones((*points.shape[:-1], 1)), scaled], axis=-1)

    def _paper_at(self, field: FloatArray, points: FloatArray) -> FloatArray:
        """Linear sRGB of the paper at card points."""
        return np.asarray(np.exp(self._terms(points) @ field))


def _memberships(
    owner: AnyArray, side: AnyArray, count: int
) -> tuple[tuple[FloatArray, FloatArray], FloatArray]:
    """Return as matrices of 0 and 1: points by sides, sides by patches; and points by patches."""
    keys = owner * 4 + side
    sides = np.unique(keys)
    patches = np.arange(count)
    by_side = np.asarray(keys[:, None] == sides, dtype=np.float64)
    side_of = np.asarray(sides[:, None] // 4 == patches, dtype=np.float64)
    return (by_side, side_of), np.asarray(owner[:, None] == patches, dtype=np.float64)


def _ends_line(corners: FloatArray, sides: AnyArray) -> BoolArray:
    """Tell which sides (four times the patch, and which of its sides) face along a line of many patches."""
    owner, number = sides // 4, sides % 4
    ends = corners[owner, number], corners[owner, (number + 1) % 4]
    along_x = np.abs((ends[1] - ends[0])[:, 1]) > np.abs((ends[1] - ends[0])[:, 0])
    centres, size = corners.mean(axis=1), np.ptp(corners, axis=1)
    in_line = np.abs(centres[:, None] - centres) < 0.3 * size[:, None]
    many = in_line.sum(axis=1) >= MANY_IN_LINE
    # patches of one row share y
    return np.asarray(np.where(along_x, many[owner, 1], many[owner, 0]))


def _inside_points(corners: FloatArray) -> FloatArray:
    """Points of a 3 x 3 grid inside each patch, (n * 9, 2)."""
    u, v = (axis.ravel() for axis in np.meshgrid(INSIDE, INSIDE))
    weights = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v], axis=1)
    return np.asarray(np.einsum("kc,ncx->nkx", weights, corners).reshape(-1, 2))


def other_prints(chart: Chart) -> FloatArray:
    """Corners of what else is printed on the card: markers and references, (k, 4, 2)."""
    corners = [p.corners for p in chart.markers] + [p.corners for p in chart.references]
    return np.array(corners, dtype=np.float64).reshape(-1, 4, 2)


def _paper_points(
    corners: FloatArray, others: FloatArray, card_size: tuple[float, float]
) -> tuple[FloatArray, AnyArray, AnyArray]:
    """Points just outside patches, on the card, clear of other patches (k, 2); patch and side of each."""
    sides = quad_sides(corners)
    points: list[FloatArray] = []
    owner: list[tuple[int, int]] = []
    for index, quad in enumerate(corners):
        short = float(sides[index].min())
        for side, (a, b) in enumerate(zip(quad, np.roll(quad, -1, axis=0), strict=True)):
            normal = np.array([(b - a)[1], -(b - a)[0]])
            normal *= np.sign(normal @ ((a + b) / 2.0 - quad.mean(axis=0))) / np.linalg.norm(normal)
            for t in (0.25, 0.75):
                points.append(a + t * (b - a) + normal * PAPER_DISTANCE * short)
                owner.append((index, side))
    found, whose = np.array(points), np.array(owner)
    taken = np.concatenate([corners, others])
    low, high = taken.min(axis=1), taken.max(axis=1)
    guard = 0.09 * float(np.median(sides.min(axis=1)))
    on_patch = ((found[:, None] > low - guard) & (found[:, None] < high + guard)).all(axis=2).any(axis=1)
    on_card = (found > 0).all(axis=1) & (found < np.array(card_size)).all(axis=1)
    good = on_card & ~on_patch
    if good.sum() < 4:
        good = ~on_patch
    return found[good], whose[good, 0], whose[good, 1]
