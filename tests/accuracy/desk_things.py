"""Lay opaque things of a desk beside the tubes of a photograph.

Every thing (`desk_shapes`) is lit like the card's paper, turned a little, and laid in with a shadow, the picture's
grain and some blur.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from desk_shapes import FINER, GAMMA, KINDS
from locate_tubes import Shot

from hueph.photo import photo_from_array

__all__ = ["KINDS", "with_things"]

# Pixels kept free around tubes and card, as a share of the bore; places tried for each thing.
FREE, TRIES = 0.15, 60
# The empty glass above a liquid reaches up to this many bores.
GLASS = 5.0
HUNG = ("bars",)


def with_things(shot: Shot, kind: str, rng: np.random.Generator, count: int = 3) -> Shot | None:
    """Return the picture with up to `count` things of a kind beside tubes and card; None without room."""
    picture = shot.photo.encoded
    height, width = picture.shape[:2]
    solid = [np.asarray(quad, float) for quad in shot.tubes + shot.partial]
    bore = float(np.median([np.linalg.norm(q[1] - q[0]) for q in solid] or [0.07 * max(height, width)]))
    feet = [float(q[2:, 1].mean()) for q in solid] or [0.8 * height]
    taken = _taken(shot, bore)
    white = _white(shot)
    done = picture.copy()
    laid = 0
    for _ in range(count):
        for tried in range(TRIES):
            if tried % 10 == 0:
                canvas, cover = KINDS[kind](bore * FINER, rng)
            foot = rng.choice(feet) + rng.normal(0, 0.25) * bore
            if kind in HUNG or rng.random() < 0.15:
                foot = rng.uniform(0.3, 1.0) * height
            if kind == "fingers" and rng.random() < 0.5:
                foot = height + 0.1 * bore
            degrees = rng.normal(0, 3) if rng.random() < 0.8 else rng.uniform(-30, 30)
            hull, matrix = _placed(cover, (rng.uniform(0, width), foot), float(np.radians(degrees)))
            inside = (hull[:, 0].min() > 3) & (hull[:, 0].max() < width - 4) & (hull[:, 1].min() > 3)
            if not inside or (kind != "fingers" and hull[:, 1].max() > height - 4):
                continue
            low, high = np.maximum(hull.min(axis=0).astype(int) - 4, 0), hull.max(axis=0).astype(int) + 5
            part = taken[low[1] : high[1], low[0] : high[0]]
            mask = np.zeros_like(part)
            cv2.fillConvexPoly(mask, np.round(hull - low).astype(np.int32), 1)
            if (mask & part).any():
                continue
            part |= cv2.dilate(mask, np.ones((5, 5), np.uint8))
            _lay(done, (canvas * white, cover), hull, matrix, bore, rng)
            laid += 1
            break
    return replace(shot, photo=photo_from_array(done)) if laid else None


def _taken(shot: Shot, bore: float) -> Any:
    """Return a mask of tubes, the empty glass above them, and the card."""
    height, width = shot.photo.encoded.shape[:2]
    mask = np.zeros((height, width), np.uint8)
    outlines = []
    if shot.card is not None:
        card = np.asarray(shot.card, float)
        side = float(np.median(np.linalg.norm(card - np.roll(card, 1, axis=1), axis=2)))
        hull = cv2.convexHull(card.reshape(-1, 2).astype(np.float32))[:, 0]
        other = np.zeros((height, width), np.uint8)
        cv2.fillConvexPoly(other, np.round(hull).astype(np.int32), 1)
        grow = 2 * int(0.9 * side) + 1
        mask |= cv2.dilate(other, np.ones((grow, grow), np.uint8))
    for quad in shot.tubes + shot.partial:
        whole = np.array(quad, float)
        up = whole[:2] - whole[[3, 2]]
        whole[:2] += up / np.linalg.norm(up, axis=1, keepdims=True) * GLASS * bore
        middle = whole.mean(axis=0)
        outlines.append(middle + (whole - middle) * [1 + 2 * FREE, 1.02])
    for outline in outlines:
        cv2.fillConvexPoly(mask, np.round(outline).astype(np.int32), 1)
    return mask


def _white(shot: Shot) -> Any:
    """Return the light of the card's paper, or of the brightest of the picture."""
    part = shot.photo.encoded
    if shot.card is not None:
        points = np.asarray(shot.card).reshape(-1, 2)
        (x0, y0), (x1, y1) = np.maximum(points.min(axis=0), 0).astype(int), points.max(axis=0).astype(int) + 1
        part = part[y0:y1, x0:x1]
    codes = np.percentile(part[::3, ::3].reshape(-1, 3), 95, axis=0)
    return ((codes / 255) ** GAMMA).astype(np.float32)


def _placed(cover: Any, foot: tuple[float, float], turn: float) -> tuple[Any, Any]:
    """Return outline and map from a drawn thing to the picture, its foot's middle at a point."""
    height, width = cover.shape
    cosine, sine = np.cos(turn) / FINER, np.sin(turn) / FINER
    matrix = np.array([[cosine, -sine, 0], [sine, cosine, 0]])
    matrix[:, 2] = np.asarray(foot) - matrix[:, :2] @ [width / 2, height]
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    return corners @ matrix[:, :2].T + matrix[:, 2], matrix


def _lay(
    picture: Any, thing: tuple[Any, Any], hull: Any, matrix: Any, bore: float, rng: np.random.Generator
) -> None:
    """Lay a thing into the picture with a shadow, blurred and grained like the rest of it."""
    around = int(1.6 * bore)
    low = np.maximum(hull.min(axis=0).astype(int) - around, 0)
    high = np.minimum(hull.max(axis=0).astype(int) + around, [picture.shape[1], picture.shape[0]])
    part = picture[low[1] : high[1], low[0] : high[0]]
    size = (part.shape[1], part.shape[0])
    colour, cover = thing
    matrix = matrix.copy()
    matrix[:, 2] -= low
    colour = cv2.GaussianBlur(colour, (0, 0), 0.5 * FINER)
    flat = cv2.warpAffine(colour, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    padded = cv2.copyMakeBorder(cover, 2, 2, 2, 2, cv2.BORDER_CONSTANT)
    moved = matrix.copy()
    moved[:, 2] -= matrix[:, :2] @ [2, 2]
    there = cv2.warpAffine(cv2.GaussianBlur(padded, (0, 0), 0.5 * FINER), moved, size, flags=cv2.INTER_LINEAR)
    shift = np.array([[1, 0, rng.uniform(-0.6, 0.6) * bore], [0, 1, rng.uniform(0, 0.3) * bore]])
    small = cv2.resize(
        cv2.warpAffine(there, shift, size), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA
    )
    soft = cv2.GaussianBlur(small, (0, 0), float(rng.uniform(0.0125, 0.125) * bore) + 0.1)
    shade = cv2.resize(soft, size, interpolation=cv2.INTER_LINEAR)
    rough = part.astype(np.float32)
    codes = rough * (1 - rng.uniform(0.1, 0.5) * shade[..., None]) ** (1 / GAMMA)
    codes = codes * (1 - there[..., None]) + 255 * np.clip(flat, 0, 1) ** (1 / GAMMA) * there[..., None]
    fine = cv2.GaussianBlur(codes, (0, 0), float(rng.uniform(0.8, 1.8)))
    grain = float(np.median(np.abs(np.diff(picture[::7, ::2].astype(np.float32), axis=1)))) / 0.95 + 0.3
    fine += cv2.GaussianBlur(rng.standard_normal(fine.shape).astype(np.float32), (0, 0), 0.6) * grain * 1.5
    changed = (there > 0.002).astype(np.uint8)
    blend = cv2.GaussianBlur(cv2.dilate(changed, np.ones((5, 5), np.uint8)).astype(np.float32), (0, 0), 1.0)[
        ..., None
    ]
    part[:] = np.clip(codes * (1 - blend) + fine * blend + 0.5, 0, 255).astype(np.uint8)
