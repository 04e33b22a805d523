"""Raw colours of surfaces, brightness maps of lights, and masks: what painting a picture needs.

A surface under several lights is a sum: each light has one brightness map over the frame and one raw
colour per surface. So spectra are turned into raw numbers once per surface, not per pixel, and the
picture stays exact in its colours.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import Float32Array, FloatArray
from hueph.synthetic.scene import Scene

__all__ = ["Palette", "light_maps", "mottle", "polygon"]


@dataclass(frozen=True)
class Palette:
    """Raw colours of spectra under each light of a scene, and brightness maps of the lights.

    Attributes
    ----------
    maps : array, shape (lights, height, width), float32
    """

    scene: Scene
    maps: Float32Array

    def raw(self, reflectance: FloatArray) -> FloatArray:
        """Return raw colours (..., lights, 3) of reflectances (..., n)."""
        spectra = np.stack([light.power for light in self.scene.illumination.lights])
        colours: FloatArray = self.scene.camera.raw(reflectance[..., None, :] * spectra)
        return colours

    def lit(self, colour: FloatArray, rows: slice = slice(None), cols: slice = slice(None)) -> Float32Array:
        """Return a raw picture (h, w, 3) of one surface of raw colour (lights, 3)."""
        picture: Float32Array = np.einsum("khw,kc->hwc", self.maps[:, rows, cols], colour.astype(np.float32))
        return picture


def light_maps(scene: Scene) -> Float32Array:
    """Return the brightness of each light over the picture, shape (lights, height, width)."""
    width, height = scene.size
    x = (np.arange(width, dtype=np.float32) + 0.5) / width - 0.5
    y = ((np.arange(height, dtype=np.float32) + 0.5) / height - 0.5)[:, None]
    maps = []
    for slope, strength in zip(
        scene.illumination.slopes.astype(np.float32), scene.illumination.strengths, strict=True
    ):
        field = 1.0 + slope[0] * x + slope[1] * y + slope[2] * (x * x - 1 / 12) + slope[3] * (y * y - 1 / 12)
        maps.append(np.maximum(field + slope[4] * x * y, 0.05) * np.float32(strength))
    return np.stack(maps).astype(np.float32)


def mottle(rng: np.random.Generator, size: tuple[int, int], grain_px: float, strength: float) -> Float32Array:
    """Return a smooth random factor about 1, shape (height, width)."""
    width, height = size
    small = rng.normal(0.0, strength, (max(int(height / grain_px), 2), max(int(width / grain_px), 2)))
    factor: Float32Array = 1.0 + cv2.resize(
        small.astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC
    )
    return factor


def polygon(size: tuple[int, int], corners: FloatArray) -> Float32Array:
    """Return the coverage 0..1 of a polygon with soft (anti-aliased) edges, shape (height, width)."""
    mask = np.zeros((size[1], size[0]), np.uint8)
    points = np.rint(np.asarray(corners) * 16.0).astype(np.int32)
    cv2.fillConvexPoly(mask, points, 255, lineType=cv2.LINE_AA, shift=4)
    coverage: Float32Array = mask.astype(np.float32) / 255.0
    return coverage
