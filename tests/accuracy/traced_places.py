"""Where vessels, card and camera of a path-traced photograph stand (`traced_world.py` has the rest).

Millimetres; x to the right, y away from the viewer, z up; the backing meets the shelf along the x axis.
What a person sets up once and keeps (`Row`, `PlacedCard`, `View`) is drawn apart from what is in the tubes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from traced_glass import Eye, Vessel

from hueph._types import FloatArray
from hueph.synthetic import Tube
from hueph.synthetic.layout import CardLayout

__all__ = [
    "PlacedCard",
    "Row",
    "View",
    "draw_row",
    "draw_view",
    "fill_row",
    "frame",
    "place_card",
    "well_seen",
]

SMALLEST_PATCH_PX, NARROWEST_TUBE_PX, WIDEST_TUBE_PX = 34.0, 82.0, 165.0  # 85 to 160 in theirs


@dataclass(frozen=True, slots=True)
class Row:
    """One kind of tube, and a row of such tubes: radii, length, distances; all mm.

    Attributes
    ----------
    flat : bool
        Flat bottoms instead of half spheres.
    outer, inner, length : float
        Radii and length of the glass.
    step : float
        From axis to axis.
    away : float
        From the axes to the foot of the backing.
    lift : float
        How high a holder keeps the tubes above what is below them.
    middle : float
        Where the middle of the row stands, x.
    """

    flat: bool
    outer: float
    inner: float
    length: float
    step: float
    away: float
    lift: float
    middle: float


@dataclass(frozen=True, slots=True)
class PlacedCard:
    """A card in space: corners clockwise from the top left (4, 3); it hangs, or stands on the shelf."""

    corners: FloatArray
    stands: bool


@dataclass(frozen=True, slots=True)
class View:
    """Where a camera looks from (pitch, yaw, roll in radians; mm) and how it frames what it sees.

    `fill` is the share of the picture that tubes and card take, `aside` (-0.4 to 0.4) where they stand
    across the room left over, `bottom` how far down in the picture they reach.
    """

    pitch: float
    yaw: float
    distance: float
    roll: float
    fill: float
    aside: float
    bottom: float


def draw_row(rng: np.random.Generator) -> Row:
    """Return a random row of tubes of one kind."""
    flat = rng.random() < 0.2
    if flat:
        outer, glass = float(rng.uniform(8.5, 11.5)), float(rng.uniform(0.9, 1.3))
    else:
        outer, glass = float(rng.choice([6.5, 8.0, 8.0, 8.0, 9.0])), float(rng.uniform(0.7, 1.2))
    length = float(rng.uniform(5.0, 6.5) if flat else rng.uniform(9.5, 13.0)) * outer
    step = 2.0 * outer * float(rng.uniform(1.03, 2.4))
    # Shadows on the shelf of the development photographs say about 30 mm; a few stand close.
    away = outer + float(rng.uniform(4.0, 40.0) if rng.random() < 0.85 else rng.uniform(0.6, 4.0))
    lift = 0.0 if flat or rng.random() < 0.4 else float(rng.uniform(0.5, 5.0))
    return Row(flat, outer, outer - glass, length, step, away, lift, float(rng.normal(0.0, 10.0)))


def fill_row(
    rng: np.random.Generator, row: Row, tubes: tuple[Tube, ...], *, bore_std: float = 0.0
) -> tuple[list[Vessel], tuple[Tube, ...]]:
    """Return the vessels of a row, feet on z = 0, and what is in them with volumes that suit the glass.

    `bore_std` is the relative spread of the bores of one kind of tube.
    """
    vessels, filled = [], []
    for index, tube in enumerate(tubes):
        inner = row.inner * float(np.exp(rng.normal(0.0, bore_std))) if bore_std else row.inner
        # The same drops per millilitre in wider glass: more of both.
        factor = float(np.clip((inner / 6.7) ** 2, 0.7, 2.0)) * float(
            rng.uniform(1.0, 1.5 if not row.flat else 2.2)
        )
        tube = replace(
            tube,
            volume_ml=round(tube.volume_ml * factor, 1),
            drops=round(tube.drops * factor, 1),
            bore_mm=2.0 * inner,
        )
        x = (
            row.middle
            + (index - 0.5 * (len(tubes) - 1)) * row.step
            + (rng.normal(0.0, 0.3) if row.step > 2.2 * row.outer else 0.0)
        )
        lean = rng.normal(0.0, 0.012 if not row.flat else 0.0, 2)
        lean = lean * min(1.0, (row.step / row.outer - 2.0) / 0.5)
        axis = np.array([lean[0], abs(lean[1]), 1.0])
        level = Vessel.level_of(tube.volume_ml, row.outer, inner, not row.flat)
        level = min(level, row.length - 1.2 * row.outer)
        foot = np.array([x, -row.away + rng.normal(0.0, 0.4), row.lift + 0.15])
        vessels.append(
            Vessel(
                foot, axis / np.linalg.norm(axis), row.outer, inner, row.length, level,
                float(rng.uniform(0.6, 1.6)), not row.flat,
            )
        )  # fmt: skip
        filled.append(tube)
    return vessels, tuple(filled)


def place_card(
    rng: np.random.Generator, layout: CardLayout, vessels: list[Vessel], rise: FloatArray, ledge: float
) -> PlacedCard:
    """Return a card above or beside the vessels; the backing goes up along `rise`."""
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
    stands = where != "above" and rng.random() < 0.4
    if stands:
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
    return PlacedCard(corners + (off - float((corners @ out).min())) * out, stands)


def draw_view(rng: np.random.Generator) -> View:
    """Return a random view with some air about tubes and card."""
    return View(
        pitch=float(rng.uniform(-0.02, 0.22)),
        yaw=float(rng.normal(0.0, 0.07)),
        distance=float(rng.uniform(300.0, 480.0)),
        roll=float(rng.normal(0.0, 0.018)),
        fill=float(rng.uniform(0.66, 0.92)),
        aside=float(rng.uniform(-0.4, 0.4)),
        bottom=float(rng.uniform(0.72, 0.93)),
    )


def frame(view: View, vessels: list[Vessel], card_at: FloatArray, size: tuple[int, int]) -> Eye:
    """Return the camera of a view that has tubes and card in the frame."""
    points = [card_at]
    for item in vessels:
        ends = item.foot + np.multiply.outer([0.0, item.length], item.axis)
        points += [ends + [item.outer, 0.0, 0.0], ends - [item.outer, 0.0, 0.0]]
    content = np.concatenate(points)
    middle = 0.5 * (content.min(axis=0) + content.max(axis=0))
    cos, sin = np.cos(view.pitch), np.sin(view.pitch)
    ray = np.array([np.sin(view.yaw) * cos, -np.cos(view.yaw) * cos, sin])
    place, target = middle + view.distance * ray, middle
    eye = Eye.looking(place, target, view.roll, 1.0, size)
    for _ in range(4):
        seen = eye.project(content) - np.array(size) / 2.0
        extent = np.ptp(seen, axis=0)
        focal = eye.focal_px * view.fill * float((np.array(size) / extent).min())
        distance = float(np.linalg.norm(vessels[0].foot - place))
        widest = WIDEST_TUBE_PX * max(size) / 1600.0 * distance / (2.0 * vessels[0].outer)
        focal = min(focal, widest)
        extent, seen = extent * focal / eye.focal_px, seen * focal / eye.focal_px
        # Feet low in the picture, but nothing cut off at its top.
        low = max((view.bottom - 0.5) * size[1], extent[1] - 0.48 * size[1])
        wanted = np.array(
            [view.aside * max(0.96 * size[0] - extent[0], 0.0), min(low, 0.49 * size[1]) - 0.5 * extent[1]]
        )
        shift = (0.5 * (seen.min(axis=0) + seen.max(axis=0)) - wanted) / focal
        forward = float(np.linalg.norm(target - place))
        target = target + forward * (shift[0] * eye.axes[0] + shift[1] * eye.axes[1])
        eye = Eye.looking(place, target, view.roll, focal, size)
    return eye


def well_seen(layout: CardLayout, vessels: list[Vessel], card_at: FloatArray, eye: Eye) -> bool:
    """Say whether patches and tubes are large enough in the picture and no tube covers part of the card."""
    share = max(eye.size) / 1600.0
    return (
        _patch_px(layout, eye, card_at) > SMALLEST_PATCH_PX * share
        and _tube_px(vessels, eye) > NARROWEST_TUBE_PX * share
        and _apart(vessels, eye, card_at)
    )


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
