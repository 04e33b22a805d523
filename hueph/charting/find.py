"""Find a chart in any picture: the picture is the card, or the card is somewhere in a photograph."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from hueph._checks import check_array
from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.charting.crops import likely_crops, neutral
from hueph.charting.extent import card_extent
from hueph.charting.flat import FlatChart, find_patches
from hueph.charting.judge import OtherCount
from hueph.charting.outline import card_outline
from hueph.charting.picture import ChartPicture
from hueph.errors import ChartError, InputError
from hueph.locate.geometry import apply_homography, fit_homography, goes_clockwise

__all__ = ["FoundChart", "find_chart"]

_BORDER = 0.02  # share of the picture's sides looked at to tell a card from a photograph of one
_SURROUNDINGS = 1.6  # patches around those found in which no further one may show
_BY_HAND_MARGIN = 1.3  # patches of paper kept around the rectangle given by hand
_BY_HAND_SIDE = 1000  # pixels of the longer side of the card made flat from four points


@dataclass(frozen=True, slots=True, eq=False)
class FoundChart:
    """A chart found in a picture.

    Attributes
    ----------
    linear : array, shape (h, w, 3)
        The part of the picture that holds the card, linear light.
    clipped : array of bool, shape (h, w)
        Any channel at the top of its range.
    quads : array, shape (n, 4, 2)
        Corner points of the patches in that part, reading order.
    plan : array, shape (n, 4, 2)
        The same corners on the flat card, pixels.
    seen : array of bool, shape (n,)
        False for a patch whose place was inferred.
    layout : str
        "row", "column" or "grid".
    extent : tuple of float
        x0, y0, x1, y1 of the card in the units of `plan`.
    to_picture : array, shape (3, 3)
        Homography from the part to the picture it came from.
    is_flat : bool
        The picture is a scan or artwork rather than a photograph.
    patch_px : float
        Shorter side of the smallest patch in full-picture pixels.
    """

    linear: AnyArray
    clipped: BoolArray
    quads: FloatArray
    plan: FloatArray
    seen: BoolArray
    layout: str
    extent: tuple[float, float, float, float]
    to_picture: FloatArray
    is_flat: bool
    patch_px: float

    def card_quads(self) -> FloatArray:
        """Corner points in card units, from the card's top-left corner."""
        return self.plan - np.array(self.extent[:2])

    def card_size(self) -> tuple[float, float]:
        """Width and height of the card, card units."""
        x0, y0, x1, y1 = self.extent
        return x1 - x0, y1 - y0

    def picture_quads(self) -> FloatArray:
        """Corner points of the patches in the picture, shape (n, 4, 2)."""
        return apply_homography(self.to_picture, self.quads)


def find_chart(picture: ChartPicture, count: int, *, corners: npt.ArrayLike | None = None) -> FoundChart:
    """Find `count` patches of a chart in a picture.

    Parameters
    ----------
    picture : ChartPicture
    count : int
    corners : array, shape (4, 2), optional
        Corner points (x, y) of the rectangle around all patches, full-picture pixels.

    Returns
    -------
    FoundChart

    Raises
    ------
    ChartError
        Not found surely enough.
    InputError
        `corners` is not four points going clockwise.
    """
    if corners is not None:
        return _by_hand(picture, count, corners)
    problem: ChartError | None = None
    for attempt in _attempts(picture, count):
        try:
            found = attempt.find(count)
        except ChartError as error:
            if attempt.is_card and isinstance(error, OtherCount):
                raise  # a part of the card would hide some of its patches
            problem = problem or error
            continue
        if not attempt.is_card:
            _confirm(attempt, found, count)
        return found
    assert problem is not None  # the whole picture is always among the attempts
    raise problem


@dataclass(frozen=True, slots=True, eq=False)
class _Attempt:
    """A part of the picture in which to look."""

    picture: ChartPicture
    box: tuple[int, int, int, int]
    is_card: bool
    confirming: bool = False

    def find(self, count: int) -> FoundChart:
        """Look in the part as it is, then, when its card is seen at a slant, with the slant taken out."""
        try:
            return self._find_as_seen(count)
        except ChartError as error:
            upright = None if self.is_card else self._find_upright(count)
            if upright is None:
                raise error
            return upright

    def _find_as_seen(self, count: int) -> FoundChart:
        x0, y0, x1, y1 = self.box
        part = self.picture.linear[y0:y1, x0:x1]
        thorough = self.is_card or self.confirming
        linear = part if self.is_card else neutral(part)
        flat = find_patches(linear, count, strict=not self.is_card, thorough=thorough)
        shift = np.array([[1.0, 0, x0], [0, 1, y0], [0, 0, 1]])
        return _found(
            self.picture, part, self.picture.clipped[y0:y1, x0:x1], flat, shift, is_flat=self.is_card
        )

    def _find_upright(self, count: int) -> FoundChart | None:
        x0, y0, x1, y1 = self.box
        corners = card_outline(neutral(self.picture.linear[y0:y1, x0:x1]))
        if corners is None:
            return None
        points = corners + [x0, y0]
        sides = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        size = np.array([(sides[0] + sides[2]) / 2, (sides[1] + sides[3]) / 2])
        size *= min(2.0, _BY_HAND_SIDE / float(size.max()))
        wide, high = (round(float(value)) for value in size)
        to_flat = fit_homography(points, np.array([[0, 0], [wide, 0], [wide, high], [0, high]], float))
        part, clipped = self.picture.flattened(to_flat, (wide, high))
        try:
            flat = find_patches(neutral(part), count, strict=True, thorough=False)
        except ChartError:
            return None
        return _found(self.picture, part, clipped, flat, np.linalg.inv(to_flat), is_flat=False)


def _confirm(attempt: _Attempt, found: FoundChart, count: int) -> None:
    """Look once more with more of the surroundings when patches may lie just outside the part looked at."""
    quads = found.picture_quads()
    reach = _SURROUNDINGS * np.median(np.ptp(quads, axis=1), axis=0)
    height, width = attempt.picture.linear.shape[:2]
    low = np.maximum(np.floor(quads.min(axis=(0, 1)) - reach), 0).astype(int)
    high = np.minimum(np.ceil(quads.max(axis=(0, 1)) + reach), [width, height]).astype(int)
    x0, y0, x1, y1 = attempt.box
    wider = (min(int(low[0]), x0), min(int(low[1]), y0), max(int(high[0]), x1), max(int(high[1]), y1))
    if wider == attempt.box:
        return
    try:
        replace(attempt, box=wider, confirming=True).find(count)
    except OtherCount:
        raise
    except ChartError:
        return  # what else is there confuses; the part alone was clear


def _attempts(picture: ChartPicture, count: int) -> Iterator[_Attempt]:
    height, width = picture.linear.shape[:2]
    whole = (0, 0, width, height)
    is_card = looks_like_a_card(picture)
    if is_card:
        yield _Attempt(picture, whole, True)
    for crop in likely_crops(picture, count):
        yield _Attempt(picture, crop, False)
    if not is_card:
        yield _Attempt(picture, whole, False)


def looks_like_a_card(picture: ChartPicture) -> bool:
    """Say whether the picture is a scan or artwork: light neutral paper under even light to its rim."""
    linear = picture.linear
    height, width = linear.shape[:2]
    edge = max(2, int(_BORDER * min(height, width)))
    rim = np.concatenate(
        [part.reshape(-1, 3) for part in (linear[:edge], linear[-edge:], linear[:, :edge], linear[:, -edge:])]
    ).astype(np.float64)
    middle = np.median(rim, axis=0)
    even = np.abs(np.log(np.clip(rim, 1e-3, None)) - np.log(np.clip(middle, 1e-3, None))).max(axis=1)
    if float(np.percentile(even, 75)) > 0.03:
        return False
    uniform = float(np.percentile(even, 90)) < 0.01
    light = float(middle.min()) > 0.55 and float(middle.max() / middle.min()) < 1.15
    return uniform or light


def _by_hand(picture: ChartPicture, count: int, corners: npt.ArrayLike) -> FoundChart:
    """Make the rectangle that the user outlined flat and look there."""
    points = picture.from_full(check_array(corners, "corners", (4, 2)))
    if not goes_clockwise(points):
        raise InputError(
            "outlining the chart by hand: the four points must go clockwise around the patches, starting at the "
            f"top-left of the upright card, found {points.round(1).tolist()}; give them in that order"
        )
    sides = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    size = np.array([(sides[0] + sides[2]) / 2, (sides[1] + sides[3]) / 2])
    scale = min(2.0, _BY_HAND_SIDE / float(size.max()))
    size = size * scale
    margin = _BY_HAND_MARGIN * min(float(size.min()), float(np.sqrt(size.prod() / count)))
    low, high = np.array([margin, margin]), size + margin
    target = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    to_flat = fit_homography(points, target)
    part, clipped = picture.flattened(
        to_flat, (round(float(high[0] + margin)), round(float(high[1] + margin)))
    )
    flat = find_patches(
        neutral(part), count, around=(float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    )
    return _found(picture, part, clipped, flat, np.linalg.inv(to_flat), is_flat=False)


def _found(
    picture: ChartPicture,
    part: AnyArray,
    clipped: BoolArray,
    flat: FlatChart,
    to_picture: FloatArray,
    *,
    is_flat: bool,
) -> FoundChart:
    in_picture = apply_homography(to_picture, flat.quads)
    sides = np.linalg.norm(in_picture - np.roll(in_picture, 1, axis=1), axis=2)
    found = FoundChart(
        linear=part,
        clipped=clipped,
        quads=flat.quads,
        plan=flat.quads if is_flat else flat.plan,
        seen=flat.seen,
        layout=flat.layout,
        extent=card_extent(part, flat.quads, limit=None if is_flat else 0.8),
        to_picture=to_picture,
        is_flat=is_flat,
        patch_px=float(sides.min()) * picture.photo.scale,
    )
    return found if is_flat else replace(found, extent=_flat_extent(found))


def _flat_extent(found: FoundChart) -> tuple[float, float, float, float]:
    """Take the card's outline from the part of the picture to the flat card."""
    x0, y0, x1, y1 = found.extent
    to_plan = fit_homography(found.quads.reshape(-1, 2), found.plan.reshape(-1, 2))
    corners = apply_homography(to_plan, np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    low = np.minimum(corners.min(axis=0), found.plan.reshape(-1, 2).min(axis=0))
    high = np.maximum(corners.max(axis=0), found.plan.reshape(-1, 2).max(axis=0))
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
