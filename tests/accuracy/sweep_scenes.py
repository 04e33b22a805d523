"""Scenes in which one thing at a time is changed, for `sweep.py`.

Every base scene is an easy one: white backing, one lamp, card and tubes well lit, sharp, four samples
inside the card at the card's own dye load. A level changes one thing of it and draws everything else
with the same chance, so that levels of a group differ in that thing alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from hueph._types import Float32Array, FloatArray, UInt8Array
from hueph.synthetic import Scene, draw_world
from hueph.synthetic.cameras import REFERENCE_LIGHT, Camera
from hueph.synthetic.layout import outline, patch_corners, project
from hueph.synthetic.lights import Light, daylight, fluorescent, planckian, white_led
from hueph.synthetic.paint import paint_scene
from hueph.synthetic.paint_tubes import bump, local
from hueph.synthetic.palette import Palette, light_maps, polygon
from hueph.synthetic.render import scene_truth
from hueph.synthetic.shoot import shoot
from hueph.synthetic.spectra import smooth_reflectance
from hueph.synthetic.surroundings import BACKINGS, draw_backing

SIZE = (1200, 900)
TUBES = 4
QUALITY = 90
# Focal length over the picture's width: about 28 mm on 36 mm film, a phone's main camera.
FOCAL_SHARE = 0.8

Repaint = Callable[[Scene, np.random.Generator], Scene]
Retake = Callable[[Scene], Camera]
Retouch = Callable[[Scene, Float32Array], Float32Array]


@dataclass(frozen=True)
class Level:
    """One level of one thing: what to change before painting, in the light, or in the camera.

    `place` is where the level stands on the axis of the figure; `tilt` maps the whole view.
    """

    group: str
    name: str
    place: float
    repaint: Repaint | None = None
    retake: Retake | None = None
    retouch: Retouch | None = None
    tilt: FloatArray | None = None
    quality: int = QUALITY


def base_scene(seed: int, number: int) -> Scene:
    """Return the base scene of a number."""
    rng = np.random.default_rng((seed, number))
    scene = draw_world(rng, kind="sheet", tube_count=TUBES, size=SIZE)
    low, high = float(scene.card.ph[0]), float(scene.card.ph[-1])
    tubes = tuple(replace(tube, ph=round(float(rng.uniform(low, high)), 2), load=1.0) for tube in scene.tubes)
    camera = replace(
        scene.camera, level=0.75, blur_px=0.6, full_well=8000.0, read=4.0, flare=0.007, quality=QUALITY
    )
    return replace(scene, tubes=tubes, camera=camera)


def draw_levels(
    seed: int, number: int, levels: tuple[Level, ...]
) -> list[tuple[Level, UInt8Array, dict[str, Any]]]:
    """Return the photograph and the truth of each level of one base scene."""
    base = base_scene(seed, number)
    painted = paint_scene(base, np.random.default_rng((seed, number, 1)))
    drawn = []
    for level in levels:
        scene, light = base, painted.copy()
        if level.repaint is not None:
            scene = level.repaint(base, np.random.default_rng((seed, number, 2)))
            light = paint_scene(scene, np.random.default_rng((seed, number, 1)))
        if level.retouch is not None:
            light = level.retouch(scene, light)
        if level.retake is not None:
            scene = replace(scene, camera=level.retake(scene))
        truth = scene_truth(scene)
        if level.tilt is not None:
            light = np.asarray(
                cv2.warpPerspective(light, level.tilt, scene.size, borderMode=cv2.BORDER_REPLICATE)
            )
            move(truth, level.tilt)
        drawn.append((level, shoot(scene, light, np.random.default_rng((seed, number, 3))), truth))
    return drawn


def move(truth: dict[str, Any], homography: FloatArray) -> None:
    """Move all points of a truth."""
    for key in ("card", "patches"):
        truth[key] = project(homography, np.array(truth[key])).tolist()
    for tube in truth["tubes"]:
        tube["liquid"] = project(homography, np.array(tube["liquid"])).tolist()


# ---------------------------------------------------------------- what is changed


def with_camera(**changes: Any) -> Retake:
    """Return a change of the camera's settings."""
    return lambda scene: replace(scene.camera, **changes)


def with_light(light: Light) -> Repaint:
    """Return a change of the lamp; the camera balances it as well as it balanced the other."""
    return lambda scene, rng: replace(
        scene, illumination=replace(scene.illumination, lights=(light,), strengths=np.ones(1))
    )


def left_at_daylight(scene: Scene) -> Camera:
    """Return the camera with its white balance left at daylight of 6,504 K."""
    camera = scene.camera
    error = camera.raw(scene.illumination.reference()) / camera.raw(REFERENCE_LIGHT)
    return replace(camera, wb_error=error / error[1])


def with_tubes(change: Callable[[Any, Scene], Any]) -> Repaint:
    """Return a change of every tube."""
    return lambda scene, rng: replace(scene, tubes=tuple(change(tube, scene) for tube in scene.tubes))


def narrowed(width_px: float) -> Repaint:
    """Return a change of the liquids' width, feet kept on the shelf."""

    def change(tube: Any, scene: Scene) -> Any:
        foot = tube.bottom_px(scene.size)
        smaller = replace(tube, width_px=width_px)
        y = (foot - 0.5 * tube.fill * width_px) / scene.size[1]
        return replace(smaller, position=np.array([tube.position[0], y]))

    return with_tubes(change)


def shrunk_card(patch_px: float) -> Repaint:
    """Return a change of the card's size about its centre, by the smaller side of a patch."""

    def change(scene: Scene, rng: np.random.Generator) -> Scene:
        corners = project(scene.card_to_picture, patch_corners(scene.card.layout))
        sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
        share = patch_px / float(np.median(sides.min(axis=1)))
        x, y = project(scene.card_to_picture, outline(scene.card.layout)).mean(axis=0) * (1.0 - share)
        scaling = np.array([[share, 0.0, x], [0.0, share, y], [0.0, 0.0, 1.0]])
        return replace(scene, card_to_picture=scaling @ scene.card_to_picture)

    return change


def backed(name: str) -> Repaint:
    """Return a change of the backing."""
    return lambda scene, rng: replace(scene, backing_name=name, backing=draw_backing(rng, name))


def covered(count: int) -> Retouch:
    """Return a change of the light: something brown lies over some patches."""

    def change(scene: Scene, light: Float32Array) -> Float32Array:
        palette = Palette(scene, light_maps(scene))
        brown = palette.lit(palette.raw(smooth_reflectance(np.array([0.3, 1.2, -0.3]))))
        quads = project(scene.card_to_picture, patch_corners(scene.card.layout))
        order = np.random.default_rng(len(quads)).permutation(len(quads))
        for index in order[:count]:
            centre = quads[index].mean(axis=0)
            mask = polygon(scene.size, centre + 1.2 * (quads[index] - centre))[..., None]
            light = light + mask * (brown - light)
        return np.asarray(light, dtype=np.float32)

    return change


def streaked(share: float) -> Retouch:
    """Return a change of the light: a lamp mirrored in every tube over a share of its width."""

    def change(scene: Scene, light: Float32Array) -> Float32Array:
        palette = Palette(scene, light_maps(scene))
        white = palette.lit(palette.raw(np.ones_like(scene.backing)))
        for tube in scene.tubes:
            place = local(scene, tube, 0.0, 0.0, 0.6)
            # `share` is the width at half height; the streak fades above and below the liquid.
            streak = bump(place.u, 0.12, share / 2.355)
            streak = streak * bump(place.v, 0.4 * tube.fill, 0.45 * tube.fill) * (np.abs(place.u) < 0.5)
            light[place.rows, place.cols] += (
                np.float32(0.6) * streak[..., None] * white[place.rows, place.cols]
            )
        return light

    return change


def veiled(strength: float) -> Retouch:
    """Return a change of the light: a bright window mirrored evenly all over every tube."""

    def change(scene: Scene, light: Float32Array) -> Float32Array:
        palette = Palette(scene, light_maps(scene))
        white = palette.lit(palette.raw(np.ones_like(scene.backing)))
        for tube in scene.tubes:
            above = tube.length - tube.fill
            place = local(scene, tube, above, 0.0, 0.6)
            body = (np.abs(place.u) < 0.5) & (place.v > np.float32(-above))
            soft = cv2.GaussianBlur(body.astype(np.float32), (0, 0), 2.0)[..., None]
            light[place.rows, place.cols] += np.float32(strength) * soft * white[place.rows, place.cols]
        return light

    return change


def shining_card(strength: float) -> Retouch:
    """Return a change of the light: a lamp mirrored softly by a third of the card."""

    def change(scene: Scene, light: Float32Array) -> Float32Array:
        palette = Palette(scene, light_maps(scene))
        white = palette.lit(palette.raw(scene.card.paper))
        quads = project(scene.card_to_picture, patch_corners(scene.card.layout)).mean(axis=1)
        centre = quads[len(quads) // 3]
        reach = 0.17 * float(np.linalg.norm(quads[-1] - quads[0])) + 1.0
        x, y = np.meshgrid(np.arange(scene.size[0]), np.arange(scene.size[1]))
        spot = np.exp(-0.5 * ((x - centre[0]) ** 2 + (y - centre[1]) ** 2) / reach**2).astype(np.float32)
        card = polygon(scene.size, project(scene.card_to_picture, outline(scene.card.layout)))
        return np.asarray(light + np.float32(strength) * (spot * card)[..., None] * white, dtype=np.float32)

    return change


def rolled(degrees: float) -> FloatArray:
    """Return the view of a camera rolled by an angle, drawn back so that everything stays in view."""
    width, height = SIZE
    angle = np.radians(degrees)
    sine, cosine = np.sin(angle), np.cos(angle)
    zoom = 1.0 / (cosine + abs(sine) * width / height)
    turn = zoom * np.array([[cosine, -sine], [sine, cosine]])
    middle = np.array([width, height]) / 2.0
    return np.vstack([np.column_stack([turn, middle - turn @ middle]), [0.0, 0.0, 1.0]])


def pitched(degrees: float) -> FloatArray:
    """Return the view of a camera that looks down (or up, below 0) on the flat scene."""
    width, height = SIZE
    angle, focal = np.radians(degrees), FOCAL_SHARE * width
    to_middle = np.array([[1.0, 0.0, -width / 2], [0.0, 1.0, -height / 2], [0.0, 0.0, 1.0]])
    view = np.array([[focal, 0.0, 0.0], [0.0, focal * np.cos(angle), 0.0], [0.0, np.sin(angle), focal]])
    homography: FloatArray = np.linalg.inv(to_middle) @ view @ to_middle
    return homography


# ---------------------------------------------------------------- all levels


def all_levels() -> tuple[Level, ...]:
    """Return every level of every group, the unchanged scene first."""
    lamps: Mapping[str, Light] = {
        "LED, cool": white_led(452.0, 560.0, 1.3, 0.0),
        "LED, neutral": white_led(452.0, 570.0, 0.8, 0.3),
        "LED, warm": white_led(452.0, 585.0, 0.4, 0.7),
        "fluorescent, halophosphate": fluorescent(np.random.default_rng(1)),
        "fluorescent, three-band": fluorescent(np.random.default_rng(0)),
    }
    levels = [Level("unchanged", "unchanged", 0.0)]
    for stops in (-3, -2, -1, 0.5, 1, 2, 3):
        levels.append(
            Level("exposure", f"{stops:+g} stops", stops, retake=with_camera(level=0.75 * 2.0**stops))
        )
    for kelvin in (2700, 3500, 4500, 5500, 6500, 7500):
        lamp = planckian(kelvin) if kelvin < 4000 else daylight(kelvin)
        levels.append(Level("colour temperature", f"{kelvin} K", kelvin, with_light(lamp)))
        if kelvin in (2700, 3500, 4500, 7500):
            levels.append(
                Level("white balance left at daylight", f"{kelvin} K", kelvin, with_light(lamp),
                      left_at_daylight)
            )  # fmt: skip
    for place, (name, lamp) in enumerate(lamps.items()):
        levels.append(Level("lamp", name, place, with_light(lamp)))
    for blur in (1.5, 3.0, 5.0, 8.0):
        levels.append(Level("blur", f"{blur:g} px", blur, retake=with_camera(blur_px=blur)))
    for well in (2000.0, 600.0, 200.0, 60.0):
        noise = 100.0 / well**0.5
        levels.append(Level("noise", f"{noise:.1f} % at white", noise, retake=with_camera(full_well=well)))
    for quality in (30, 45, 60, 75, 95):
        levels.append(Level("JPEG quality", f"{quality}", quality, quality=quality))
    for width in (16.0, 24.0, 36.0, 54.0):
        levels.append(Level("width of the liquid", f"{width:g} px", width, narrowed(width)))
    for side in (6.0, 9.0, 13.0, 20.0):
        levels.append(Level("smaller side of a patch", f"{side:g} px", side, shrunk_card(side)))
    for degrees in (5.0, 12.0, 25.0):
        levels.append(Level("camera rolled", f"{degrees:g} degrees", degrees, tilt=rolled(degrees)))
    for degrees in (-20.0, 10.0, 20.0, 30.0):
        levels.append(Level("camera pitched", f"{degrees:g} degrees", degrees, tilt=pitched(degrees)))
    for count in (1, 2, 3):
        levels.append(Level("patches covered", f"{count}", count, retouch=covered(count)))
    for load in (0.4, 0.5, 0.7, 1.4, 2.0, 2.5):
        change = with_tubes(lambda tube, scene, load=load: replace(tube, load=load))
        levels.append(Level("dye load", f"x {load:g}", load, change))
    for place, name in enumerate(BACKINGS[1:]):
        levels.append(Level("backing", name, place, backed(name)))
    for share in (0.1, 0.25, 0.5):
        levels.append(
            Level("lamp mirrored in the tubes", f"{100 * share:.0f} % of the width", 100 * share,
                  retouch=streaked(share))
        )  # fmt: skip
    for strength in (0.03, 0.08, 0.2):
        levels.append(
            Level("window mirrored all over the tubes", f"{100 * strength:.0f} % of white", 100 * strength,
                  retouch=veiled(strength))
        )  # fmt: skip
    for strength in (0.1, 0.3, 0.8):
        levels.append(
            Level("lamp mirrored in the card", f"{100 * strength:.0f} % of white", 100 * strength,
                  retouch=shining_card(strength))
        )  # fmt: skip
    return tuple(levels)
