"""Find a chart in any picture: flat as it is, or in a photograph that is first made flat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.charting.extent import card_extent
from hueph.charting.flat import FlatChart, find_patches
from hueph.charting.picture import ChartPicture

__all__ = ["FoundChart", "find_chart"]


@dataclass(frozen=True, slots=True, eq=False)
class FoundChart:
    """A chart found in a picture.

    Attributes
    ----------
    linear : array, shape (h, w, 3)
        Flat picture of the card, linear light.
    clipped : array of bool, shape (h, w)
        Any channel at the top of its range.
    quads : array, shape (n, 4, 2)
        Corner points of the patches in the flat picture, reading order.
    seen : array of bool, shape (n,)
        False for a patch whose place was inferred.
    layout : str
        "row", "column" or "grid".
    extent : tuple of float
        x0, y0, x1, y1 of the card in the flat picture.
    to_picture : array, shape (3, 3)
        Homography from the flat picture to the picture it came from.
    is_flat : bool
        The picture was flat to begin with.
    patch_px : float
        Shorter side of the smallest patch in full-picture pixels.
    """

    linear: AnyArray
    clipped: BoolArray
    quads: FloatArray
    seen: BoolArray
    layout: str
    extent: tuple[float, float, float, float]
    to_picture: FloatArray
    is_flat: bool
    patch_px: float

    def card_quads(self) -> FloatArray:
        """Corner points in card units: pixels of the flat picture from the card's top-left corner."""
        return self.quads - np.array(self.extent[:2])

    def card_size(self) -> tuple[float, float]:
        """Width and height of the card, card units."""
        x0, y0, x1, y1 = self.extent
        return x1 - x0, y1 - y0


def find_chart(
    picture: ChartPicture, count: int, *, corners: npt.ArrayLike | None = None
) -> FoundChart:
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
    """
    flat = find_patches(picture.linear, count)
    return _as_found(picture, flat)


def _as_found(picture: ChartPicture, flat: FlatChart) -> FoundChart:
    sides = np.linalg.norm(flat.quads - np.roll(flat.quads, 1, axis=1), axis=2)
    return FoundChart(
        linear=picture.linear,
        clipped=picture.clipped,
        quads=flat.quads,
        seen=flat.seen,
        layout=flat.layout,
        extent=card_extent(picture.linear, flat.quads),
        to_picture=np.eye(3),
        is_flat=True,
        patch_px=float(sides.min()) * picture.photo.scale,
    )
