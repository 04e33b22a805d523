"""Find vessels with liquid: round-bottom tubes, vials, beakers, flasks.

A liquid shows as a level line (its surface) from the ends of which two walls hang, down to a bottom.
Nothing is asked of its colour, so colourless and turbid liquids are found like coloured ones, and
soft-edged caustics and shadows are not. Stages: edge maps of a reduced picture (`_tube_maps`), bands
below level lines (`_tube_bands`), straightened strips (`_tube_strips`), features of a proposed column
(`_tube_features`), log odds (`_tube_score`), choice among overlapping columns (`_tube_choice`), the
core (`_tube_core`).

Only walls and levels near upright and level are looked for. Where the edges of a picture say that the
camera was rolled (`_tube_roll`), it is searched a second time set upright, and what is surer is kept.
Where next to nothing is found, or something hardly wider than a search can find, a closer one follows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, Float32Array, FloatArray
from hueph.errors import InputError, TubesNotFound
from hueph.locate._tube_bands import find_bands
from hueph.locate._tube_choice import choose
from hueph.locate._tube_core import find_core
from hueph.locate._tube_features import Columns, describe
from hueph.locate._tube_maps import BORES, TubeScene, build_scene, has_pixels, search_again, without_card
from hueph.locate._tube_refine import refine_surface
from hueph.locate._tube_score import score_columns
from hueph.locate._tube_strips import (
    BAND_LEFT,
    BAND_TOP,
    SAMPLES,
    STRIP_SHAPE,
    WALL_ROWS,
    band_points,
    closed_below,
    cut_off,
    most_promising,
    settle_walls,
    straighten,
)
from hueph.locate.types import StripLocation, TubeLocation
from hueph.photo import Photo

__all__ = ["locate_tubes", "prepare_search", "sureness"]

# The card reaches this many patch sides beyond its patches (margin, printed numbers).
CARD_MARGIN = 0.6
# Shorter side, pixels, below which a picture cannot hold a tube worth measuring.
SMALLEST_PICTURE = 48
# Degrees of roll from which the picture is searched set upright as well.
NOTABLE_ROLL = 4.0
# Log odds in all up to which a search has found next to nothing, and the middle width of what it has found, in
# narrowest ones that it can find, up to which others may be too narrow for it: a search this many times closer follows.
LITTLE = 2.0
NARROW = 1.5
CLOSER = (2, 4)


@dataclass(frozen=True, slots=True, eq=False)
class _Judged:
    """Columns (m, 4, 2), working-picture pixels, the depths of their bottoms and their log odds."""

    quads: FloatArray
    depths: FloatArray
    odds: FloatArray

    def middle_width(self) -> float:
        """Return the median width of the columns: one stripe of a vessel taken for another leaves it."""
        return float(np.median(np.linalg.norm(self.quads[:, 1] - self.quads[:, 0], axis=1)))

    def and_also(self, other: _Judged) -> _Judged:
        """Return these columns and others."""
        return _Judged(
            np.concatenate([self.quads, other.quads]),
            np.concatenate([self.depths, other.depths]),
            np.concatenate([self.odds, other.odds]),
        )


def locate_tubes(
    photo: Photo,
    strip: StripLocation | None,
    *,
    boxes: Sequence[tuple[float, float, float, float]] | None = None,
    scene: TubeScene | None = None,
) -> tuple[TubeLocation, ...]:
    """Find the vessels with liquid in a photograph, left to right.

    Parameters
    ----------
    photo : Photo
        Upright picture.
    strip : StripLocation or None
        The printed strip, left out of the search; None when there is none.
    boxes : sequence of (x, y, width, height), optional
        Rectangles drawn by the user, working-picture pixels: taken as the liquid, nothing is searched.
    scene : TubeScene, optional
        From `prepare_search` of the same photograph. Default: made.

    Returns
    -------
    tuple of TubeLocation
        Working-picture pixels, left to right.

    Raises
    ------
    TubesNotFound
        No vessel with liquid.
    InputError
        A box is not four finite numbers, has no area, or does not lie in the picture.
    """
    if boxes is not None:
        return _by_hand(photo, boxes)
    if scene is None:
        scene = prepare_search(photo)
    if scene is None:
        height, width = photo.encoded.shape[:2]
        raise TubesNotFound(
            f"no tube found in {photo.file}: at least {SMALLEST_PICTURE} pixels on the shorter side are needed, "
            f"the picture has {width} by {height}; send the original file"
        )
    found = _find(scene, strip)
    if not len(found.odds):
        raise TubesNotFound(
            f"no tube found in {photo.file}: a tube shows as a level liquid surface between two upright walls, "
            "and none was seen clearly enough; turn a picture that lies on its side, retake with the whole liquid in view "
            "before a plain backing, or outline it with --tube x,y,width,height"
        )
    return tuple(
        _location(
            scene.pyramid[0],
            refine_surface(scene.pyramid[0], quad, scene.gain),
            scene.gain,
            float(depth),
            by_hand=False,
        )
        for quad, depth in zip(found.quads, found.depths, strict=True)
    )


def prepare_search(photo: Photo) -> TubeScene | None:
    """Do what the search for vessels can do before the strip is known; None for too small a picture."""
    if min(photo.encoded.shape[:2]) < SMALLEST_PICTURE:
        return None
    return build_scene(photo.encoded)


def sureness(photo: Photo, strip: StripLocation | None) -> float:
    """Return the log odds in all of the vessels that one search of a picture finds; 0 for none."""
    scene = prepare_search(photo)
    if scene is None:
        return 0.0
    outline, patches = card_outline(strip)
    return _sureness(_chosen(scene, _propose(scene, outline), patches))


def propose(encoded: AnyArray, outline: FloatArray | None) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return proposed columns (m, 4, 2) of a picture, the depth of their bottoms and their features.

    For fitting the network that judges them; `outline` is that of the card.
    """
    return _columns(build_scene(encoded, outline))


def _find(scene: TubeScene, strip: StripLocation | None) -> _Judged:
    """Search a picture as it is and, where that may show too little, set upright or more and more closely."""
    outline, patches = card_outline(strip)
    views = [scene]
    if abs(scene.roll) >= NOTABLE_ROLL:
        views.append(search_again(scene, upright=True))
    proposed = [_propose(view, outline) for view in views]
    found = _surest(views, proposed, patches)
    for closer in CLOSER:
        limit = 2 * BORES[0] / closer * scene.longest
        enough = _sureness(found) > LITTLE and found.middle_width() > NARROW * limit
        if enough or not has_pixels(scene, closer):
            break
        for place, view in enumerate(views):
            again = search_again(scene, upright=view is not scene, closer=closer)
            proposed[place] = proposed[place].and_also(_propose(again, outline))
        # what adds little may be a stripe of a vessel that was found whole, or not at all
        closely = _surest(views, proposed, patches)
        found = closely if _sureness(closely) > _sureness(found) + LITTLE else found
    return found


def _surest(views: list[TubeScene], proposed: list[_Judged], patches: FloatArray | None) -> _Judged:
    """Return the vessels of the view they are surest in; `patches` is the outline of the card's patches."""
    chosen = [_chosen(view, columns, patches) for view, columns in zip(views, proposed, strict=True)]
    return max(chosen, key=_sureness)


def _propose(scene: TubeScene, outline: FloatArray | None) -> _Judged:
    """Return the columns a search proposes; `outline` is that of the card."""
    quads, depths, features = _columns(scene if outline is None else without_card(scene, outline))
    return _Judged(quads, depths, score_columns(features) if len(quads) else np.zeros(0))


def _chosen(scene: TubeScene, proposed: _Judged, patches: FloatArray | None) -> _Judged:
    """Return the columns told apart as vessels, left to right."""
    if not len(proposed.odds):
        return proposed
    # Choosing takes vessels to stand upright: they do in the reduced picture.
    card = None if patches is None else scene.reduced(patches)
    kept = choose(scene.reduced(proposed.quads), proposed.odds, card)
    kept.sort(key=lambda index: float(proposed.quads[index][:, 0].mean()))
    return _Judged(proposed.quads[kept], proposed.depths[kept], proposed.odds[kept])


def _sureness(found: _Judged) -> float:
    """Return the log odds of columns in all: what two searches of one picture are compared by."""
    return float(found.odds.sum())


def _columns(scene: TubeScene) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return proposed columns, the depth of their bottoms and their features."""
    bands = find_bands(scene)
    if len(bands) == 0:
        return np.zeros((0, 4, 2)), np.zeros(0), np.zeros((0, 0))
    strips = straighten(scene, bands, WALL_ROWS)
    bands, walls = settle_walls(bands, strips)
    bands = bands[most_promising(strips, walls, scene.unit)]
    strips = straighten(scene, bands)
    sizes = np.linalg.norm(bands[:, 1] - bands[:, 0], axis=1) / scene.longest
    backing, deepest = _rows_in_picture(scene, bands)
    found = [(bands, describe(strips, backing, scene.unit, sizes, deepest))]
    cut, edge = cut_off(strips, bands, scene)
    if len(cut):
        closed = closed_below(strips[cut], edge)
        columns = describe(closed, backing[cut], scene.unit, sizes[cut], edge, at_edge=True)
        found.append((bands[cut], columns))
    found = [(where, columns) for where, columns in found if len(columns.strip)]
    if not found:
        return np.zeros((0, 4, 2)), np.zeros(0), np.zeros((0, 0))
    return (
        np.concatenate([_quads(where, columns) for where, columns in found]),
        np.concatenate([columns.depth for _, columns in found]),
        np.concatenate([columns.features for _, columns in found]),
    )


def _rows_in_picture(scene: TubeScene, bands: FloatArray) -> tuple[Float32Array, AnyArray]:
    """Return the backing's colour at each row of the strips, and the last row inside the picture."""
    upper = (bands[:, 0] + bands[:, 1]) / 2
    drop = (bands[:, 2] + bands[:, 3]) / 2 - upper
    share = (np.arange(STRIP_SHAPE[0]) - BAND_TOP) / (3 * SAMPLES)
    in_reduced, further = scene.reduced(upper)[:, 1], drop @ scene.to_reduced[1, :2]
    y = np.round(in_reduced[:, None] + share * further[:, None]).astype(int)
    backing = scene.backing[np.clip(y, 0, len(scene.backing) - 1)]
    height, width = scene.pyramid[0].shape[:2]
    room = np.where(drop > 0, np.array([width, height]) - 1 - upper, upper) / np.maximum(np.abs(drop), 1e-3)
    deepest = BAND_TOP + 3 * SAMPLES * room.min(axis=1)
    return backing, np.clip(deepest, 0, STRIP_SHAPE[0] - 1).astype(int)


def _quads(bands: FloatArray, columns: Columns) -> FloatArray:
    """Return the corners of proposed columns in working-picture pixels."""
    left = np.full(len(columns.top), BAND_LEFT)
    right = left + SAMPLES
    points = np.stack(
        [
            np.stack([left, columns.top], axis=1),
            np.stack([right, columns.top], axis=1),
            np.stack([right, columns.bottom], axis=1),
            np.stack([left, columns.bottom], axis=1),
        ],
        axis=1,
    ).astype(np.float64)
    return band_points(bands[columns.strip], points)


def card_outline(strip: StripLocation | None) -> tuple[FloatArray | None, FloatArray | None]:
    """Return outlines of the card with its margin, and of its patches alone."""
    if strip is None:
        return None, None
    patches = np.asarray(strip.patches, dtype=np.float64)
    side = float(np.median(np.linalg.norm(patches - np.roll(patches, 1, axis=1), axis=2)))
    points = patches.reshape(-1, 2).astype(np.float32)
    centre, (width, height), angle = cv2.minAreaRect(points)
    grown = (width + 2 * CARD_MARGIN * side, height + 2 * CARD_MARGIN * side)
    outline = np.asarray(cv2.boxPoints((centre, grown, angle)), dtype=np.float64)
    hull = np.asarray(cv2.convexHull(points)[:, 0], dtype=np.float64)
    return outline, hull


def _location(
    picture: AnyArray, liquid: FloatArray, gain: float, depth: float, *, by_hand: bool
) -> TubeLocation:
    """Work out the core of a column and wrap both."""
    core = find_core(picture, liquid, gain, depth)
    flags = {"small-core"} if core.small else set()
    if by_hand:
        flags.add("tube-by-hand")
    return TubeLocation(liquid, core.corners, core.left_out, frozenset(flags), by_hand)


def _by_hand(photo: Photo, boxes: Sequence[tuple[float, float, float, float]]) -> tuple[TubeLocation, ...]:
    """Take rectangles drawn by the user as the liquid."""
    height, width = photo.encoded.shape[:2]
    quads = []
    for number, box in enumerate(boxes, start=1):
        try:
            x, y, w, h = (float(value) for value in box)
        except (TypeError, ValueError) as error:
            raise InputError(
                f"tube {number}: a tube is outlined by four numbers x,y,width,height, got {box!r}"
            ) from error
        if not np.isfinite([x, y, w, h]).all() or w < 4 or h < 4:
            raise InputError(
                f"tube {number}: an outline needs finite numbers and at least 4 pixels each way, "
                f"got x={x:g}, y={y:g}, width={w:g}, height={h:g}"
            )
        if x < 0 or y < 0 or x + w > width or y + h > height:
            raise InputError(
                f"tube {number}: the outline must lie in the picture of {width} by {height} pixels, "
                f"got x={x:g}, y={y:g}, width={w:g}, height={h:g}"
            )
        quads.append(np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]))
    if not quads:
        raise InputError("outlining tubes by hand needs at least one x,y,width,height, got none")
    quads.sort(key=lambda quad: float(quad[0, 0]))
    scene = build_scene(photo.encoded)
    # how far the bottom bulges is not known: half a hemisphere is kept free
    return tuple(_location(scene.pyramid[0], quad, scene.gain, 0.5, by_hand=True) for quad in quads)
