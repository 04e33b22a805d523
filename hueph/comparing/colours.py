"""Colours of liquids without a strip: enough to see a change, never enough for a pH."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from hueph._types import FloatArray, PathLike, triple
from hueph.locate.whole import locate_all
from hueph.measuring import BLACK_FLOOR, measure_tubes
from hueph.photo import Photo, load_photo
from hueph.results import PhotoReadings, Reading
from hueph.white_balance import linear_srgb_to_lab

__all__ = ["COLOUR_CHANGE_DELTA_E", "colour_verdict", "read_colours"]

# CIEDE2000 up to which pictures of one unchanged liquid by two cameras differ: at most 14.7 in the 78
# tubes of the development photographs, 97 % within 12.1 (tests/accuracy/compare_photos.py).
COLOUR_CHANGE_DELTA_E = 15.0


def read_colours(
    photo: PathLike | Photo, *, tubes: Sequence[tuple[float, float, float, float]] | None = None
) -> PhotoReadings:
    """Measure the colour of every liquid in a photograph relative to the backing beside it.

    Parameters
    ----------
    photo : path or Photo
    tubes : sequence of (x, y, width, height), optional
        Liquids outlined by hand, pixels of the full upright picture. Default: found.

    Returns
    -------
    PhotoReadings
        Readings with `lab` (the backing as white) and the flag "no-chart", and no pH.

    Raises
    ------
    PhotoError
        The file cannot be used as a photograph.
    TubesNotFound
        No vessel with liquid was found.
    """
    from hueph import __version__

    picture = photo if isinstance(photo, Photo) else load_photo(photo)
    located = locate_all(picture, None, boxes=tubes)
    picture, locations = located.photo, located.tubes
    readings = []
    for number, (place, tube) in enumerate(
        zip(locations, measure_tubes(picture, None, None, locations), strict=True), start=1
    ):
        ratio = tube.colour / np.maximum(tube.backing, BLACK_FLOOR)
        ratio = np.where(np.isfinite(ratio), ratio, tube.colour)
        lab = linear_srgb_to_lab(np.maximum(ratio @ picture.to_linear_srgb.T, 0.0))
        readings.append(
            Reading(
                tube=number,
                liquid=_points(picture, place.liquid),
                core=_points(picture, place.core),
                ph=None,
                ph_std=None,
                interval=None,
                bound=None,
                flags=tuple(sorted({*place.flags, "no-chart"})),
                lab=triple(lab),
                delta_e=None,
                grid=np.zeros(0),
                posterior=np.zeros(0),
            )
        )
    return PhotoReadings(
        file=picture.file,
        sha256=picture.sha256,
        width=picture.width,
        height=picture.height,
        chart_name="",
        chart_sha256="",
        tubes=tuple(readings),
        flags=tuple(sorted(picture.flags | located.flags)),
        version=__version__,
        strip_message="colours only: no chart was named, so no pH can be stated",
    )


def colour_verdict(delta_e: float) -> str:
    """Return "changed" or "no visible change" for a CIEDE2000 difference between two liquids."""
    return "changed" if delta_e > COLOUR_CHANGE_DELTA_E else "no visible change"


def _points(photo: Photo, quad: FloatArray) -> tuple[tuple[float, float], ...]:
    """Corner points in full-picture pixels."""
    return tuple((float(x), float(y)) for x, y in photo.to_full(quad))
