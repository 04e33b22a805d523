"""Straightened pictures of bands: one vessel width wide is always the same number of samples."""

from __future__ import annotations

import cv2
import numpy as np

from hueph._types import AnyArray, Float32Array, FloatArray
from hueph.locate._tube_maps import OPPONENT, TubeScene
from hueph.locate.geometry import square_to_quads

__all__ = [
    "BAND_LEFT",
    "BAND_TOP",
    "SAMPLES",
    "STRIP_SHAPE",
    "WALL_ROWS",
    "band_points",
    "closed_below",
    "cut_off",
    "most_promising",
    "settle_walls",
    "straighten",
]

# Samples a vessel width; the narrowest bore looked for has about as many pixels.
SAMPLES = 24
# A strip shows half a width on either side, 1.25 widths above the level line, 6.75 below.
BAND_LEFT = SAMPLES // 2
BAND_TOP = 30
STRIP_SHAPE = (192, 2 * SAMPLES)
# Shifts of a wall, in samples, at the level line and a reach further down.
_SHIFTS = np.stack(np.meshgrid(np.arange(-3, 4), np.arange(-4, 5), indexing="ij"), axis=-1).reshape(-1, 2)
_REACH = int(1.5 * SAMPLES)
# Bands looked at more closely, and what makes one promising: log of the fainter wall and of the contrast to
# the more similar side, both over the unit, and of the rank, fitted on drawn scenes of a few hundred.
LOOKED_AT = 40
PROMISE = {"walls": 0.68, "contrast": 0.48, "rank": -1.52}
PROMISE_RANK = 4.0
# A liquid cut off by the picture's edge is in view for this many widths at least, and differs from both sides by
# this many units there.
SHORTEST_CUT, CUT_CONTRAST = 0.8, 4.0
# Rows at the picture's edge, and columns beside a band, that stand for what lies beyond the edge.
EDGE_ROWS = 6
BESIDE = slice(2, BAND_LEFT - 3), slice(BAND_LEFT + SAMPLES + 3, STRIP_SHAPE[1] - 2)
# The rows that settling the walls looks at.
WALL_ROWS = slice(BAND_TOP - 3, BAND_TOP + _REACH + 3)


def straighten(scene: TubeScene, bands: FloatArray, rows: slice = slice(0, STRIP_SHAPE[0])) -> Float32Array:
    """Return the strips of bands in opponent colour, shape (n, rows, columns, 3).

    `rows` are the rows of the strips wanted: all of them by default. In memory the rows come last, as
    most of what follows runs along them.
    """
    columns = STRIP_SHAPE[1]
    stack = np.empty((len(bands), rows.stop - rows.start, columns, 4), dtype=np.uint8)
    width = np.linalg.norm(bands[:, 1] - bands[:, 0], axis=1)
    level = np.clip(np.floor(np.log2(np.maximum(width / SAMPLES, 1.0)) + 0.3), 0, len(scene.pyramid) - 1)
    to_picture = _to_picture((bands + 0.5) / 2 ** level[:, None, None] - 0.5)
    # the first row wanted becomes row 0
    to_picture[:, :, 2] += rows.start * to_picture[:, :, 1]
    for strip, homography, step in zip(stack, to_picture, level.astype(int), strict=True):
        cv2.warpPerspective(
            scene.with_fourth(step),
            homography,
            (columns, len(strip)),
            dst=strip,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    planes = cv2.transpose(stack.reshape(-1, columns * 4)).reshape(columns, 4, -1)[:, :3].astype(np.float32)
    strips: Float32Array = (OPPONENT / np.float32(255.0 * scene.gain)) @ planes
    return strips.reshape(columns, 3, *stack.shape[:2]).transpose(2, 3, 0, 1)


def _to_picture(bands: FloatArray) -> FloatArray:
    """Return the maps (n, 3, 3) from (column, row) of strips to where the bands lie."""
    to_square = np.array(
        [
            [1 / SAMPLES, 0, -BAND_LEFT / SAMPLES],
            [0, 1 / (3 * SAMPLES), -BAND_TOP / (3 * SAMPLES)],
            [0, 0, 1.0],
        ]
    )
    maps: FloatArray = square_to_quads(bands) @ to_square
    return maps


def band_points(bands: FloatArray, points: AnyArray) -> FloatArray:
    """Turn points (column, row) of strips, shape (n, k, 2), into working-picture pixels."""
    to_picture = _to_picture(bands)
    mapped = points @ to_picture[:, :, :2].swapaxes(1, 2) + to_picture[:, None, :, 2]
    result: FloatArray = mapped[..., :2] / mapped[..., 2:]
    return result


def settle_walls(bands: FloatArray, strips: Float32Array) -> tuple[FloatArray, Float32Array]:
    """Move and turn the walls of bands onto the strongest straight edges near them.

    `strips` hold the rows `WALL_ROWS`. Also returned is the strength of the fainter wall of each, (n,).
    """
    count = len(bands)
    rows = np.arange(BAND_TOP + 3, BAND_TOP + _REACH, 3)
    # Means of seven rows as a product of matrices, then the step sideways.
    from_row = np.arange(WALL_ROWS.start, WALL_ROWS.stop) - rows[:, None]
    means = (np.abs(from_row) <= 3).astype(np.float32) / np.float32(14.0)
    smooth = (means @ strips.reshape(*strips.shape[:2], -1)).reshape(count, len(rows), -1, 3)
    box = smooth[:, :, 2:] - smooth[:, :, :-2]
    evidence = np.sqrt(np.sqrt(np.einsum("nijk,nijk->nij", box, box)))
    share = (rows - BAND_TOP) / _REACH
    path = np.round(_SHIFTS[:, :1] + (_SHIFTS[:, 1:] - _SHIFTS[:, :1]) * share).astype(int)
    # of lines about as clear, the one nearest to where the search saw the wall
    liking = 1.0 - 0.01 * np.abs(_SHIFTS).sum(axis=1)
    points = np.empty((count, 4, 2))
    strengths = []
    for side, column in ((0, BAND_LEFT), (1, BAND_LEFT + SAMPLES)):
        at = np.clip(column + path - 1, 0, evidence.shape[2] - 1)
        score = evidence[:, np.arange(len(rows)), at].mean(axis=2) * liking
        best = np.argmax(score, axis=1)
        strengths.append(score[np.arange(count), best] ** 2)
        shift = _SHIFTS[best]
        lower = shift[:, 0] + (shift[:, 1] - shift[:, 0]) * (3 * SAMPLES / _REACH)
        upper_row, lower_row = (0, 3) if side == 0 else (1, 2)
        points[:, upper_row] = np.column_stack([column + shift[:, 0], np.full(count, BAND_TOP)])
        points[:, lower_row] = np.column_stack([column + lower, np.full(count, BAND_TOP + 3 * SAMPLES)])
    moved = band_points(bands, points)
    return _three_widths_tall(moved), np.minimum(*strengths).astype(np.float32)


def most_promising(strips: Float32Array, walls: Float32Array, unit: float) -> AnyArray:
    """Return which bands are worth a closer look, the order they came in kept.

    Parameters
    ----------
    strips : array, shape (n, rows, columns, 3)
        The rows `WALL_ROWS` of the bands, the likeliest band first.
    walls : array, shape (n,)
        Strength of the fainter wall of each.
    unit : float
        Edge strength that counts as certainly more than noise.
    """
    mean = strips[:, BAND_TOP + 3 - WALL_ROWS.start :].mean(axis=1)
    inside, left, right = (
        mean[:, start:stop].mean(axis=1)
        for start, stop in (
            (BAND_LEFT + SAMPLES // 4, BAND_LEFT + SAMPLES - SAMPLES // 4),
            (1, BAND_LEFT - 4),
            (BAND_LEFT + SAMPLES + 4, STRIP_SHAPE[1]),
        )
    )
    contrast = np.sqrt(np.minimum(*(((inside - side) ** 2).sum(axis=1) for side in (left, right))))
    rank = np.log(np.arange(len(strips)) + PROMISE_RANK)
    promise = (
        PROMISE["walls"] * np.log1p(walls / unit)
        + PROMISE["contrast"] * np.log1p(contrast / unit)
        + PROMISE["rank"] * rank
    )
    return np.sort(np.argsort(-promise, kind="stable")[:LOOKED_AT])


def cut_off(strips: Float32Array, bands: FloatArray, scene: TubeScene) -> tuple[AnyArray, AnyArray]:
    """Return the strips whose column leaves the picture below, and the last row of each inside it.

    Such a column differs from both sides at the picture's edge.
    """
    height, width = scene.pyramid[0].shape[:2]
    # where each wall crosses the picture's lower edge: its row in the strip, and x there
    to_picture = _to_picture(bands)
    columns = np.array([BAND_LEFT, BAND_LEFT + SAMPLES])
    on_wall = to_picture[:, :, :1] * columns + to_picture[:, :, 2:]
    along, bottom = to_picture[:, :, 1], height - 0.5
    row = (bottom * on_wall[:, 2] - on_wall[:, 1]) / (along[:, 1] - bottom * along[:, 2])[:, None]
    x = (on_wall[:, 0] + along[:, :1] * row) / (on_wall[:, 2] + along[:, 2:] * row)
    last = np.floor(np.nan_to_num(row, nan=-1.0)).min(axis=1).astype(int)
    whole = ((x >= 0) & (x <= width - 1)).all(axis=1)
    there = np.nonzero(whole & (last >= BAND_TOP + SHORTEST_CUT * SAMPLES) & (last < STRIP_SHAPE[0] - 1))[0]
    last = last[there]
    inside = slice(BAND_LEFT + SAMPLES // 4, BAND_LEFT + SAMPLES - SAMPLES // 4)
    ends = strips[there[:, None], last[:, None] - 1 - np.arange(EDGE_ROWS)]
    middle, left, right = (ends[:, :, part].mean(axis=(1, 2)) for part in (inside, *BESIDE))
    contrast = np.minimum(*(np.linalg.norm(middle - side, axis=1) for side in (left, right)))
    cut = contrast > CUT_CONTRAST * scene.unit
    return there[cut], last[cut]


def closed_below(strips: Float32Array, deepest: AnyArray) -> Float32Array:
    """Return strips in which what lies below the picture looks like what stands beside the column at its edge.

    A liquid whose bottom is out of the picture then ends there, as on a shelf.
    """
    columns = np.arange(STRIP_SHAPE[1])
    share = np.clip((columns - BAND_LEFT) / SAMPLES, 0.0, 1.0).astype(np.float32)[:, None]
    closed = strips.copy()
    for strip, last in zip(closed, deepest, strict=True):
        left, right = (strip[last - EDGE_ROWS : last, part].mean(axis=(0, 1)) for part in BESIDE)
        strip[last + 1 :] = (1 - share) * left + share * right
    return closed


def _three_widths_tall(bands: FloatArray) -> FloatArray:
    """Put the lower corners three widths below the upper ones, along the walls."""
    result = bands.copy()
    width = np.linalg.norm(bands[:, 1] - bands[:, 0], axis=1)[:, None]
    for lower, upper in ((2, 1), (3, 0)):
        down = bands[:, lower] - bands[:, upper]
        length = np.maximum(np.linalg.norm(down, axis=1)[:, None], 1e-6)
        result[:, lower] = bands[:, upper] + down / length * 3.0 * width
    return result
