"""The little pH axis of a tube as plain shapes: posterior, range, value, expectation; grey only."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from hueph.archive.report_view import ReadingView, TubeView

__all__ = ["Line", "Polygon", "Shape", "Words", "axis_shapes"]

_INK, _MIDDLE, _PALE = 0.1, 0.55, 0.82


@dataclass(frozen=True, slots=True)
class Line:
    """A line; positions from the top left, `grey` 0 black to 1 white."""

    x1: float
    y1: float
    x2: float
    y2: float
    thick: float
    grey: float


@dataclass(frozen=True, slots=True)
class Polygon:
    """A filled outline."""

    points: tuple[tuple[float, float], ...]
    fill: float
    outline: float


@dataclass(frozen=True, slots=True)
class Words:
    """Text centred on `x`, its foot at `y`."""

    x: float
    y: float
    text: str
    size: float


Shape = Line | Polygon | Words


def axis_shapes(tube: TubeView, reading: ReadingView, width: float, height: float) -> tuple[Shape, ...]:
    """Return the shapes of a tube's axis.

    Parameters
    ----------
    tube : TubeView
    reading : ReadingView
        The photograph it stands in; all its tubes get the same axis.
    width, height : float
        Of the drawing, any unit.

    Returns
    -------
    tuple of Shape
        The hill is the posterior, the bar the range (an arrow where it is open), the tick across it the
        value, the diamond the expected pH.
    """
    stated = [value for each in reading.tubes for value in (each.low, each.high, each.expected)]
    values = [*reading.card_ph, *(value for value in stated if value is not None)]
    if not values:
        return ()
    first, last = math.floor(min(values) - 0.3), math.ceil(max(values) + 0.3)
    floor = height - 13.0

    def x_of(ph: float) -> float:
        return 6.0 + (width - 12.0) * (min(max(ph, first), last) - first) / (last - first)

    shapes: list[Shape] = []
    inside = [(ph, density) for ph, density in tube.posterior if first <= ph <= last]
    if inside and tube.low is None and tube.high is None:
        inside = []  # nothing may be said, so nothing is shown
    if inside:
        peak = max(density for _, density in inside)
        hill = tuple((x_of(ph), floor - (floor - 14.0) * density / peak) for ph, density in inside)
        shapes.append(Polygon(((hill[0][0], floor), *hill, (hill[-1][0], floor)), _PALE, _MIDDLE))
    shapes.append(Line(x_of(first), floor, x_of(last), floor, 0.8, _INK))
    step = 1 if last - first <= 10 else 2
    for ph in range(first, last + 1, step):
        shapes += [
            Line(x_of(ph), floor, x_of(ph), floor + 3.0, 0.8, _INK),
            Words(x_of(ph), height - 1.0, str(ph), 8.0),
        ]
    shapes += [Line(x_of(ph), floor - 2.0, x_of(ph), floor, 0.5, _MIDDLE) for ph in reading.card_ph]
    shapes += _range_shapes(tube, x_of, first, last)
    if tube.expected is not None:
        x, y = x_of(tube.expected), floor - 5.0
        shapes.append(Polygon(((x, y - 4.5), (x + 4.5, y), (x, y + 4.5), (x - 4.5, y)), 1.0, _INK))
    return tuple(shapes)


def _range_shapes(tube: TubeView, x_of: Callable[[float], float], first: float, last: float) -> list[Shape]:
    """Return the bar of the range: closed ends are capped, open ends are arrows."""
    if tube.low is None and tube.high is None:
        return []
    y = 7.0
    left = x_of(first if tube.low is None else tube.low)
    right = x_of(last if tube.high is None else tube.high)
    shapes: list[Shape] = [Line(left, y, right, y, 2.2, _INK)]
    for x, is_open, way in ((left, tube.low is None, 1.0), (right, tube.high is None, -1.0)):
        if is_open:
            shapes.append(Polygon(((x, y), (x + 6.0 * way, y - 4.0), (x + 6.0 * way, y + 4.0)), _INK, _INK))
        else:
            shapes.append(Line(x, y - 4.0, x, y + 4.0, 1.4, _INK))
    if tube.ph is not None:
        shapes.append(Line(x_of(tube.ph), y - 6.0, x_of(tube.ph), y + 6.0, 2.6, _INK))
    return shapes
