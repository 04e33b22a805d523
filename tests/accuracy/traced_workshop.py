"""Stand a workshop up in space to photograph it again and again: for reading with the help of standards.

What stays is the phone, the lamp in its place, the room, the backing, the printed card, the indicator and
the kind of tube. From picture to picture tubes are filled anew and put back a little elsewhere, the card
may be, the phone is held a little otherwise and chooses exposure and white balance anew. The drawn
photographs of `workshop.py` have such workshops too, by numbers instead of geometry.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from traced_glass import Vessel
from traced_places import (
    PlacedCard,
    Row,
    View,
    draw_row,
    draw_view,
    fill_row,
    frame,
    place_card,
    well_seen,
)
from traced_world import Setting, Stand, draw_ledge, draw_lights, draw_stand, lifted, stand_up

from hueph._types import FloatArray
from hueph.synthetic import Scene, draw_world
from hueph.synthetic.cameras import Camera
from hueph.synthetic.dyes import draw_indicator
from hueph.synthetic.tubes import draw_tubes

__all__ = [
    "BALANCE_STD",
    "INDICATORS",
    "ROLES",
    "TUBES",
    "Workshop",
    "draw_ph",
    "draw_picture",
    "draw_workshop",
]

# As in `workshop.py`, which is not imported because it brings the estimator with it; a test compares them.
INDICATORS = (
    "four-dye classical",
    "four-dye wide",
    "four-dye from 3",
    "bromothymol blue",
    "phenol red",
    "green-blue",
)
BALANCE_STD = 0.02
ROLES = ("standards", "standards", "samples", "samples", "samples")
TUBES = 4
# How much differs from picture to picture (no source); lengths in mm, angles in radians.
EXPOSURE_STD, LEVELS = 0.05, (0.60, 0.93)
BORE_STD = 0.01
MIDDLE_STD, AWAY_STD, STEP_STD = 4.0, 1.0, 0.03
CARD_STD, CARD_TURN_STD = 2.0, 0.01
TRIES = 200


@dataclass(frozen=True, slots=True)
class Workshop:
    """What stays; `row` and `view` are what single pictures scatter about.

    Attributes
    ----------
    scene : Scene
        With indicator, card, backing, lights and camera; its tubes count for nothing.
    row : Row
    card : PlacedCard
    stand : Stand
    view : View
    size : tuple of int
        Width and height of the pictures, pixels.
    """

    scene: Scene
    row: Row
    card: PlacedCard
    stand: Stand
    view: View
    size: tuple[int, int]

    @property
    def height(self) -> float:
        """Return how high the ledge is that the tubes stand on, mm; 0 without."""
        return self.stand.ledge.height if self.stand.ledge else 0.0


def draw_workshop(
    rng: np.random.Generator, indicator: str, width: int = 1600, *, tent: bool = False
) -> Workshop:
    """Return a random workshop before white paper; the arguments are those of `draw_setting`."""
    scene = draw_world(rng, kind="sheet", indicator=draw_indicator(rng, indicator), tube_count=TUBES)
    for _ in range(TRIES):
        row, (rise, height) = draw_row(rng), draw_stand(rng)
        vessels = lifted(fill_row(rng, row, scene.tubes)[0], height)
        for _ in range(TRIES):
            card = place_card(rng, scene.card.layout, vessels, rise, height)
            size = (width, 3 * width // 4) if rng.random() < 0.6 else (3 * width // 4, width)
            view = draw_view(rng)
            eye = frame(view, vessels, card.corners, size)
            if well_seen(scene.card.layout, vessels, card.corners, eye):
                ledge = draw_ledge(rng, height, vessels) if height else None
                lamps, room = draw_lights(rng, scene, tent=tent)
                return Workshop(scene, row, card, Stand(rise, ledge, lamps, room), view, size)
    message = f"no place for card and {TUBES} tubes of {indicator} in pictures {width} pixels wide"
    raise RuntimeError(message)


def draw_ph(rng: np.random.Generator, chart_ph: FloatArray) -> list[FloatArray]:
    """Return the pH of the tubes of each picture of `ROLES`.

    Standards are evenly spaced from the low to the high end of the card, every other one in the first
    picture (both pictures go over the whole card); samples lie anywhere on it.
    """
    low, high = float(chart_ph[0]), float(chart_ph[-1])
    pictures = ROLES.count("standards")
    spaced = np.round(np.linspace(low, high, pictures * TUBES), 2)
    standards = [spaced[start::pictures] for start in range(pictures)]
    samples = [np.round(rng.uniform(low, high, TUBES), 2) for _ in range(ROLES.count("samples"))]
    return standards + samples


def draw_picture(rng: np.random.Generator, workshop: Workshop, ph: FloatArray) -> Setting:
    """Return the workshop with one tube of each pH, as it stands for one picture."""
    scene = replace(workshop.scene, camera=_camera(rng, workshop.scene.camera))
    tubes = draw_tubes(rng, scene.card.ph, workshop.size, count=len(ph), kind="sheet")
    tubes = tuple(replace(tube, ph=float(value)) for tube, value in zip(tubes, ph, strict=True))
    for _ in range(TRIES):
        vessels, filled = fill_row(rng, _row(rng, workshop.row), tubes, bore_std=BORE_STD)
        vessels = lifted(vessels, workshop.height)
        card_at = _card_at(rng, workshop.card)
        eye = frame(_view(rng, workshop.view), vessels, card_at, workshop.size)
        if well_seen(scene.card.layout, vessels, card_at, eye) and _on_board(vessels, workshop.stand):
            return stand_up(replace(scene, tubes=filled), vessels, card_at, workshop.stand, eye)
    message = f"no picture of {len(ph)} tubes in which card and tubes are seen well"
    raise RuntimeError(message)


def _camera(rng: np.random.Generator, phone: Camera) -> Camera:
    """Return the phone with exposure and white balance chosen anew."""
    return replace(
        phone,
        wb_error=phone.wb_error * np.exp(rng.normal(0.0, BALANCE_STD, 3)),
        level=float(np.clip(phone.level * np.exp(rng.normal(0.0, EXPOSURE_STD)), *LEVELS)),
    )


def _row(rng: np.random.Generator, row: Row) -> Row:
    """Return the row put back a little elsewhere: glass neither in glass nor in the backing."""
    return replace(
        row,
        middle=row.middle + float(rng.normal(0.0, MIDDLE_STD)),
        away=max(row.away + float(rng.normal(0.0, AWAY_STD)), row.outer + 0.6),
        step=max(row.step * float(np.exp(rng.normal(0.0, STEP_STD))), 2.06 * row.outer),
    )


def _card_at(rng: np.random.Generator, card: PlacedCard) -> FloatArray:
    """Return the corners of the card, which half of the times was moved a little along its own plane."""
    if rng.random() < 0.5:
        return card.corners
    middle = card.corners.mean(axis=0)
    across, up = (
        edge / np.linalg.norm(edge)
        for edge in (card.corners[1] - card.corners[0], card.corners[0] - card.corners[3])
    )
    turn = 0.0 if card.stands else float(rng.normal(0.0, CARD_TURN_STD))
    shift = rng.normal(0.0, CARD_STD, 2) * ([1.0, 0.0] if card.stands else [1.0, 1.0])
    local = (card.corners - middle) @ np.stack([across, up], axis=1)
    turned = local @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners: FloatArray = middle + (turned + shift) @ np.stack([across, up])
    return corners


def _view(rng: np.random.Generator, view: View) -> View:
    """Return where the phone is held this time."""
    return View(
        pitch=view.pitch + float(rng.normal(0.0, 0.015)),
        yaw=view.yaw + float(rng.normal(0.0, 0.02)),
        distance=view.distance * float(np.exp(rng.normal(0.0, 0.04))),
        roll=view.roll + float(rng.normal(0.0, 0.008)),
        fill=min(view.fill * float(np.exp(rng.normal(0.0, 0.04))), 0.93),
        aside=float(np.clip(view.aside + rng.normal(0.0, 0.08), -0.4, 0.4)),
        bottom=float(np.clip(view.bottom + rng.normal(0.0, 0.015), 0.70, 0.93)),
    )


def _on_board(vessels: list[Vessel], stand: Stand) -> bool:
    """Say whether all vessels stand on the ledge, where there is one."""
    return stand.ledge is None or all(item.outer - item.foot[1] < stand.ledge.deep for item in vessels)
