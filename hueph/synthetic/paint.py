"""Paint the light of a scene into raw camera channels: backing, shelf, card, and the tubes."""

from __future__ import annotations

import cv2
import numpy as np

from hueph._types import Float32Array
from hueph.synthetic.layout import outline, patch_corners, project
from hueph.synthetic.paint_tubes import paint_caustic, paint_tube, shade_wall
from hueph.synthetic.palette import Palette, light_maps, mottle, polygon
from hueph.synthetic.scene import Scene

__all__ = ["paint_scene"]


def paint_scene(scene: Scene, rng: np.random.Generator) -> Float32Array:
    """Return the scene's light in unscaled raw channels, shape (height, width, 3)."""
    palette = Palette(scene, light_maps(scene))
    picture = paint_wall(palette, rng)
    for index in range(len(scene.tubes)):
        shade_wall(palette, picture, index)
    paint_shelf(palette, picture, rng)
    for index in range(len(scene.tubes)):
        paint_caustic(palette, picture, index, rng)
    for index in range(len(scene.tubes)):
        paint_tube(palette, picture, index, rng)
    white = np.ones_like(scene.shelf)
    tint = palette.raw(scene.tint()).sum(axis=0) / palette.raw(white).sum(axis=0)
    picture *= tint.astype(np.float32)
    paint_card(palette, picture, rng)
    return picture


def paint_wall(palette: Palette, rng: np.random.Generator) -> Float32Array:
    """Paint the backing, lit, with a little mottle."""
    picture = palette.lit(palette.raw(palette.scene.backing))
    picture *= mottle(rng, palette.scene.size, 60.0, 0.006)[..., None]
    if palette.scene.backing_name == "wood":
        grain = mottle(rng, palette.scene.size, 6.0, 0.02)
        picture *= cv2.blur(grain, (1 + 2 * (palette.scene.size[0] // 16), 1))[..., None]
    return picture


def shelf_top(scene: Scene) -> float:
    """Return the height in the picture at which the shelf begins, pixels."""
    bottoms = [tube.bottom_px(scene.size) + 0.06 * tube.width_px for tube in scene.tubes]
    return float(np.median(bottoms)) if bottoms else 0.85 * scene.size[1]


def paint_shelf(palette: Palette, picture: Float32Array, rng: np.random.Generator) -> None:
    """Paint the shelf: a board the tubes stand on, or a table that fills the foot of the picture."""
    scene = palette.scene
    width, height = scene.size
    top = shelf_top(scene) + float(rng.uniform(0.0, 0.03)) * height
    thick = float(rng.uniform(0.02, 0.05)) * height
    tilt = float(rng.normal(0.0, 0.008)) * width
    board = palette.lit(palette.raw(scene.shelf)) * np.float32(rng.uniform(0.7, 1.15))
    if rng.random() < 0.5:
        left, right, foot = 0.0, float(width), float(height)
    else:
        left, right = float(rng.uniform(0.0, 0.15)) * width, float(rng.uniform(0.85, 1.0)) * width
        foot = top + thick
    corners = [(left, top - tilt), (right, top + tilt), (right, foot), (left, foot)]
    mask = polygon(scene.size, np.array(corners))
    small = cv2.resize(mask, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    soft = cv2.resize(cv2.GaussianBlur(small, (0, 0), 0.0025 * height), scene.size)
    # The board keeps light from the wall just below and above its edge.
    picture *= (1.0 - 0.25 * soft)[..., None]
    picture += mask[..., None] * (board - picture)


def paint_card(palette: Palette, picture: Float32Array, rng: np.random.Generator) -> None:
    """Paint the card: shadow, paper, patches and numbers."""
    scene = palette.scene
    layout, homography = scene.card.layout, scene.card_to_picture
    edges = project(homography, outline(layout))
    shadow = cv2.blur(
        cv2.blur(polygon(scene.size, edges + rng.normal(0.0, 3.0, 2) + [0.0, 3.0]), (7, 7)), (7, 7)
    )
    picture *= (1.0 - float(rng.uniform(0.1, 0.5)) * shadow)[..., None]
    surfaces = [(polygon(scene.size, edges), scene.card.paper)]
    corners = project(homography, patch_corners(layout))
    surfaces += [
        (polygon(scene.size, quad), reflectance)
        for quad, reflectance in zip(corners, scene.card.reflectance, strict=True)
    ]
    surfaces.append((numbers(scene), np.full_like(scene.card.paper, 0.04)))
    for mask, reflectance in surfaces:
        rows, cols = extent(mask)
        painted = palette.lit(palette.raw(reflectance), rows, cols)
        picture[rows, cols] += mask[rows, cols, None] * (painted - picture[rows, cols])


def extent(mask: Float32Array) -> tuple[slice, slice]:
    """Return the rows and columns a mask covers."""
    rows, cols = np.flatnonzero(mask.max(axis=1)), np.flatnonzero(mask.max(axis=0))
    if len(rows) == 0:
        return slice(0, 0), slice(0, 0)
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(cols[0]), int(cols[-1]) + 1)


def numbers(scene: Scene) -> Float32Array:
    """Return the coverage of the printed numbers, drawn on the card and warped into the picture."""
    layout = scene.card.layout
    # Three texels to a pixel keep the strokes smooth after warping.
    scale = 3.0 * float(np.linalg.norm(scene.card_to_picture[:, 0]))
    flat = np.zeros((int(layout.size[1] * scale) + 1, int(layout.size[0] * scale) + 1), np.uint8)
    for value, centre in zip(scene.card.ph, layout.labels, strict=True):
        text = f"{value:g}"
        size = layout.label_cm * scale / 22.0
        thick = max(round(2.0 * size), 1)
        (wide, high), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, thick)
        origin = (int(centre[0] * scale - wide / 2), int(centre[1] * scale + high / 2))
        cv2.putText(flat, text, origin, cv2.FONT_HERSHEY_SIMPLEX, size, 255, thick, cv2.LINE_AA)
    to_picture = scene.card_to_picture @ np.diag([1.0 / scale, 1.0 / scale, 1.0])
    warped = cv2.warpPerspective(
        cv2.GaussianBlur(flat, (0, 0), 1.2), to_picture, scene.size, flags=cv2.INTER_LINEAR
    )
    coverage: Float32Array = warped.astype(np.float32) / 255.0
    return coverage
