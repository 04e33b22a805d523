"""Pictures with opaque things before them, and pictures squeezed: what else may stand beside tubes."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from locate_tubes import Shot, moved

from hueph.photo import photo_from_array

__all__ = ["cluttered", "squat"]

# Things drawn at most, and places tried.
THINGS, TRIES = 4, 40
# Pixels kept free around tubes and card.
FREE = 4
# Widths of a thing over the bore of the tubes, and its height over its width: spread of the logarithms.
WIDTH_SPREAD, TALLEST = 0.45, 2.0


def squat(shot: Shot, share: float) -> Shot:
    """Return the picture squeezed to a share of its height: squat vials and beakers."""
    height, width = shot.photo.encoded.shape[:2]
    matrix = np.array([[1.0, 0, 0], [0, share, 0.5 * share - 0.5]])
    return moved(shot, matrix, (width, round(height * share)))


def cluttered(shot: Shot, rng: np.random.Generator) -> Shot | None:
    """Return the picture with opaque things (pens, bottles, books) beside tubes and card; None without room."""
    picture = shot.photo.encoded
    height, width = picture.shape[:2]
    taken = _taken(shot)
    solid = [np.asarray(quad, float) for quad in shot.tubes + shot.partial]
    bore = float(
        np.median([np.linalg.norm(quad[1] - quad[0]) for quad in solid] or [0.07 * max(height, width)])
    )
    feet = [float(quad[2:, 1].mean()) for quad in solid] or [0.8 * height]
    layer = picture.astype(np.float32)
    drawn = 0
    for _ in range(TRIES):
        wide = bore * np.exp(rng.normal(0, WIDTH_SPREAD))
        tall = wide * np.exp(rng.uniform(0.2, TALLEST))
        standing = rng.random() < 0.7
        foot = rng.choice(feet) + rng.normal(0, 0.3) * bore if standing else rng.uniform(0.3, 1) * height
        left = rng.uniform(0, max(width - wide, 1))
        x0, y0, x1, y1 = np.round([left, foot - tall, left + wide, foot]).astype(int)
        if min(x0, y0) < FREE or x1 > width - FREE or y1 > height - FREE:
            continue
        if taken[y0 - FREE : y1 + FREE, x0 - FREE : x1 + FREE].any():
            continue
        _draw_thing(layer[y0:y1, x0:x1], float(np.percentile(layer, 95)), rng)
        taken[y0:y1, x0:x1] = 1
        drawn += 1
        if drawn == THINGS:
            break
    if not drawn:
        return None
    changed = cv2.dilate(
        (np.abs(layer - picture).max(axis=2) > 1).astype(np.uint8), np.ones((5, 5), np.uint8)
    )
    soft = cv2.GaussianBlur(layer, (0, 0), float(rng.uniform(0.6, 1.6)))
    grainy = soft + rng.uniform(1, 5) * rng.standard_normal(layer.shape)
    values = np.where(changed[..., None] > 0, np.clip(grainy, 0, 255), picture).astype(np.uint8)
    return replace(shot, photo=photo_from_array(values))


def _taken(shot: Shot) -> Any:
    """Return a mask of tubes, the empty glass above them, and the card."""
    mask = np.zeros(shot.photo.encoded.shape[:2], np.uint8)
    outlines = [] if shot.card is None else [shot.card.reshape(-1, 2)]
    for quad in shot.tubes + shot.partial:
        whole = np.array(quad, float)
        whole[:2] += 1.2 * (whole[:2] - whole[[3, 2]])
        outlines.append(whole)
    for outline in outlines:
        hull = cv2.convexHull(np.asarray(outline, np.float32))[:, 0]
        cv2.fillConvexPoly(mask, np.round(hull).astype(np.int32), 1)
    return mask


def _draw_thing(place: Any, white: float, rng: np.random.Generator) -> None:
    """Draw bands of colour over a place (h, w, 3), shaded across, with a straight or rounded foot, maybe a neck."""
    height, width = place.shape[:2]
    rows = np.zeros((height, 3), np.float32)
    cuts = np.sort(rng.uniform(0, 1, rng.integers(0, 3))) * height
    ends = [0, *cuts.astype(int), height]
    for start, stop in pairwise(ends):
        rows[start:stop] = rng.uniform(0.05, 1.0, 3 if rng.random() < 0.8 else 1) * white
    across = np.linspace(-1, 1, width)
    shade = 1 - rng.uniform(0, 0.6) * across**2 if rng.random() < 0.6 else np.ones(width)
    if rng.random() < 0.4:
        shade = shade + rng.uniform(0.1, 0.6) * np.exp(-(((across - rng.uniform(-0.6, 0.6)) / 0.12) ** 2))
    shape = np.ones((height, width), np.uint8)
    bulge = int(rng.choice([0.0, 0.0, 0.12, 0.5]) * width)
    if bulge:
        shape[height - bulge :] = 0
        cv2.ellipse(shape, (width // 2, height - bulge - 1), (width // 2, bulge), 0, 0, 180, 1, -1)
    if rng.random() < 0.3:
        neck, inset = int(rng.uniform(0.1, 0.35) * height), int(rng.uniform(0.1, 0.35) * width)
        shape[:neck, :inset] = shape[:neck, width - inset :] = 0
    body = rows[:, None] * shade[None, :, None]
    place[shape > 0] = body[shape > 0]
