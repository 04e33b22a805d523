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

from hueph._types import FloatArray, IntArray
from hueph.synthetic import Scene, Tube, draw_world
from hueph.synthetic.card import Card
from hueph.synthetic.dyes import REFERENCE_BORE_MM
from hueph.synthetic.layout import CardLayout, homography_of, outline
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
SMALLEST_PATCH_PX, NARROWEST_TUBE_PX, WIDEST_TUBE_PX = 34.0, 82.0, 165.0  # 85 to 160 in theirs
WHITE_AT = np.array([0.0, 0.0, 60.0])


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
    vessels, scene = _draw_vessels(rng, world)
    lean = float(np.abs(rng.normal(0.0, 0.06))) if rng.random() < 0.6 else 0.0
    rise = np.array([0.0, np.sin(lean), np.cos(lean)])
    ledge = float(rng.uniform(6.0, 14.0)) if rng.random() < 0.3 else 0.0
    vessels = [replace(item, foot=item.foot + [0.0, 0.0, ledge]) for item in vessels]
    for _ in range(200):
        card_at = _place_card(rng, scene.card.layout, vessels, rise, ledge)
        size = (width, 3 * width // 4) if rng.random() < 0.6 else (3 * width // 4, width)
        eye = _draw_eye(rng, vessels, card_at, size)
        placed = homography_of(outline(scene.card.layout), eye.project(card_at))
        scene = replace(scene, card_to_picture=placed, size=size)
        wide_enough = (
            _patch_px(scene.card.layout, eye, card_at) > SMALLEST_PATCH_PX * width / 1600.0
            and _tube_px(vessels, eye) > NARROWEST_TUBE_PX * width / 1600.0
        )
        if wide_enough and _apart(vessels, eye, card_at):
            break
    plates = [_card_plate(scene.card, card_at)]
    reach_out = float(max(item.outer - item.foot[1] for item in vessels))
    plates += _backing_plates(rng, scene, eye, rise, ledge, reach_out)
    lamps, room = _draw_lights(rng, scene, tent=tent)
    liquids = [_liquid(scene, tube) for tube in scene.tubes]
    corners = [vessel.outline(eye, 0.0, vessel.level) for vessel in vessels]
    return Setting(scene, vessels, liquids, plates, lamps, room, eye, corners, 0, 1)


def _draw_vessels(rng: np.random.Generator, world: Scene) -> tuple[list[Vessel], Scene]:
    """Return the vessels in a row, feet on z = 0, and the world with volumes that suit them."""
    flat = rng.random() < 0.2
    if flat:
        outer, glass = float(rng.uniform(8.5, 11.5)), float(rng.uniform(0.9, 1.3))
    else:
        outer, glass = float(rng.choice([6.5, 8.0, 8.0, 8.0, 9.0])), float(rng.uniform(0.7, 1.2))
    inner, count = outer - glass, len(world.tubes)
    length = float(rng.uniform(5.0, 6.5) if flat else rng.uniform(9.5, 13.0)) * outer
    step = 2.0 * outer * float(rng.uniform(1.03, 2.4))
    # Shadows on the shelf of the development photographs say about 30 mm; a few stand close.
    away = outer + float(rng.uniform(4.0, 40.0) if rng.random() < 0.85 else rng.uniform(0.6, 4.0))
    lift = 0.0 if flat or rng.random() < 0.4 else float(rng.uniform(0.5, 5.0))
    middle, vessels, tubes = float(rng.normal(0.0, 10.0)), [], []
    for index, tube in enumerate(world.tubes):
        # The same drops per millilitre in wider glass: more of both.
        factor = float(np.clip((inner / 6.7) ** 2, 0.7, 2.0)) * float(
            rng.uniform(1.0, 1.5 if not flat else 2.2)
        )
        tube = replace(
            tube,
            volume_ml=round(tube.volume_ml * factor, 1),
            drops=round(tube.drops * factor, 1),
            bore_mm=2.0 * inner,
        )
        x = (
            middle
            + (index - 0.5 * (count - 1)) * step
            + (rng.normal(0.0, 0.3) if step > 2.2 * outer else 0.0)
        )
        lean = rng.normal(0.0, 0.012 if not flat else 0.0, 2) * min(1.0, (step / outer - 2.0) / 0.5)
        axis = np.array([lean[0], abs(lean[1]), 1.0])
        level = Vessel.level_of(tube.volume_ml, outer, inner, not flat)
        level = min(level, length - 1.2 * outer)
        foot = np.array([x, -away + rng.normal(0.0, 0.4), lift + 0.15])
        vessels.append(
            Vessel(
                foot, axis / np.linalg.norm(axis), outer, inner, length, level,
                float(rng.uniform(0.6, 1.6)), not flat,
            )
        )  # fmt: skip
        tubes.append(tube)
    return vessels, replace(world, tubes=tuple(tubes))


def _liquid(scene: Scene, tube: Tube) -> Liquid:
    """Return what a tube's liquid does to light, per millimetre."""
    across = tube_absorbance(scene, replace(tube, bore_mm=REFERENCE_BORE_MM))
    absorption = at_nodes(across) * np.log(10.0) / REFERENCE_BORE_MM
    # `haze` is a reduced scattering depth: isotropic steps, about one to three across the bore each.
    return Liquid(absorption, 2.0 * tube.haze / REFERENCE_BORE_MM)


def _place_card(
    rng: np.random.Generator, layout: CardLayout, vessels: list[Vessel], rise: FloatArray, ledge: float
) -> FloatArray:
    """Return the card's corners in space, clockwise from the top left, shape (4, 3)."""
    scale = 10.0 * float(rng.uniform(0.55, 1.3))
    wide, high = scale * np.array(layout.size)
    left = min(item.foot[0] for item in vessels) - vessels[0].outer
    right = max(item.foot[0] for item in vessels) + vessels[0].outer
    top = max(item.foot[2] + item.length for item in vessels)
    where = str(rng.choice(["above", "left", "right"], p=[0.5, 0.25, 0.25]))
    gap = float(rng.uniform(5.0, 30.0))
    if where == "above":
        x = 0.5 * (left + right) + float(rng.normal(0.0, 0.15)) * (right - left + 20.0)
        base = top + float(rng.uniform(2.0, 18.0)) + 0.5 * high
    else:
        x = left - gap - 0.5 * wide if where == "left" else right + gap + 0.5 * wide
        base = 0.5 * high + ledge + float(rng.uniform(0.0, max(top - high, 1.0)))
    turn = float(rng.normal(0.0, 0.015))
    off = float(rng.uniform(0.4, 2.5))
    up = rise.copy()
    if where != "above" and rng.random() < 0.4:
        # It stands on the shelf and leans at the backing.
        base, turn, more = 0.5 * high + ledge + 0.2, 0.0, float(rng.uniform(0.02, 0.15))
        up = np.array([0.0, rise[1] + more, rise[2]])
    up = up / np.linalg.norm(up)
    out = np.array([0.0, -rise[2], rise[1]])
    across = np.cos(turn) * np.array([1.0, 0.0, 0.0]) + np.sin(turn) * up
    upward = np.cos(turn) * up - np.sin(turn) * np.array([1.0, 0.0, 0.0])
    middle = np.array([x, 0.0, 0.0]) + base * up
    signs = np.array([[-0.5, 0.5], [0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]]) * [wide, high]
    corners: FloatArray = middle + signs @ np.stack([across, upward])
    # `off` is the distance of its nearest edge from the backing.
    return corners + (off - float((corners @ out).min())) * out


def _tube_px(vessels: list[Vessel], eye: Eye) -> float:
    """Return the width of the narrowest tube in the picture, pixels."""
    corners = [item.outline(eye, 0.0, item.level) for item in vessels]
    return float(min(np.linalg.norm(quad[1] - quad[0]) for quad in corners))


def _apart(vessels: list[Vessel], eye: Eye, card_at: FloatArray) -> bool:
    """Say whether no tube covers part of the card in the picture."""
    card = eye.project(card_at).astype(np.float32)
    glass = [item.outline(eye, 0.0, item.length + 3.0).astype(np.float32) for item in vessels]
    return all(cv2.intersectConvexConvex(card, quad)[0] <= 0.0 for quad in glass)


def _patch_px(layout: CardLayout, eye: Eye, card_at: FloatArray) -> float:
    """Return the smaller edge of a patch in the picture, pixels."""
    smallest = float((layout.boxes[0, 2:] - layout.boxes[0, :2]).min())
    corners = eye.project(card_at)
    seen = np.linalg.norm(corners[1] - corners[0]) / layout.size[0]
    return smallest * float(min(seen, np.linalg.norm(corners[3] - corners[0]) / layout.size[1]))


def _draw_eye(
    rng: np.random.Generator, vessels: list[Vessel], card_at: FloatArray, size: tuple[int, int]
) -> Eye:
    """Return a camera that has tubes and card in the frame with some air about them."""
    points = [card_at]
    for item in vessels:
        ends = item.foot + np.multiply.outer([0.0, item.length], item.axis)
        points += [ends + [item.outer, 0.0, 0.0], ends - [item.outer, 0.0, 0.0]]
    content = np.concatenate(points)
    middle = 0.5 * (content.min(axis=0) + content.max(axis=0))
    pitch, yaw = float(rng.uniform(-0.02, 0.22)), float(rng.normal(0.0, 0.07))
    ray = np.array([np.sin(yaw) * np.cos(pitch), -np.cos(yaw) * np.cos(pitch), np.sin(pitch)])
    place = middle + float(rng.uniform(300.0, 480.0)) * ray
    roll, fill = float(rng.normal(0.0, 0.018)), float(rng.uniform(0.66, 0.92))
    target, aside, bottom = middle, float(rng.uniform(-0.4, 0.4)), float(rng.uniform(0.72, 0.93))
    eye = Eye.looking(place, target, roll, 1.0, size)
    for _ in range(4):
        seen = eye.project(content) - np.array(size) / 2.0
        extent = np.ptp(seen, axis=0)
        focal = eye.focal_px * fill * float((np.array(size) / extent).min())
        distance = float(np.linalg.norm(vessels[0].foot - place))
        widest = WIDEST_TUBE_PX * max(size) / 1600.0 * distance / (2.0 * vessels[0].outer)
        focal = min(focal, widest)
        extent, seen = extent * focal / eye.focal_px, seen * focal / eye.focal_px
        # Feet low in the picture, but nothing cut off at its top.
        low = max((bottom - 0.5) * size[1], extent[1] - 0.48 * size[1])
        wanted = np.array(
            [aside * max(0.96 * size[0] - extent[0], 0.0), min(low, 0.49 * size[1]) - 0.5 * extent[1]]
        )
        shift = (0.5 * (seen.min(axis=0) + seen.max(axis=0)) - wanted) / focal
        forward = float(np.linalg.norm(target - place))
        target = target + forward * (shift[0] * eye.axes[0] + shift[1] * eye.axes[1])
        eye = Eye.looking(place, target, roll, focal, size)
    return eye


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


def _backing_plates(
    rng: np.random.Generator, scene: Scene, eye: Eye, rise: FloatArray, ledge: float, reach_out: float
) -> list[Plate]:
    """Return backing, shelf and a ledge for tubes that reach out so far; in sight, light maps are fine."""
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
        board = at_nodes(draw_backing(rng, str(rng.choice(["wood", "grey", "cream"]))))[None]
        start, end = low + 0.08 * (high - low), high - 0.08 * (high - low)
        deep = reach_out + float(rng.uniform(8.0, 20.0))
        up = np.array([0.0, 0.0, ledge])
        corner = np.array([start, -deep, 0.0])
        span, back = (end - start) * right, deep * away
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


def _draw_lights(rng: np.random.Generator, scene: Scene, *, tent: bool) -> tuple[list[Lamp], Room]:
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
