"""Find strip and tubes of a photograph together: within its frame, and whichever way up it was stored.

Screenshots and pages are cut down to the photograph they show (`frame`). Tubes are looked for upright. A picture
that was stored lying on its side, or upside down, shows none, or a few unlikely ones; then it is
turned by quarter turns, and the way in which vessels are surest is taken, if they are much surer. A card
that hangs upright in the picture says that there is nothing to turn, where any tube is found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from hueph._photo.upright import quarter_turned_points
from hueph._threads import side_by_side
from hueph._types import FloatArray
from hueph.chart import Chart
from hueph.errors import InputError, StripNotFound, TubesNotFound
from hueph.locate.card import without_print
from hueph.locate.frame import without_frame
from hueph.locate.strip import locate_strip
from hueph.locate.tubes import locate_tubes, prepare_search, sureness
from hueph.locate.types import StripLocation, TubeLocation
from hueph.photo import Photo

__all__ = ["Located", "locate_all"]

Box: TypeAlias = tuple[float, float, float, float]

# Log odds in all that vessels of a turned picture must have, and times those of the picture as it is.
# Less where the card comes to hang upright as well.
LEAST_TURNED, SURER, LEAST_BY_CARD = 4.0, 2.0, 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Located:
    """Strip and tubes of a photograph, in pixels of the part of it they were found in.

    Attributes
    ----------
    photo : Photo
        That part, set upright.
    strip : StripLocation or None
    no_strip : StripNotFound or None
        Why there is no strip.
    tubes : tuple of TubeLocation
        Left to right in `photo`.
    flags : frozenset of str
        Names from `hueph.flags` that concern the picture.
    """

    photo: Photo
    strip: StripLocation | None
    no_strip: StripNotFound | None
    tubes: tuple[TubeLocation, ...]
    flags: frozenset[str] = frozenset()

    def found_strip(self) -> StripLocation:
        """Return the strip.

        Raises
        ------
        StripNotFound
            There is none.
        """
        if self.strip is None:
            raise self.no_strip or StripNotFound("no reference strip: none was looked for; name a chart")
        return self.strip


def locate_all(
    photo: Photo,
    chart: Chart | None,
    *,
    corners: FloatArray | None = None,
    boxes: Sequence[Box] | None = None,
) -> Located:
    """Find strip and tubes of a photograph.

    Parameters
    ----------
    photo : Photo
        As loaded.
    chart : Chart or None
        None: no strip is looked for.
    corners : array, shape (4, 2), optional
        Where the user says the patches are, full-picture pixels, as for `locate_strip`.
    boxes : sequence of (x, y, width, height), optional
        Liquids outlined by the user, full-picture pixels: nothing is searched, and the picture is not turned.

    Returns
    -------
    Located

    Raises
    ------
    StripNotFound, TubesNotFound
        Neither strip nor tubes, or no tubes.
    InputError
        An outline breaks its rule.

    Examples
    --------
    >>> located = locate_all(load_photo("bench.jpg"), chart)  # doctest: +SKIP
    >>> located.photo.to_full(located.tubes[0].liquid)  # doctest: +SKIP
    array([...])
    """
    photo = _part_shown(photo, corners, boxes)
    drawn = None if corners is None else photo.to_working(corners)
    (strip, no_strip), scene = side_by_side(
        lambda: _strip_or_why_not(photo, chart, drawn),
        # Before a card of our own the search waits until the print is out of the way.
        lambda: None if boxes is not None or (chart and chart.markers) else prepare_search(photo),
    )
    bare = photo if chart is None or strip is None else without_print(photo, chart, strip)
    if boxes is not None:
        outlined = [_box_to_working(photo, box) for box in boxes]
        return Located(photo, strip, no_strip, locate_tubes(bare, strip, boxes=outlined))
    quarters = 0 if strip is None else _quarters_to_upright(bare, strip)
    try:
        tubes = locate_tubes(bare, strip, scene=scene) if not quarters else ()
    except TubesNotFound as nothing:
        quarters = _quarters_to_upright(bare, strip, even_so=True)
        if not quarters:
            raise (no_strip or nothing) from None
    if quarters:
        strip = None if strip is None else _turned_strip(strip, bare, quarters)
        tubes = locate_tubes(bare.turned(quarters), strip)
        return Located(photo.turned(quarters), strip, no_strip, tubes, frozenset({"picture-turned"}))
    return Located(photo, strip, no_strip, tubes)


def _part_shown(photo: Photo, corners: FloatArray | None, boxes: Sequence[Box] | None) -> Photo:
    """Return the photograph within the picture's frame, unless the user has outlined something beyond it."""
    part = without_frame(photo)
    height, width = part.encoded.shape[:2]
    drawn = [] if corners is None else [corners]
    drawn += [np.array([[x, y], [x + w, y + h]]) for x, y, w, h in map(_four_numbers, boxes or ())]
    inside = all(
        ((points >= -0.5) & (points < np.array([width, height]))).all()
        for points in map(part.to_working, drawn)
    )
    return part if inside else photo


def _strip_or_why_not(
    photo: Photo, chart: Chart | None, corners: FloatArray | None
) -> tuple[StripLocation | None, StripNotFound | None]:
    """Return where the strip is, or the error that says why it was not found."""
    if chart is None:
        return None, None
    try:
        return locate_strip(photo, chart, corners=corners), None
    except StripNotFound as error:
        # Its traceback holds the frames that hold it: a ring, and the whole picture in it.
        return None, error.with_traceback(None)


def _card_quarters(strip: StripLocation) -> int:
    """Return by how many quarter turns clockwise the card comes to hang upright."""
    right, down = (strip.patches[:, [1, 3]] - strip.patches[:, [0]]).mean(axis=0)
    return round(float(np.degrees(np.arctan2(down[0] - right[1], down[1] + right[0]))) / 90.0) % 4


def _quarters_to_upright(photo: Photo, strip: StripLocation | None, *, even_so: bool = False) -> int:
    """Return by how many quarter turns clockwise vessels come to stand upright, 0 where that is not plain.

    Where the card hangs upright as it is, none but `even_so`.
    """
    by_card = 0 if strip is None else _card_quarters(strip)
    if not by_card and not even_so:
        return 0
    sure = np.zeros(4)
    for quarters in range(4):
        turned = None if strip is None else _turned_strip(strip, photo, quarters)
        sure[quarters] = sureness(photo.turned(quarters), turned)
    least = np.array([np.inf, *(LEAST_BY_CARD if by_card == k else LEAST_TURNED for k in (1, 2, 3))])
    plain = sure > np.maximum(least, SURER * sure[0])
    return int(np.argmax(np.where(plain, sure, -1.0))) if plain.any() else 0


def _turned_strip(strip: StripLocation, photo: Photo, quarters: int) -> StripLocation:
    """Return the strip of a picture in the picture turned clockwise."""
    shape = photo.encoded.shape
    frame = quarter_turned_points(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]), quarters, shape)
    turn = np.eye(3)
    turn[:2] = np.column_stack([frame[1] - frame[0], frame[2] - frame[0], frame[0]])
    return replace(
        strip,
        patches=quarter_turned_points(strip.patches, quarters, shape),
        homography=turn @ strip.homography,
    )


def _four_numbers(box: Box) -> Box:
    """Return a rectangle as four plain numbers."""
    try:
        x, y, w, h = (float(value) for value in box)
    except (TypeError, ValueError) as error:
        raise InputError(f"outlining a tube by hand needs x, y, width and height, got {box!r}") from error
    return x, y, w, h


def _box_to_working(photo: Photo, box: Box) -> Box:
    """Turn a rectangle of the full picture into one of the working picture."""
    x, y, w, h = _four_numbers(box)
    if not (w > 0 and h > 0 and x + w > 0 and y + h > 0 and x < photo.width and y < photo.height):
        raise InputError(
            f"outlining a tube in {photo.file}: the rectangle must have a size and touch the picture "
            f"({photo.width} x {photo.height} pixels), got x {x:g}, y {y:g}, width {w:g}, height {h:g}"
        )
    (left, top), (right, bottom) = photo.to_working([(x, y), (x + w, y + h)])
    return float(left), float(top), float(right - left), float(bottom - top)
