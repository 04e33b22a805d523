"""Small photographs of flat artwork: perspective, uneven light, a tinted lamp, noise, JPEG."""

from __future__ import annotations

import io
from typing import Any

import cv2
import numpy as np
from PIL import Image

from hueph.colour.srgb import linear_rgb_to_srgb, srgb_to_linear_rgb

CONTRAST = 0.15  # share of an S-curve in the camera's tone curve
TABLE = (0.16, 0.22, 0.30)  # linear sRGB of the table top


def photograph(
    artwork: Any,
    rng: np.random.Generator,
    *,
    size: tuple[int, int] = (640, 480),
    turn_deg: float = 5.0,
    keystone: float = 0.02,
    share: float = 0.85,
    slope: float = 0.3,
    lamp: tuple[float, float, float] = (1.0, 0.93, 0.82),
    level: float = 0.8,
    glare: tuple[float, float, float] | None = None,
) -> tuple[Any, Any]:
    """Photograph artwork lying on a table.

    Parameters
    ----------
    artwork : array, shape (h, w, 3), uint8, sRGB
    rng : Generator
        Draws the noise.
    size : width and height of the photograph
    turn_deg, keystone : float
        How far the card is turned, and narrowed towards the top.
    share : float
        Of the photograph's width or height that the card takes.
    slope : float
        Relative change of the light across the picture.
    lamp, level : colour and strength of the light on white
    glare : x, y, radius in shares of the artwork, optional
        A reflection of the lamp.

    Returns
    -------
    picture : array, uint8, sRGB
    homography : array, shape (3, 3)
        From artwork pixels (edges at whole numbers) to the picture's.
    """
    height, width = artwork.shape[:2]
    scale = share * min(size[0] / width, size[1] / height)
    angle = np.deg2rad(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    about = (corners - [width / 2, height / 2]) * scale
    about *= np.array([[1 - keystone, 1], [1 - keystone, 1], [1 + keystone, 1], [1 + keystone, 1]])
    target = about @ turn.T + np.array(size) / 2
    homography = cv2.getPerspectiveTransform(corners.astype(np.float32), target.astype(np.float32))
    light = srgb_to_linear_rgb(artwork / 255.0)
    if glare is not None:
        y, x = np.mgrid[0:height, 0:width]
        spot = np.hypot(x - glare[0] * width, y - glare[1] * height) < glare[2] * width
        light[spot] = light[spot] * 0.1 + 0.95
    centred = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]])
    matrix = centred @ homography @ np.linalg.inv(centred)
    picture = np.broadcast_to(np.array(TABLE), (size[1], size[0], 3)).copy()
    soft = cv2.GaussianBlur(light, (0, 0), max(0.4 / scale, 0.3))
    cv2.warpPerspective(
        soft, matrix, size, dst=picture, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_TRANSPARENT
    )
    across = np.linspace(1 + slope / 2, 1 - slope / 2, size[0])[None, :, None]
    picture = picture * across * np.array(lamp) * level
    encoded = linear_rgb_to_srgb(np.clip(picture, 0, 1))
    encoded = (1 - CONTRAST) * encoded + CONTRAST * (3 * encoded**2 - 2 * encoded**3)
    encoded = encoded * 255 + rng.normal(0, 0.8, picture.shape)
    memory = io.BytesIO()
    Image.fromarray(np.clip(np.rint(encoded), 0, 255).astype(np.uint8)).save(memory, "JPEG", quality=93)
    return np.asarray(Image.open(memory).convert("RGB")), homography


def through(homography: Any, points: Any) -> Any:
    """Points (..., 2) through a homography."""
    flat = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1) @ homography.T
    return flat[..., :2] / flat[..., 2:]
