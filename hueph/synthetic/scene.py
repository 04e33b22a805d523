"""Random worlds: an indicator, a card, lamps, a backing, tubes and the camera that sees them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.synthetic.cameras import Camera, draw_camera
from hueph.synthetic.card import Card, draw_card
from hueph.synthetic.dyes import Indicator, draw_indicator
from hueph.synthetic.layout import place_card
from hueph.synthetic.surroundings import BACKINGS, Illumination, draw_backing, draw_illumination
from hueph.synthetic.tubes import Tube, draw_tubes

__all__ = ["KINDS", "Scene", "draw_world"]

KINDS = ("sheet", "bench", "mixed", "harsh", "odd")


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything that decides a photograph, apart from its noise.

    Attributes
    ----------
    kind : str
        sheet, bench, mixed, harsh or odd.
    indicator : Indicator
    card : Card
    tubes : tuple of Tube
        Left to right.
    backing_name : str
    backing, shelf : array, shape (n,)
        Reflectances.
    illumination : Illumination
    camera : Camera
    bounce : float
        Share of the light on the tubes that came off the shelf, tinted by it.
    card_to_picture : array, shape (3, 3)
        Homography from centimetres on the card to pixels of the picture.
    size : tuple of int
        Width and height of the picture in pixels.
    """

    kind: str
    indicator: Indicator
    card: Card
    tubes: tuple[Tube, ...]
    backing_name: str
    backing: FloatArray
    shelf: FloatArray
    illumination: Illumination
    camera: Camera
    bounce: float
    card_to_picture: FloatArray
    size: tuple[int, int]

    def tint(self) -> FloatArray:
        """Return the factor that light off the shelf puts on the light about the tubes, shape (n,)."""
        colour: FloatArray = 1.0 - self.bounce + self.bounce * self.shelf / self.shelf.mean()
        return colour


def draw_world(
    rng: np.random.Generator,
    *,
    kind: str | None = None,
    indicator: Indicator | None = None,
    card: Card | None = None,
    camera: Camera | None = None,
    illumination: Illumination | None = None,
    backing_name: str | None = None,
    tube_count: int | None = None,
    tubes: tuple[Tube, ...] | None = None,
    size: tuple[int, int] | None = None,
) -> Scene:
    """Return a random scene; whatever is named is kept, the rest is drawn.

    Parameters
    ----------
    rng : Generator
        The only source of chance.
    kind : str, optional
        sheet (white backing), bench (coloured backing), mixed (two lights), harsh (badly exposed,
        noisy, blurred) or odd (the first tube is no indicator sample).
    indicator, card, camera, illumination, tubes : optional
        Parts to use as they are.
    backing_name : str, optional
        One of `BACKINGS`.
    tube_count : int, optional
        Default: 1 to 5.
    size : tuple of int, optional
        Width and height of the picture; default: 1600 x 1200 or 1200 x 1600.

    Returns
    -------
    Scene

    Examples
    --------
    >>> import numpy as np
    >>> scene = draw_world(np.random.default_rng(1), kind="sheet", tube_count=3)
    >>> len(scene.tubes)
    3
    """
    kind = kind if kind is not None else str(rng.choice(KINDS, p=[0.42, 0.22, 0.13, 0.13, 0.10]))
    indicator = indicator if indicator is not None else draw_indicator(rng)
    card = card if card is not None else draw_card(rng, indicator)
    if backing_name is None:
        backing_name = str(rng.choice(BACKINGS[1:])) if kind == "bench" else "white"
    if size is None:
        size = (1600, 1200) if rng.random() < 0.6 else (1200, 1600)
    if tubes is None:
        count = tube_count if tube_count is not None else int(rng.integers(1, 6))
        tubes = draw_tubes(rng, card.ph, size, count=count, kind=kind)
    return Scene(
        kind=kind,
        indicator=indicator,
        card=card,
        tubes=tubes,
        backing_name=backing_name,
        backing=draw_backing(rng, backing_name),
        shelf=draw_backing(rng, str(rng.choice(["wood", "grey", "cream", "white"]))),
        illumination=illumination
        if illumination is not None
        else draw_illumination(rng, mixed=kind == "mixed"),
        camera=camera if camera is not None else draw_camera(rng, harsh=kind == "harsh"),
        bounce=float(rng.uniform(0.0, 0.10)),
        card_to_picture=place_card(rng, card.layout, tubes, size),
        size=size,
    )
