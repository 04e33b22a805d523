"""What locating hands on: where the strip and the tubes are, in pixels of the working picture."""

from __future__ import annotations

from dataclasses import dataclass

from hueph._types import FloatArray

__all__ = ["StripLocation", "TubeLocation"]


@dataclass(frozen=True, slots=True, eq=False)
class StripLocation:
    """The reference strip in a picture.

    Attributes
    ----------
    patches : array, shape (n, 4, 2)
        Corner points (x, y) of each patch of the chart, in chart order, working-picture pixels;
        corners in the order of the chart's own corners (top-left first on the upright card).
    homography : array, shape (3, 3)
        Card units to working-picture pixels.
    seen : tuple of bool
        Which patches were really seen (False: inferred from the others; do not measure colour there).
    margin : float
        How clearly the accepted order beat the best other order (0: not at all; larger is surer).
    flags : frozenset of str
        Names from `hueph.flags` that concern the strip.
    """

    patches: FloatArray
    homography: FloatArray
    seen: tuple[bool, ...]
    margin: float
    flags: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, eq=False)
class TubeLocation:
    """One vessel with liquid in a picture, working-picture pixels, points (x, y).

    Attributes
    ----------
    liquid : array, shape (4, 2)
        Corner points of the liquid column: top-left, top-right, bottom-right, bottom-left.
    core : array, shape (4, 2)
        The part fit for measuring: away from walls, meniscus, rounded bottom and neighbours.
    left_out : tuple of str
        Why the rest was left out, one short phrase each.
    flags : frozenset of str
        Names from `hueph.flags` that concern this tube.
    by_hand : bool
        True when the user drew it.
    """

    liquid: FloatArray
    core: FloatArray
    left_out: tuple[str, ...] = ()
    flags: frozenset[str] = frozenset()
    by_hand: bool = False
