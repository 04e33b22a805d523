"""A printed page as a list of shapes, in millimetres from its top-left corner, y downwards."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Box", "Label", "Page", "Stroke"]

Colour = tuple[int, int, int]
BLACK: Colour = (0, 0, 0)


@dataclass(frozen=True, slots=True)
class Box:
    """A filled rectangle: left, top, width, height in mm; fill is 8-bit sRGB."""

    x: float
    y: float
    width: float
    height: float
    fill: Colour


@dataclass(frozen=True, slots=True)
class Stroke:
    """A straight line; all lengths in mm."""

    x0: float
    y0: float
    x1: float
    y1: float
    width: float = 0.25
    colour: Colour = BLACK


@dataclass(frozen=True, slots=True)
class Label:
    """A line of text.

    Attributes
    ----------
    x, y : float
        Where the base line begins, is centred or ends, mm.
    text : str
    size : float
        Height of the type (body), mm.
    anchor : str
        "start", "middle" or "end".
    bold : bool
    colour : 8-bit sRGB
    """

    x: float
    y: float
    text: str
    size: float
    anchor: str = "start"
    bold: bool = False
    colour: Colour = BLACK


@dataclass(slots=True)
class Page:
    """A page: width and height in mm, and its shapes in the order of drawing."""

    width: float
    height: float
    title: str
    shapes: list[Box | Stroke | Label] = field(default_factory=list)
