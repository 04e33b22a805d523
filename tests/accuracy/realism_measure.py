"""Measure photographs at their true corners, and scenes drawn again from the same truth."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageOps

from hueph._types import AnyArray, FloatArray
from hueph.colour.srgb import DISPLAY_P3_TO_XYZ, XYZ_TO_SRGB, srgb_to_linear_rgb
from hueph.synthetic import draw_world, simulate_measurements
from hueph.synthetic.card import card_from_artwork, draw_artwork, liquid_srgb_linear
from hueph.synthetic.dyes import Indicator, named_indicator
from hueph.synthetic.tubes import draw_tubes, with_truth

# Which of our mixtures stands for an indicator of the truth file.
STANDS_FOR = {
    "yamada": "four-dye classical",
    "fourdye": "four-dye wide",
    "btb": "bromothymol blue",
    "phenolred": "phenol red",
    "greenblue": "green-blue",
}


@dataclass(frozen=True)
class Seen:
    """Linear sRGB means of one picture: patches and paper (n, 3), things about the tubes (m, 3)."""

    kind: str
    white: bool
    chart_ph: FloatArray
    artwork: FloatArray
    paper: FloatArray
    patch: FloatArray
    near: FloatArray
    tube: FloatArray
    glass: FloatArray
    left: FloatArray
    right: FloatArray
    ph: FloatArray
    dose: FloatArray


def measure(folder: Path, scene: dict[str, Any], shot: dict[str, Any]) -> Seen:
    """Return what a photograph shows at its true corners."""
    with Image.open(folder / shot["file"]) as opened:
        # The only profiles of these photographs are sRGB and Display P3.
        wide = shot["p3"] and opened.info.get("icc_profile") is not None
        picture = np.asarray(ImageOps.exif_transpose(opened).convert("RGB"))
    to_srgb = XYZ_TO_SRGB @ DISPLAY_P3_TO_XYZ if wide else np.eye(3)

    def mean(corners: Any, u0: float, u1: float, v0: float, v1: float) -> FloatArray:
        codes = sample(picture, np.asarray(corners), u0, u1, v0, v1) / 255.0
        return np.asarray(np.median(srgb_to_linear_rgb(codes), axis=0) @ to_srgb.T, dtype=np.float64)

    artwork, paper = read_artwork(folder, scene)
    liquids = [np.asarray(tube["liquid"]) for tube in scene["tubes"]]
    # One tube width, as a share of the liquid's height.
    widths = [float(np.linalg.norm(q[1] - q[0]) / np.linalg.norm(q[3] - q[0])) for q in liquids]
    return Seen(
        kind=scene["kind"],
        white=scene["backing"] == "white",
        chart_ph=np.array(scene["chart_ph"]),
        artwork=artwork,
        paper=paper,
        patch=np.stack([mean(q, 0.2, 0.8, 0.2, 0.8) for q in scene["patches"]]),
        near=np.stack([mean(q, 0.1, 0.9, -0.14, -0.07) for q in scene["patches"]]),
        tube=np.stack([mean(q, 0.35, 0.65, 0.25, 0.75) for q in liquids]),
        glass=np.stack(
            [mean(q, 0.35, 0.65, -0.9 * w, -0.35 * w) for q, w in zip(liquids, widths, strict=True)]
        ),
        left=np.stack([mean(q, -0.35, -0.2, 0.25, 0.75) for q in liquids]),
        right=np.stack([mean(q, 1.2, 1.35, 0.25, 0.75) for q in liquids]),
        ph=np.array([np.nan if tube["ph"] is None else tube["ph"] for tube in scene["tubes"]]),
        dose=np.array([tube["drops"] / tube["ml"] for tube in scene["tubes"]]),
    )


def sample(picture: AnyArray, corners: FloatArray, u0: float, u1: float, v0: float, v1: float) -> AnyArray:
    """Return code values on a grid inside (or beside) a quadrilateral, shape (n, 3)."""
    u, v = (axis.reshape(-1, 1) for axis in np.meshgrid(np.linspace(u0, u1, 30), np.linspace(v0, v1, 30)))
    top = corners[0] * (1 - u) + corners[1] * u
    bottom = corners[3] * (1 - u) + corners[2] * u
    points = np.rint(top * (1 - v) + bottom * v).astype(int)
    x = np.clip(points[:, 0], 0, picture.shape[1] - 1)
    y = np.clip(points[:, 1], 0, picture.shape[0] - 1)
    return picture[y, x]


def read_artwork(folder: Path, scene: dict[str, Any]) -> tuple[FloatArray, FloatArray]:
    """Return encoded sRGB 0..1 of the patches in reading order, and of the paper."""
    with Image.open(folder / f"chart-{scene['chart']}.png") as opened:
        art = np.asarray(opened.convert("RGB")).astype(np.int64)
    codes = art[..., 0] * 65536 + art[..., 1] * 256 + art[..., 2]
    common = Counter(codes.ravel().tolist()).most_common(len(scene["chart_ph"]) + 8)
    paper = common[0][0]
    found = []
    for code, count in common[1:]:
        if count < 1500:
            continue
        parts, labels, stats, centres = cv2.connectedComponentsWithStats((codes == code).astype(np.uint8))
        del labels
        found += [
            (centres[i][1], centres[i][0], code) for i in range(1, parts) if stats[i, cv2.CC_STAT_AREA] > 1500
        ]
    if "-column-" in scene["chart"]:
        found.sort()
    elif "-grid-" in scene["chart"]:
        found.sort(key=lambda item: (round(item[0] / 60), item[1]))
    else:
        found.sort(key=lambda item: item[1])
    if len(found) != len(scene["chart_ph"]):
        raise ValueError(f"{scene['chart']}: {len(found)} patches seen, {len(scene['chart_ph'])} expected")
    triplets = np.array([[code >> 16, (code >> 8) & 255, code & 255] for *_, code in found])
    return triplets / 255.0, np.array([paper >> 16, (paper >> 8) & 255, paper & 255]) / 255.0


def matched_indicator(name: str, ph: FloatArray, artwork: FloatArray) -> Indicator:
    """Return our mixture for an indicator at the strength that meets the artwork best."""
    goal = np.cbrt(srgb_to_linear_rgb(artwork))
    strengths = np.exp(np.linspace(np.log(0.4), np.log(2.5), 25))
    trials = [named_indicator(STANDS_FOR[name], strength=float(value)) for value in strengths]
    misfits = []
    for trial in trials:
        # The artist's liquid under the veil of white that artworks show on average.
        liquid = 0.04 + 0.96 * np.clip(liquid_srgb_linear(trial, ph, 1.0), 0.0, 1.0)
        misfits.append(float(np.mean((np.cbrt(liquid) - goal) ** 2)))
    return trials[int(np.argmin(misfits))]


def redraw(folder: Path, scene: dict[str, Any], rng: np.random.Generator, *, own_artwork: bool) -> Seen:
    """Return one drawn scene of the same truth under random cameras, lights, inks and glass.

    With `own_artwork` the card shows our mixture, as the tubes do; else the photographed card.
    """
    chart_ph = np.array(scene["chart_ph"])
    artwork, paper = read_artwork(folder, scene)
    indicator = matched_indicator(scene["indicator"], chart_ph, artwork)
    if own_artwork:
        artwork = draw_artwork(rng, indicator, chart_ph)
    card = card_from_artwork(rng, chart_ph, artwork, paper_srgb=paper)
    count = len(scene["tubes"])
    bare = draw_tubes(rng, chart_ph, (scene["size"][0], scene["size"][1]), count=count, kind=scene["kind"])
    tubes = tuple(
        with_truth(tube, ph=true["ph"], drops=true["drops"], volume_ml=true["ml"])
        for tube, true in zip(bare, scene["tubes"], strict=True)
    )
    world = draw_world(
        rng,
        kind=scene["kind"],
        indicator=indicator,
        card=card,
        backing_name=scene["backing"],
        tubes=tubes,
        size=(scene["size"][0], scene["size"][1]),
    )
    seen = simulate_measurements(world, rng)
    return Seen(
        kind=scene["kind"],
        white=scene["backing"] == "white",
        chart_ph=chart_ph,
        artwork=artwork,
        paper=paper,
        patch=seen.patch.linear,
        near=seen.patch_paper.linear,
        tube=seen.tube.linear,
        glass=seen.glass.linear,
        left=seen.backing_left.linear,
        right=seen.backing_right.linear,
        ph=seen.tube_ph,
        dose=np.array([tube["drops"] / tube["ml"] for tube in scene["tubes"]]),
    )
