"""Stand a random world of `hueph.synthetic` up in space: vessels, card, backing, lamps, room, camera.

What is in the tubes, the printed card, the lamps' spectra and the camera come from `draw_world`; where
everything stands, its shape and the way light takes are drawn here. Millimetres; x to the right,
y away from the viewer, z up; the backing meets the shelf along the x axis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from traced_glass import Eye, Plate, Vessel
from traced_paths import NODES_NM, Lamp, Liquid, Room
from traced_places import draw_row, draw_view, fill_row, frame, place_card, well_seen

from hueph._types import FloatArray, IntArray
from hueph.synthetic import Scene, Tube, draw_world
from hueph.synthetic.card import Card
from hueph.synthetic.dyes import REFERENCE_BORE_MM
from hueph.synthetic.layout import homography_of, outline
from hueph.synthetic.measure import tube_absorbance
from hueph.synthetic.spectra import WAVELENGTHS_NM, smooth_reflectance
from hueph.synthetic.surroundings import draw_backing

__all__ = ["KINDS", "Setting", "at_nodes", "draw_setting", "kind_of"]

ODDITIES = ("food dye", "milky", "water")
# Thirty scenes in the shares of the development photographs.
SHARES = {"sheet": 13, "bench": 6, "mixed": 3, "harsh": 4, "odd": 4}
# Kind k of n fills n places as evenly spread as can be.
KINDS = [
    kind
    for _, kind in sorted(
        (((place + 0.5) / count), kind) for kind, count in SHARES.items() for place in range(count)
    )
]
RASTER_PX_PER_CM = 150
TEXEL_PX = 9.0  # of the light maps, in pictures 1600 pixels wide: 1 to 2 mm
WHITE_AT = np.array([0.0, 0.0, 60.0])


@dataclass(frozen=True, slots=True)
class Ledge:
    """A board on the shelf that the vessels stand on: height and depth (mm), reflectance at the nodes."""

    height: float
    deep: float
    board: FloatArray


@dataclass(frozen=True, slots=True)
class Stand:
    """What stands about the vessels: direction up the backing, a ledge, lamps and room."""

    rise: FloatArray
    ledge: Ledge | None
    lamps: list[Lamp]
    room: Room


@dataclass(frozen=True, slots=True)
class Setting:
    """A world in space; `scene` has its card placed and its tubes' volumes set."""

    scene: Scene
    vessels: list[Vessel]
    liquids: list[Liquid]
    plates: list[Plate]
    lamps: list[Lamp]
    room: Room
    eye: Eye
    liquid_corners: list[FloatArray]
    card_plate: int
    wall_plate: int


def at_nodes(spectra: FloatArray) -> FloatArray:
    """Return spectra (..., wavelengths) at the tracer's nodes."""
    start = np.searchsorted(WAVELENGTHS_NM, NODES_NM)
    values: FloatArray = spectra[..., start]
    return values


def kind_of(number: int) -> tuple[str, str]:
    """Return kind and what is in the first tube of scene `number`; odd scenes take turns at `ODDITIES`."""
    kind = KINDS[number % len(KINDS)]
    before = (number // len(KINDS)) * SHARES["odd"] + KINDS[: number % len(KINDS)].count("odd")
    return kind, ODDITIES[before % len(ODDITIES)] if kind == "odd" else "sample"


def draw_setting(
    rng: np.random.Generator, kind: str, width: int = 1600, *, first: str = "sample", tent: bool = False
) -> Setting:
    """Return a random world standing in space, seen by its camera.

    Parameters
    ----------
    rng : Generator
    kind : str
        As for `draw_world`.
    width : int
        Longer side of the picture, pixels.
    first : str
        What is in the first tube.
    tent : bool
        The room is nearly as bright all round as the backing, as in a light tent.
    """
    world = draw_world(rng, kind=kind)
    while world.tubes[0].what != first:
        world = draw_world(rng, kind=kind)
    vessels, tubes = fill_row(rng, draw_row(rng), world.tubes)
    rise, height = draw_stand(rng)
    vessels = lifted(vessels, height)
    for _ in range(200):
        card = place_card(rng, world.card.layout, vessels, rise, height)
        size = (width, 3 * width // 4) if rng.random() < 0.6 else (3 * width // 4, width)
        eye = frame(draw_view(rng), vessels, card.corners, size)
        if well_seen(world.card.layout, vessels, card.corners, eye):
            break
    ledge = draw_ledge(rng, height, vessels) if height else None
    lamps, room = draw_lights(rng, world, tent=tent)
    scene = replace(world, tubes=tubes)
    return stand_up(scene, vessels, card.corners, Stand(rise, ledge, lamps, room), eye)


def draw_stand(rng: np.random.Generator) -> tuple[FloatArray, float]:
    """Return the unit vector up the backing, which may lean away, and the height of a ledge or 0."""
    lean = float(np.abs(rng.normal(0.0, 0.06))) if rng.random() < 0.6 else 0.0
    return np.array([0.0, np.sin(lean), np.cos(lean)]), (
        float(rng.uniform(6.0, 14.0)) if rng.random() < 0.3 else 0.0
    )


def draw_ledge(rng: np.random.Generator, height: float, vessels: list[Vessel]) -> Ledge:
    """Return a ledge deep enough for vessels that stand on it."""
    board = at_nodes(draw_backing(rng, str(rng.choice(["wood", "grey", "cream"]))))[None]
    reach_out = float(max(item.outer - item.foot[1] for item in vessels))
    return Ledge(height, reach_out + float(rng.uniform(8.0, 20.0)), board)


def lifted(vessels: list[Vessel], height: float) -> list[Vessel]:
    """Return the vessels standing that much higher."""
    return [replace(item, foot=item.foot + [0.0, 0.0, height]) for item in vessels]


def stand_up(scene: Scene, vessels: list[Vessel], card_at: FloatArray, stand: Stand, eye: Eye) -> Setting:
    """Return the setting of everything that has its place; the scene's card is put where `eye` sees it."""
    placed = homography_of(outline(scene.card.layout), eye.project(card_at))
    scene = replace(scene, card_to_picture=placed, size=eye.size)
    plates = [_card_plate(scene.card, card_at), *_backing_plates(scene, eye, stand)]
    liquids = [_liquid(scene, tube) for tube in scene.tubes]
    corners = [vessel.outline(eye, 0.0, vessel.level) for vessel in vessels]
    return Setting(scene, vessels, liquids, plates, stand.lamps, stand.room, eye, corners, 0, 1)


def _liquid(scene: Scene, tube: Tube) -> Liquid:
    """Return what a tube's liquid does to light, per millimetre."""
    across = tube_absorbance(scene, replace(tube, bore_mm=REFERENCE_BORE_MM))
    absorption = at_nodes(across) * np.log(10.0) / REFERENCE_BORE_MM
    # `haze` is a reduced scattering depth: isotropic steps, about one to three across the bore each.
    return Liquid(absorption, 2.0 * tube.haze / REFERENCE_BORE_MM)


def _card_plate(card: Card, card_at: FloatArray) -> Plate:
    """Return the printed card: paper, black numbers, patches."""
    layout, scale = card.layout, RASTER_PX_PER_CM
    wide, high = (round(edge * scale) for edge in layout.size)
    raster = np.zeros((high, wide), np.uint8)
    for number, box in enumerate(layout.boxes):
        left, top, right, bottom = (round(float(edge) * scale) for edge in box)
        raster[top:bottom, left:right] = 2 + number
    for value, centre in zip(card.ph, layout.labels, strict=True):
        font = layout.label_cm * scale / 22.0
        (text_wide, text_high), _ = cv2.getTextSize(f"{value:g}", cv2.FONT_HERSHEY_SIMPLEX, font, 3)
        place = (int(centre[0] * scale - text_wide / 2), int(centre[1] * scale + text_high / 2))
        cv2.putText(raster, f"{value:g}", place, cv2.FONT_HERSHEY_SIMPLEX, font, 1, 3)
    ink = np.full_like(card.paper, 0.04)
    spectra = at_nodes(np.concatenate([[card.paper, ink], card.reflectance]))
    materials: IntArray = raster[::-1].astype(np.intp)
    return Plate(card_at[3], card_at[2] - card_at[3], card_at[0] - card_at[3], spectra, materials, 2.0)


def _backing_plates(scene: Scene, eye: Eye, stand: Stand) -> list[Plate]:
    """Return backing, shelf and ledge; in sight, light maps are fine."""
    rise, ledge = stand.rise, stand.ledge
    flat = np.zeros((1, 1), np.intp)
    right = np.array([1.0, 0.0, 0.0])
    wall, shelf = at_nodes(scene.backing)[None], at_nodes(scene.shelf)[None]
    reach, height, depth = 450.0, 480.0, 320.0
    seen = _seen_on(eye, np.zeros(3), np.array([0.0, -rise[2], rise[1]]))
    low, high = np.clip(seen[:, 0].min() - 6.0, -reach, 0), np.clip(seen[:, 0].max() + 6.0, 0, reach)
    top = float(np.clip((seen @ rise).max() + 6.0, 20.0, height))
    floor = _seen_on(eye, np.zeros(3), np.array([0.0, 0.0, 1.0]))
    front = float(np.clip(-floor[:, 1].min() + 5.0, 10.0, depth)) if len(floor) else 10.0

    distance = float(np.linalg.norm(eye.place))
    fine = TEXEL_PX * max(eye.size) / 1600.0 * distance / eye.focal_px

    def rectangle(
        corner: FloatArray, across: FloatArray, up: FloatArray, spectra: FloatArray, step: float
    ) -> Plate:
        return Plate(np.asarray(corner, float), across, up, spectra, flat, step)

    def strip(x: float, wide: float, start: float, length: float, along: FloatArray, step: float) -> Plate:
        spectra = wall if along is rise else shelf
        return rectangle(x * right + start * along, wide * right, length * along, spectra, step)

    away = np.array([0.0, 1.0, 0.0])
    plates = [
        strip(low, high - low, 0.0, top, rise, fine),
        strip(low, high - low, -front, front, away, fine),
        strip(-reach, low + reach, 0.0, top, rise, 15.0),
        strip(high, reach - high, 0.0, top, rise, 15.0),
        strip(-reach, 2.0 * reach, top, height, rise, 15.0),
        strip(-reach, low + reach, -front, front, away, 15.0),
        strip(high, reach - high, -front, front, away, 15.0),
        strip(-reach, 2.0 * reach, -front - depth, depth, away, 15.0),
    ]
    if ledge:
        board = ledge.board
        start, end = low + 0.08 * (high - low), high - 0.08 * (high - low)
        up = np.array([0.0, 0.0, ledge.height])
        corner = np.array([start, -ledge.deep, 0.0])
        span, back = (end - start) * right, ledge.deep * away
        plates += [
            rectangle(corner + up, span, back, board, 1.5),
            rectangle(corner, span, up, board, 2.0),
            rectangle(corner + back, -back, up, board, 3.0),
            rectangle(corner + span, back, up, board, 3.0),
        ]
    return [plate for plate in plates if np.linalg.norm(plate.across) > 1.0]


def _seen_on(eye: Eye, origin: FloatArray, normal: FloatArray) -> FloatArray:
    """Return where the rays of the frame's border meet a plane in front of the camera, shape (n, 3)."""
    share = np.linspace(0.0, 1.0, 33)
    zero, one = np.zeros_like(share), np.ones_like(share)
    border = np.concatenate(
        [np.stack(pair, axis=1) for pair in ((share, zero), (share, one), (zero, share), (one, share))]
    )
    local = (border - 0.5) * np.array(eye.size) / eye.focal_px
    rays = local @ eye.axes[:2] + eye.axes[2]
    slant = rays @ normal
    distance = float((origin - eye.place) @ normal) / np.where(np.abs(slant) > 1e-6, slant, 1e-6)
    keep = (distance > 0.0) & (distance < 2000.0)
    return np.asarray(eye.place + distance[keep, None] * rays[keep])


def draw_lights(rng: np.random.Generator, scene: Scene, *, tent: bool) -> tuple[list[Lamp], Room]:
    """Return lamps and room whose light on the middle of the backing sums to about irradiance 1.

    What the room gives the backing it also mirrors on the glass: as a share of a white backing's
    brightness 0.1 to 0.45, in a `tent` 0.4 to 1. The darkest tubes of the development photographs (a
    twentieth of them under 0.033 of the backing's luminance) leave no more than the former.
    """
    strengths = scene.illumination.strengths
    share = float(rng.random())
    room_share = 0.25 + 0.35 * share if tent else 0.08 + 0.22 * share
    side = float(rng.choice([-1.0, 1.0]))
    lamps = []
    for number, strength in enumerate(strengths):
        azimuth = side * (-1.0) ** number * float(rng.uniform(0.0 if len(strengths) == 1 else 0.4, 1.15))
        slope = float(rng.uniform(0.2, 1.2))
        away = np.array([np.sin(azimuth) * np.cos(slope), -np.cos(azimuth) * np.cos(slope), np.sin(slope)])
        distance = float(rng.uniform(550.0, 1100.0))
        place = WHITE_AT + distance * away
        across = np.cross(-away, [0.0, 0.0, 1.0])
        across /= np.linalg.norm(across)
        up = np.cross(-away, across) * distance * float(rng.uniform(0.25, 0.6))
        across = across * distance * float(rng.uniform(0.25, 0.7))
        # Irradiance of a small source facing the place: radiance, solid angle, cosine.
        area = float(np.linalg.norm(across) * np.linalg.norm(up))
        share = (1.0 - room_share) * float(strength)
        radiance = share / (area / distance**2 * -float(away[1]))
        lamps.append(Lamp(place - 0.5 * across - 0.5 * up, across, up, radiance))
    paint = at_nodes(smooth_reflectance(np.array([0.0, 0.0, 0.9]) + rng.normal(0.0, 0.2, 3)))
    tilt = np.array([*rng.normal(0.0, 0.25, 2), float(rng.uniform(0.3, 0.9))])
    return lamps, Room(room_share / np.pi, tilt, paint / paint.mean(), strengths / strengths.sum())
