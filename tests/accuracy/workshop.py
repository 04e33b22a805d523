"""A workshop to draw again and again: one phone, one lamp in its place, one printed card, one kind of tube.

What stays is the camera with its processing, the lamp and where it stands, the card, the bore of the tubes
and how much light falls on the backing through the liquid. White balance and exposure are the phone's
choice in each picture, the framing, the dye amounts and each tube's own optics are drawn anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from PIL import Image
from train_scorer import scene_evidence

from hueph._types import FloatArray
from hueph.calibration import KnownTube
from hueph.estimating.features import TubeEvidence
from hueph.synthetic import (
    Scene,
    draw_world,
    encode_photo,
    render_artwork,
    render_photo,
    simulate_measurements,
)
from hueph.synthetic.cameras import Camera, draw_camera
from hueph.synthetic.card import Card, draw_card
from hueph.synthetic.dyes import REFERENCE_BORE_MM, Indicator, draw_indicator
from hueph.synthetic.surroundings import Illumination, draw_illumination

# Indicators that cards are printed for; the renderer's random mixtures are left out.
INDICATORS = (
    "four-dye classical",
    "four-dye wide",
    "four-dye from 3",
    "bromothymol blue",
    "phenol red",
    "green-blue",
)
# A phone balances the same scene a little differently each time (no source).
_BALANCE_STD = 0.02
# The lamp is put back nearly where it stood; a tube's own share of light through the liquid varies.
_SLOPE_STD, RELIT_STD = 0.03, 0.08


@dataclass(frozen=True, slots=True)
class Workshop:
    """What stays from picture to picture."""

    indicator: Indicator
    card: Card
    camera: Camera
    illumination: Illumination
    relit: float
    bore_mm: float


def draw_workshop(rng: np.random.Generator, name: str | None = None) -> Workshop:
    """Return a random workshop for an indicator of `INDICATORS`, any indicator by default."""
    indicator = draw_indicator(rng, name)
    return Workshop(
        indicator=indicator,
        card=draw_card(rng, indicator),
        camera=draw_camera(rng),
        illumination=draw_illumination(rng, mixed=False),
        relit=float(np.clip(rng.normal(0.48, 0.30), 0.0, 1.0)),
        bore_mm=REFERENCE_BORE_MM * float(np.exp(rng.normal(0.0, 0.08))),
    )


def elsewhere(workshop: Workshop, rng: np.random.Generator) -> Workshop:
    """Return the workshop with another phone under another lamp: only card and indicator stay."""
    return replace(
        draw_workshop(rng, None),
        indicator=workshop.indicator,
        card=workshop.card,
        camera=draw_camera(rng),
    )


def draw_picture(
    workshop: Workshop,
    rng: np.random.Generator,
    ph: Sequence[float] | FloatArray,
    *,
    size: tuple[int, int] | None = None,
) -> Scene:
    """Return a scene with one tube for each pH in front of white paper."""
    phone = workshop.camera
    camera = replace(
        phone,
        wb_error=phone.wb_error * np.exp(rng.normal(0.0, _BALANCE_STD, 3)),
        level=float(rng.uniform(0.60, 0.93)),
    )
    slopes = workshop.illumination.slopes
    light = replace(workshop.illumination, slopes=slopes + rng.normal(0.0, _SLOPE_STD, slopes.shape))
    scene = draw_world(
        rng,
        kind="sheet",
        indicator=workshop.indicator,
        card=workshop.card,
        camera=camera,
        illumination=light,
        tube_count=len(ph),
        size=size,
    )
    tubes = []
    for tube, value in zip(scene.tubes, ph, strict=True):
        relit = float(np.clip(workshop.relit + rng.normal(0.0, RELIT_STD), 0.0, 1.0))
        bore = workshop.bore_mm * float(np.exp(rng.normal(0.0, 0.01)))
        tubes.append(replace(tube, ph=float(value), bore_mm=bore, optics=replace(tube.optics, relit=relit)))
    return replace(scene, tubes=tuple(tubes))


def measured(scene: Scene, rng: np.random.Generator, photo: str) -> list[KnownTube]:
    """Return the tubes of a scene as a perfect locator would measure them, without drawing a pixel."""
    seen: list[tuple[TubeEvidence, float]] = scene_evidence(scene, simulate_measurements(scene, rng), rng)
    return [KnownTube(evidence, ph, 0.0, photo) for evidence, ph in seen]


def write_photo(scene: Scene, rng: np.random.Generator, path: Path) -> None:
    """Draw and store the photograph of a scene."""
    picture, _ = render_photo(scene, rng)
    camera = scene.camera
    path.write_bytes(encode_photo(picture, display_p3=camera.display_p3, quality=camera.quality))


def write_artwork(workshop: Workshop, path: Path) -> None:
    """Draw and store the flat artwork of the card."""
    scene = draw_world(
        np.random.default_rng(0), kind="sheet", indicator=workshop.indicator, card=workshop.card, tube_count=1
    )
    Image.fromarray(render_artwork(scene)).save(path)
