"""Paint tubes: the backing they shade and tint, glass, liquid, its surface, and mirrored lights."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import Float32Array, FloatArray
from hueph.synthetic.measure import crossed_light, tube_absorbance
from hueph.synthetic.palette import Palette
from hueph.synthetic.scene import Scene
from hueph.synthetic.tubes import SPILL_AT, SPILL_WIDTH, Tube

__all__ = ["liquid_corners", "paint_caustic", "paint_tube", "shade_wall"]

# Steps of the table of colours along the chord of a tube.
CHORDS = 24


@dataclass(frozen=True)
class Local:
    """The part of the picture about a tube, in the tube's own coordinates.

    `u` runs across, 0 on the axis, +-0.5 at the apparent edge of the liquid; `v` runs down from the
    surface of the liquid, both in liquid widths.
    """

    rows: slice
    cols: slice
    u: Float32Array
    v: Float32Array
    pixel: float


def local(scene: Scene, tube: Tube, above: float, below: float, aside: float) -> Local:
    """Return the tube's coordinates over a window around it (extents in liquid widths)."""
    width, height = scene.size
    x0, y0 = tube.position[0] * width, tube.position[1] * height
    half = 0.5 * tube.fill * tube.width_px
    rows = slice(
        max(int(y0 - half - above * tube.width_px), 0), min(int(y0 + half + below * tube.width_px), height)
    )
    cols = slice(max(int(x0 - aside * tube.width_px), 0), min(int(x0 + aside * tube.width_px) + 1, width))
    x = (np.arange(cols.start, cols.stop, dtype=np.float32) - np.float32(x0)) / np.float32(tube.width_px)
    y = ((np.arange(rows.start, rows.stop, dtype=np.float32) - np.float32(y0)) / np.float32(tube.width_px))[
        :, None
    ]
    sine, cosine = np.float32(np.sin(tube.tilt)), np.float32(np.cos(tube.tilt))
    return Local(
        rows,
        cols,
        x * cosine + y * sine,
        -x * sine + y * cosine + np.float32(tube.fill / 2),
        1.0 / tube.width_px,
    )


def liquid_corners(scene: Scene, tube: Tube) -> FloatArray:
    """Return the corners of the liquid column, clockwise from the top left, pixels, shape (4, 2)."""
    half = 0.5 * tube.fill
    across = np.array([np.cos(tube.tilt), np.sin(tube.tilt)])
    down = np.array([-np.sin(tube.tilt), np.cos(tube.tilt)])
    centre = tube.position * np.array(scene.size)
    signs = ((-0.5, -half), (0.5, -half), (0.5, half), (-0.5, half))
    return np.stack([centre + tube.width_px * (u * across + v * down) for u, v in signs])


def bump(value: Float32Array, centre: float, width: float) -> Float32Array:
    """Return a smooth bump of height 1."""
    result: Float32Array = np.exp(-0.5 * ((value - np.float32(centre)) / np.float32(width)) ** 2)
    return result


def along(place: Local, tube: Tube) -> Float32Array:
    """Return 1 beside the liquid, fading above and below it."""
    rise = 1.0 / (1.0 + np.exp(-(place.v + 0.15) / 0.2))
    fall = 1.0 / (1.0 + np.exp((place.v - np.float32(tube.fill) - 0.10) / 0.15))
    window: Float32Array = (rise * fall).astype(np.float32)
    return window


def shade_wall(palette: Palette, picture: Float32Array, index: int) -> None:
    """Darken and tint the backing about one tube as its optics say."""
    scene, tube = palette.scene, palette.scene.tubes[index]
    place = local(scene, tube, 1.5, 1.0, 1.6)
    window = along(place, tube)
    optics = tube.optics
    sides = bump(place.u, -SPILL_AT, SPILL_WIDTH), bump(place.u, SPILL_AT, SPILL_WIDTH)
    middle = np.clip(1.0 - np.abs(place.u) / SPILL_AT, 0.0, 1.0)
    darker = middle * np.log(optics.shade)
    for side, shade in zip(sides, optics.side_shade, strict=True):
        darker = darker + side * np.log(shade)
    region = picture[place.rows, place.cols]
    region *= np.exp(window * darker)[..., None]
    once = 10.0 ** (-optics.path * tube_absorbance(scene, tube))
    through = palette.raw(scene.backing * once).sum(axis=0) / palette.raw(scene.backing).sum(axis=0)
    spill = window * sum(side * share for side, share in zip(sides, optics.side_spill, strict=True))
    region *= 1.0 - np.minimum(spill, 0.95)[..., None] * (1.0 - through.astype(np.float32))


def paint_caustic(palette: Palette, picture: Float32Array, index: int, rng: np.random.Generator) -> None:
    """Paint the coloured spot of light under the tube and the shadow around it."""
    scene, tube = palette.scene, palette.scene.tubes[index]
    place = local(scene, tube, 0.0, 1.2, 1.2)
    once = 10.0 ** (-0.7 * tube_absorbance(scene, tube))
    base = picture[place.rows, place.cols]
    tint = palette.raw(once).sum(axis=0) / palette.raw(np.ones_like(once)).sum(axis=0)
    low = np.float32(tube.fill) + np.float32(rng.uniform(0.05, 0.3))
    base *= (
        1.0
        - float(rng.uniform(0.1, 0.4))
        * (bump(place.u, 0.0, 0.4) * bump(place.v, float(low), 0.12))[..., None]
    )
    spot = bump(place.u, float(rng.normal(0, 0.1)), float(rng.uniform(0.08, 0.25))) * bump(
        place.v, float(low) + float(rng.uniform(0.0, 0.3)), float(rng.uniform(0.03, 0.08))
    )
    base *= 1.0 + float(rng.uniform(0.0, 0.9)) * spot[..., None] * (2.0 * tint.astype(np.float32) - 0.4)


def chord_colours(palette: Palette, index: int) -> FloatArray:
    """Return raw colours of the column for chords of 0 to 1 bore, shape (CHORDS, lights, 3)."""
    scene, tube, optics = palette.scene, palette.scene.tubes[index], palette.scene.tubes[index].optics
    chord = np.linspace(0.0, 1.0, CHORDS)[:, None]
    once = 10.0 ** (-optics.path * chord * tube_absorbance(scene, tube))
    behind = scene.backing * optics.shade * crossed_light(scene, index)
    seen = ((1.0 - optics.stray) * once + optics.stray) * behind * optics.empty * optics.clear
    if tube.haze:
        cloud = 1.0 - np.exp(-tube.haze * chord)
        seen = (1.0 - cloud) * seen + cloud * 0.55 * optics.shade * once**0.5
    return palette.raw(seen + optics.veil * (0.4 * scene.backing + 0.4))


def paint_tube(palette: Palette, picture: Float32Array, index: int, rng: np.random.Generator) -> None:
    """Paint glass, liquid, surface, and the lights mirrored on them."""
    scene, tube = palette.scene, palette.scene.tubes[index]
    place = local(scene, tube, tube.length - tube.fill + 0.2, 0.3, 0.9)
    region = picture[place.rows, place.cols]
    white = palette.lit(palette.raw(np.ones_like(scene.backing)), place.rows, place.cols)
    paint_glass(tube, place, region, white)
    paint_liquid(palette, index, place, region, rng)
    paint_mirrors(tube, place, region, white, rng)


def half_width(place: Local, half: float, bottom: float) -> Float32Array:
    """Return the half width of a round-bottomed body at each height, in liquid widths."""
    lift = np.clip((place.v - np.float32(bottom - half)) / np.float32(half), 0.0, 1.0)
    width: Float32Array = np.float32(half) * np.sqrt(np.maximum(1.0 - lift * lift, 0.0))
    return np.where(place.v > bottom, np.float32(-1.0), width)


def coverage(place: Local, half: Float32Array) -> Float32Array:
    """Return how far pixels lie inside a body of given half width, 0..1 with a soft edge."""
    inside: Float32Array = np.clip((half - np.abs(place.u)) / np.float32(place.pixel) + 0.5, 0.0, 1.0)
    return inside


def paint_glass(tube: Tube, place: Local, region: Float32Array, white: Float32Array) -> None:
    """Paint the empty glass over what is behind it: a little loss, dark rims, a rounded bottom."""
    outer = half_width(place, 0.54, tube.fill + 0.06)
    mask = coverage(place, outer) * np.clip(
        (place.v + np.float32(tube.length - tube.fill)) / place.pixel, 0.0, 1.0
    )
    depth = np.clip((outer - np.abs(place.u)) / 0.54, 0.0, 1.0)
    rim = np.exp(-depth / 0.035)
    factor = tube.optics.empty * (1.0 - 0.35 * rim)
    region *= 1.0 - mask[..., None] * (1.0 - factor[..., None])
    region += (mask * tube.optics.veil)[..., None] * white * 0.8
    lip = bump(place.v, -(tube.length - tube.fill), 0.02) * (np.abs(place.u) < 0.56)
    region *= 1.0 - 0.3 * lip[..., None]


def paint_liquid(
    palette: Palette, index: int, place: Local, region: Float32Array, rng: np.random.Generator
) -> None:
    """Paint the liquid: chords through a cylinder that the glass magnifies, the surface, the bottom."""
    tube = palette.scene.tubes[index]
    half = half_width(place, 0.5, tube.fill)
    # The eye looks slightly down or up on the surface: its edge is a shallow arc.
    bend = float(rng.normal(0.0, 0.03))
    surface = np.float32(bend) * np.maximum(np.float32(1.0) - np.float32(4.0) * place.u**2, np.float32(0.0))
    mask = coverage(place, half) * np.clip((place.v - surface) / place.pixel + 0.5, 0.0, 1.0)
    # Refraction widens the column to the outer glass: the chord at the apparent edge is not zero.
    index_ratio = float(rng.uniform(1.15, 1.40))
    across = np.abs(place.u) / np.maximum(half, 1e-3)
    chord = np.sqrt(np.maximum(1.0 - (across / np.float32(index_ratio)) ** 2, 0.0)) * np.clip(
        half / 0.5, 0.0, 1.0
    )
    table = chord_colours(palette, index).astype(np.float32)
    position = np.clip(chord * (CHORDS - 1), 0.0, CHORDS - 1.001)
    lower = position.astype(np.int32)
    part = (position - lower)[..., None]
    painted = np.zeros_like(region)
    for light in range(table.shape[1]):
        colour = table[lower, light] * (1.0 - part) + table[lower + 1, light] * part
        painted += palette.maps[light, place.rows, place.cols, None] * colour
    region += mask[..., None] * (painted - region)
    line = bump(place.v - surface, -0.01, float(rng.uniform(0.010, 0.022))) * (np.abs(place.u) < 0.5)
    region *= 1.0 - float(rng.uniform(0.3, 0.7)) * line[..., None]


def paint_mirrors(
    tube: Tube, place: Local, region: Float32Array, white: Float32Array, rng: np.random.Generator
) -> None:
    """Paint lamps and windows mirrored in the glass: bright upright streaks, one time in two.

    A lamp far away is a thread near a wall, a window close by a band anywhere across the vessel.
    """
    for _ in range(int(rng.choice([0, 1, 2], p=[0.5, 0.35, 0.15]))):
        strength = float(rng.uniform(0.05, 0.7))
        width = 0.008 * 12.5 ** float(rng.uniform())
        across = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.0 if width > 0.03 else 0.22, 0.44))
        middle = float(rng.uniform(-0.4 * tube.length, 0.8 * tube.fill))
        streak = bump(place.u, across, width)
        streak = streak * bump(place.v, middle, float(rng.uniform(0.3, 1.5)))
        region += (strength * streak)[..., None] * white
