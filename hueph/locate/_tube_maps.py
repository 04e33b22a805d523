"""Edge evidence of a photograph for finding vessels: reduced picture, near-vertical and near-level edges."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from hueph._medians import medians
from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray, UInt8Array
from hueph.locate._quads import eight_bit
from hueph.locate._tube_roll import estimate_roll

__all__ = [
    "BORES",
    "OPPONENT",
    "EdgeMap",
    "TubeScene",
    "build_scene",
    "has_pixels",
    "opponent",
    "search_again",
    "without_card",
]

# Longest side of the reduced picture, pixels: a tube of 60 px in a picture of 1600 px keeps 18 px.
REDUCED_SIDE = 480
# Narrowest and widest bore that is looked for, as shares of the longest side of the picture.
BORES = 0.022, 0.32
# A closer search looks for bores up to this many times the narrowest one, wider ones are found without it, and for
# none of fewer pixels: of the liquid in a narrower one hardly anything is free of the walls.
CLOSER_SPAN = 3.0
FEWEST_PIXELS = 10.0
# Below this reduction interpolation does for averaging.
NEARLY_THERE = 1.1
# Pixels of one block of the line integrals; three blocks in a row make one line.
WALL_BLOCK = 8
LEVEL_BLOCK = 4
# Sideways steps (upper block, lower block) of the slanted lines, in pixels per block: a slope of
# (upper + lower) / 2 / block. Tubes lean a few degrees and the picture may be turned by ten more.
WALL_STEPS = ((0, 0), (0, 1), (1, 1), (1, 2), (2, 2), (0, -1), (-1, -1), (-1, -2), (-2, -2))
LEVEL_STEPS = ((0, 0), (0, 1), (1, 1), (0, -1), (-1, -1))
# Lightness and two colour differences of red, green and blue.
OPPONENT = np.array([[0.25, 0.5, 0.25], [0.5, 0.0, -0.5], [-0.25, 0.5, -0.25]], dtype=np.float32)
# Below this part of the code range the gain is not raised further (a black picture stays black).
DARKEST_WHITE = 0.08
# Reduced pixels along the border of a turned picture in which no edge counts.
BORDER = 2


@dataclass(frozen=True, slots=True, eq=False)
class EdgeMap:
    """Mean signed colour step along the best slanted line through each pixel.

    Attributes
    ----------
    strength : array, shape (h, w)
        Length of the step in opponent colour; one axis is halved (rows for walls, columns for levels).
    slope : array, shape (h, w)
        dx/dy of the best line for walls, dy/dx for levels.
    noise : float
        Median strength: what a picture without edges shows.
    """

    strength: Float32Array
    slope: Float32Array
    noise: float


@dataclass(frozen=True, slots=True, eq=False)
class TubeScene:
    """A photograph made ready for the search.

    Attributes
    ----------
    pyramid : tuple of arrays, shape (h, w, 3), uint8
        The picture and its halvings.
    gain : float
        Code range share taken as white.
    to_reduced : array, shape (2, 3)
        Affine map from working to reduced pixels: a scaling, or a scaling and a turn.
    bores : tuple of float
        Narrowest and widest bore that is looked for, reduced pixels.
    walls, levels : EdgeMap
        Near-vertical edges (rows halved) and near-level edges (columns halved), reduced pixels.
    backing : array, shape (h, 3)
        Opponent colour of each row of the reduced picture, median over the row: what stands behind,
        as long as the vessels fill less than half of it.
    unit : float
        Edge strength that counts as certainly more than noise.
    roll : float
        Degrees, clockwise, by which what the picture shows seems turned.
    """

    pyramid: tuple[UInt8Array, ...]
    gain: float
    to_reduced: FloatArray
    bores: tuple[float, float]
    walls: EdgeMap
    levels: EdgeMap
    backing: Float32Array
    unit: float
    roll: float
    _fourth: dict[int, UInt8Array] = field(default_factory=dict, repr=False)

    @property
    def longest(self) -> int:
        """Longest side of the picture, working pixels."""
        return max(self.pyramid[0].shape[:2])

    def reduced(self, points: FloatArray) -> FloatArray:
        """Turn working-picture points (..., 2) into reduced pixels."""
        found: FloatArray = points @ self.to_reduced[:, :2].T + self.to_reduced[:, 2]
        return found

    def working(self, points: FloatArray) -> FloatArray:
        """Turn points (..., 2) in reduced pixels into working-picture pixels."""
        back = np.linalg.inv(self.to_reduced[:, :2])
        found: FloatArray = (points - self.to_reduced[:, 2]) @ back.T
        return found

    def with_fourth(self, level: int) -> UInt8Array:
        """Return a picture of the pyramid with a fourth channel: OpenCV warps that in half the time."""
        if level not in self._fourth:
            self._fourth[level] = np.asarray(cv2.cvtColor(self.pyramid[level], cv2.COLOR_RGB2RGBA), np.uint8)
        return self._fourth[level]


def opponent(codes: AnyArray, gain: float) -> Float32Array:
    """Return lightness and two colour differences of R, G, B code values (0..255), white near 1."""
    picture = codes.astype(np.float32)
    transformed: Float32Array = cv2.transform(picture, OPPONENT / np.float32(255.0 * gain))
    return transformed


def build_scene(encoded: AnyArray, card: FloatArray | None = None) -> TubeScene:
    """Prepare the search on a picture.

    Parameters
    ----------
    encoded : array, shape (h, w, 3), uint8 or uint16
        R, G, B code values.
    card : array, shape (n, 2), optional
        Outline (x, y) of the printed card, working-picture pixels: no edge inside it counts.
    """
    pyramid = _halvings(eight_bit(encoded))
    reduced, to_reduced = _reduced(pyramid, REDUCED_SIDE)
    brightest = cv2.max(cv2.max(*cv2.split(reduced)[:2]), reduced[:, :, 2])
    gain = max(_code_quantile(np.asarray(brightest, dtype=np.uint8), 0.9) / 255.0, DARKEST_WHITE)
    scene = _scene((pyramid, gain), (reduced, to_reduced), BORES, estimate_roll(pyramid[-1]))
    return scene if card is None else without_card(scene, card)


def search_again(scene: TubeScene, *, upright: bool = False, closer: int = 1) -> TubeScene:
    """Prepare another search on the picture of a scene; no card is left out of it.

    Parameters
    ----------
    scene : TubeScene
    upright : bool
        Undo the roll: the reduced picture is turned by it. What strips show still comes from the picture itself.
    closer : int
        Look in a picture this many times larger, if it has the pixels, for vessels this many times narrower.
    """
    reduced, to_reduced = _reduced(scene.pyramid, REDUCED_SIDE * closer)
    bores = BORES if closer == 1 else _narrow_bores(to_reduced[0, 0] * scene.longest, closer)
    if not upright:
        return _scene((scene.pyramid, scene.gain), (reduced, to_reduced), bores, scene.roll)
    turn, size = _turn(scene.roll, reduced.shape)
    # Mirrored, what lies beyond the picture looks like the rest in noise and colour; its edges do not count.
    turned = cv2.warpAffine(reduced, turn, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    to_turned = np.column_stack([turn[:, :2] @ to_reduced[:, :2], turn[:, 2]])
    inside = np.zeros(reduced.shape[:2], dtype=np.uint8)
    inside[BORDER:-BORDER, BORDER:-BORDER] = 1
    inside = np.asarray(cv2.warpAffine(inside, turn, size, flags=cv2.INTER_NEAREST), dtype=np.uint8)
    pictures = np.asarray(turned, dtype=np.uint8), to_turned
    return _with_edges(_scene((scene.pyramid, scene.gain), pictures, bores, scene.roll), inside > 0)


def has_pixels(scene: TubeScene, closer: int) -> bool:
    """Tell whether a picture holds more than the search half as close saw of it."""
    return scene.longest > REDUCED_SIDE * closer // 2


def _narrow_bores(longest: float, closer: int) -> tuple[float, float]:
    """Return the bores of a closer search, shares of the longest side of `longest` reduced pixels."""
    share = BORES[0] / closer
    return max(share, FEWEST_PIXELS / longest), CLOSER_SPAN * share


def without_card(scene: TubeScene, card: FloatArray) -> TubeScene:
    """Return a scene in which no edge inside the outline (n, 2) of the printed card counts."""
    shape = len(scene.backing), scene.walls.strength.shape[1]
    return _with_edges(scene, ~_polygon_mask(scene.reduced(card), shape))


def _with_edges(scene: TubeScene, counts: BoolArray) -> TubeScene:
    """Return a scene in which only edges in some pixels (h, w) of the reduced picture count."""
    walls = np.where(counts[::2][: len(scene.walls.strength)], scene.walls.strength, np.float32(0.0))
    levels = np.where(
        counts[:, ::2][:, : scene.levels.strength.shape[1]], scene.levels.strength, np.float32(0.0)
    )
    return replace(
        scene, walls=replace(scene.walls, strength=walls), levels=replace(scene.levels, strength=levels)
    )


def _scene(
    original: tuple[tuple[UInt8Array, ...], float],
    reduced: tuple[UInt8Array, FloatArray],
    bores: tuple[float, float],
    roll: float,
) -> TubeScene:
    """Work out the edges: `original` is pyramid and gain, `reduced` picture and map, `bores` are shares."""
    (pyramid, gain), (picture, to_reduced) = original, reduced
    colour = opponent(picture, gain)
    walls, levels = _wall_map(colour), _level_map(colour)
    unit = max(0.003, 2.0 * walls.noise)
    backing: Float32Array = medians(np.ascontiguousarray(colour[:, ::2].swapaxes(1, 2)))
    longest = max(pyramid[0].shape[:2]) * float(np.linalg.norm(to_reduced[:, 0]))
    narrowest, widest = (share * longest for share in bores)
    return TubeScene(pyramid, gain, to_reduced, (narrowest, widest), walls, levels, backing, unit, roll)


def _reduced(pyramid: tuple[UInt8Array, ...], side: int) -> tuple[UInt8Array, FloatArray]:
    """Return the picture with a longest side of `side` pixels, if it has as many, and the map (2, 3) to it."""
    height, width = pyramid[0].shape[:2]
    scale = min(1.0, side / max(height, width))
    size = (max(16, round(width * scale)), max(16, round(height * scale)))
    above = _level_above(pyramid, size)
    # Where hardly more than one pixel makes a new one, area means are only ten times as slow.
    closely = max(above.shape[:2]) < NEARLY_THERE * max(size)
    reduced = cv2.resize(above, size, interpolation=cv2.INTER_LINEAR if closely else cv2.INTER_AREA)
    return np.asarray(reduced, dtype=np.uint8), np.array([[scale, 0.0, 0.0], [0.0, scale, 0.0]])


def _turn(degrees: float, shape: tuple[int, ...]) -> tuple[FloatArray, tuple[int, int]]:
    """Return the affine map (2, 3) that turns a picture anticlockwise, and the size (w, h) that holds it."""
    height, width = shape[:2]
    cosine, sine = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    turn = np.array([[cosine, sine], [-sine, cosine]])
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]]) @ turn.T
    columns, rows = np.ceil(np.ptp(corners, axis=0)).astype(int)
    return np.column_stack([turn, -corners.min(axis=0)]), (int(columns), int(rows))


def _code_quantile(codes: UInt8Array, share: float) -> float:
    """Return a quantile of code values, linear between neighbours, from their histogram."""
    below = np.cumsum(cv2.calcHist([codes], [0], None, [256], [0, 256]).ravel())
    place = share * (codes.size - 1)
    low, high = np.searchsorted(below, (np.floor(place), np.ceil(place)), side="right")
    return float(low + (high - low) * (place - np.floor(place)))


def _halvings(picture: UInt8Array) -> tuple[UInt8Array, ...]:
    """Return the picture and its halvings down to about 240 pixels."""
    levels = [picture]
    while max(levels[-1].shape[:2]) > 400 and min(levels[-1].shape[:2]) > 8:
        height, width = levels[-1].shape[:2]
        halved: UInt8Array = cv2.resize(levels[-1], (width // 2, height // 2), interpolation=cv2.INTER_AREA)
        levels.append(halved)
    return tuple(levels)


def _level_above(pyramid: tuple[UInt8Array, ...], size: tuple[int, int]) -> UInt8Array:
    """Return the smallest picture of the pyramid that is not smaller than `size`."""
    for level in reversed(pyramid):
        if level.shape[1] >= size[0] and level.shape[0] >= size[1]:
            return level
    return pyramid[0]


def _polygon_mask(outline: FloatArray, shape: tuple[int, ...]) -> BoolArray:
    """Return the pixels inside a polygon."""
    mask = np.zeros(shape, dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(outline).astype(np.int32)], 1)
    return mask.astype(bool)


def _wall_map(colour: Float32Array) -> EdgeMap:
    """Integrate the sideways colour step along near-vertical lines of three blocks."""
    return _edge_map(colour, WALL_STEPS, WALL_BLOCK)


def _level_map(colour: Float32Array) -> EdgeMap:
    """Integrate the upright colour step along near-level lines of three blocks."""
    turned = _edge_map(np.asarray(cv2.transpose(colour), dtype=np.float32), LEVEL_STEPS, LEVEL_BLOCK)
    return EdgeMap(
        np.ascontiguousarray(turned.strength.T), np.ascontiguousarray(turned.slope.T), turned.noise
    )


def _edge_map(colour: Float32Array, steps: tuple[tuple[int, int], ...], block: int) -> EdgeMap:
    """Integrate the sideways colour step along slanted lines of three blocks, in every second row."""
    step = cv2.Sobel(colour, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    mean = cv2.blur(step, (1, block))[::2]
    return _best_slant(np.ascontiguousarray(np.moveaxis(mean, 2, 0)), block // 2, steps, block)


def _best_slant(planes: Float32Array, rows: int, steps: tuple[tuple[int, int], ...], block: int) -> EdgeMap:
    """Add three blocks, the outer two `rows` apart and shifted sideways, and keep the strongest sum."""
    _, height, width = planes.shape
    margin = 2
    padded = np.pad(planes, ((0, 0), (rows, rows), (margin, margin)), mode="edge")
    upper = padded[:, :height]
    lower = padded[:, 2 * rows :]
    best = np.full((height, width), -1.0, dtype=np.float32)
    which = np.zeros((height, width), dtype=np.uint8)
    total, energy = np.empty_like(planes), np.empty_like(best)
    better = np.empty(best.shape, dtype=bool)
    for number, (down, up) in enumerate(steps):
        np.add(planes, upper[:, :, margin - up : margin - up + width], out=total)
        total += lower[:, :, margin + down : margin + down + width]
        np.square(total, out=total)
        np.add(total[0], total[1], out=energy)
        energy += total[2]
        # Maxima instead of copies under a mask, which take ten times as long: numbers rise.
        np.greater(energy, best, out=better)
        np.maximum(best, energy, out=best)
        np.maximum(which, better.view(np.uint8) * np.uint8(number), out=which)
    slope = np.array([(down + up) / 2 / block for down, up in steps], dtype=np.float32)[which]
    strength = np.sqrt(best) / np.float32(3.0)
    # Of a quarter of the places; neighbours show the same.
    return EdgeMap(strength, slope, float(medians(strength[::2, ::2].ravel())))
