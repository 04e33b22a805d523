"""Scenes with known truth, drawn from physics: for training, calibration and tests only.

Nothing here is shared with the estimator beyond colour arithmetic. `draw_world` makes a random world,
`simulate_measurements` gives the mean colours a photograph of it shows (milliseconds),
`render_photo` draws that photograph (about a second) and `encode_photo` stores it as a file.

Modules: `spectra`, `dyes`, `lights`, `cameras` (physics); `layout`, `card`, `tubes`, `surroundings`,
`scene` (worlds); `measure` (fast path); `palette`, `paint`, `paint_tubes`, `shoot`, `render`,
`encode` (pixel path, needs OpenCV).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from hueph.synthetic.measure import Region, SceneMeasurements, simulate_measurements
from hueph.synthetic.scene import Scene, draw_world
from hueph.synthetic.tubes import Tube

if TYPE_CHECKING:
    from hueph.synthetic.encode import encode_photo
    from hueph.synthetic.render import render_artwork, render_photo

__all__ = [
    "Region",
    "Scene",
    "SceneMeasurements",
    "Tube",
    "draw_world",
    "encode_photo",
    "render_artwork",
    "render_photo",
    "simulate_measurements",
]


def __getattr__(name: str) -> Any:
    """Import the pixel path when it is asked for: training on colours needs no OpenCV."""
    if name == "encode_photo":
        from hueph.synthetic.encode import encode_photo

        return encode_photo
    if name in ("render_artwork", "render_photo"):
        from hueph.synthetic import render

        return getattr(render, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
