"""Draw a whole photograph of a scene, with the truth beside it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from hueph._types import UInt8Array
from hueph.synthetic.layout import outline, patch_corners, project
from hueph.synthetic.paint import paint_scene
from hueph.synthetic.paint_tubes import liquid_corners
from hueph.synthetic.scene import Scene
from hueph.synthetic.shoot import shoot

__all__ = ["render_artwork", "render_photo", "scene_truth"]

# Resolution of flat artwork, pixels per centimetre.
ARTWORK_PX_PER_CM = 60.0


def render_photo(scene: Scene, rng: np.random.Generator) -> tuple[UInt8Array, dict[str, Any]]:
    """Draw one photograph of `scene`.

    Parameters
    ----------
    scene : Scene
        From `draw_world`.
    rng : Generator
        Draws noise and everything that only pixels show (mottle, streaks, spots of light).

    Returns
    -------
    picture : array, shape (height, width, 3), uint8
        Upright, encoded sRGB; Display P3 numbers when ``truth["shot"]["p3"]``.
    truth : dict
        `kind`, `indicator`, `chart_ph`, `chart_srgb`, `backing`, `size`, `card` (4 corners),
        `patches` (corners of each, clockwise from the card's top left), `tubes` (`ph`, `what`,
        `drops`, `ml`, `load`, `liquid` corners) and `shot` (camera settings). Points are (x, y) in
        pixels of the upright picture.

    Examples
    --------
    >>> import numpy as np
    >>> from hueph.synthetic import draw_world
    >>> rng = np.random.default_rng(4)
    >>> picture, truth = render_photo(draw_world(rng, kind="sheet", tube_count=2), rng)
    >>> len(truth["tubes"])
    2
    """
    return shoot(scene, paint_scene(scene, rng), rng), scene_truth(scene)


def scene_truth(scene: Scene) -> dict[str, Any]:
    """Return the truth of a photograph of `scene`, as `render_photo` describes it."""
    camera = scene.camera
    homography, layout = scene.card_to_picture, scene.card.layout
    return {
        "kind": scene.kind,
        "indicator": scene.indicator.name,
        "chart_ph": scene.card.ph.tolist(),
        "chart_srgb": scene.card.artwork_srgb.tolist(),
        "backing": scene.backing_name,
        "lights": [light.name for light in scene.illumination.lights],
        "size": list(scene.size),
        "card": project(homography, outline(layout)).tolist(),
        "patches": project(homography, patch_corners(layout)).tolist(),
        "tubes": [
            {
                "ph": tube.ph,
                "what": tube.what,
                "drops": tube.drops,
                "ml": tube.volume_ml,
                "load": tube.load,
                "liquid": liquid_corners(scene, tube).tolist(),
            }
            for tube in scene.tubes
        ],
        "shot": {
            "level": camera.level,
            "vignette": camera.vignette,
            "flare": camera.flare,
            "blur": camera.blur_px,
            "full_well": camera.full_well,
            "read": camera.read,
            "bayer": camera.bayer,
            "saturation": camera.saturation,
            "contrast": camera.contrast,
            "sharpen": camera.sharpen,
            "quality": camera.quality,
            "p3": camera.display_p3,
        },
    }


def render_artwork(scene: Scene) -> UInt8Array:
    """Draw the flat artwork of the scene's card, 60 pixels per centimetre, sRGB, shape (h, w, 3)."""
    layout, scale = scene.card.layout, ARTWORK_PX_PER_CM
    size = (round(layout.size[0] * scale), round(layout.size[1] * scale))
    art = np.empty((size[1], size[0], 3), np.uint8)
    art[:] = np.rint(255.0 * scene.card.paper_srgb).astype(np.uint8)
    for box, colour, value, centre in zip(
        layout.boxes, scene.card.artwork_srgb, scene.card.ph, layout.labels, strict=True
    ):
        left, top, right, bottom = (round(float(edge) * scale) for edge in box)
        art[top:bottom, left:right] = np.rint(255.0 * colour).astype(np.uint8)
        font = layout.label_cm * scale / 22.0
        (wide, high), _ = cv2.getTextSize(f"{value:g}", cv2.FONT_HERSHEY_SIMPLEX, font, 1)
        place = (int(centre[0] * scale - wide / 2), int(centre[1] * scale + high / 2))
        cv2.putText(art, f"{value:g}", place, cv2.FONT_HERSHEY_SIMPLEX, font, (30, 30, 30), 1, cv2.LINE_AA)
    return art
