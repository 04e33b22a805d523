"""The camera on a painted picture: flare, blur, mosaic, noise, balance, matrix, tone, sharpening."""

from __future__ import annotations

import cv2
import numpy as np

from hueph._types import Float32Array, FloatArray, UInt8Array
from hueph.synthetic.cameras import Camera, develop
from hueph.synthetic.measure import exposure
from hueph.synthetic.scene import Scene

__all__ = ["shoot"]

# The mosaic is developed as 16 bit numbers; this is the code of a full well.
FULL_CODE = 40000.0


def shoot(scene: Scene, radiance: Float32Array, rng: np.random.Generator) -> UInt8Array:
    """Return the picture a camera makes of raw radiance (height, width, 3), in its own colour space.

    Parameters
    ----------
    scene : Scene
    radiance : array, shape (height, width, 3)
        Unscaled raw channels from `paint_scene`; changed in place.
    rng : Generator
        Draws photon and read noise.

    Returns
    -------
    array, shape (height, width, 3), uint8
        Encoded sRGB or, with `camera.display_p3`, Display P3.
    """
    camera = scene.camera
    factors = exposure(scene)
    gain = factors / factors.min()
    # From here on 1 is a full well; gains for white come after the noise.
    radiance *= (factors / gain).astype(np.float32)
    radiance *= vignette(scene.size, camera.vignette)[..., None]
    radiance += np.float32(camera.flare) * radiance.mean(axis=(0, 1))
    if camera.blur_px > 0:
        radiance = np.asarray(cv2.GaussianBlur(radiance, (0, 0), camera.blur_px), dtype=np.float32)
    balanced = sense(camera, radiance, rng) * gain.astype(np.float32)
    picture = develop_fast(camera, balanced, camera.matrix(scene.illumination.reference()))
    return sharpen(picture, camera.sharpen)


def vignette(size: tuple[int, int], loss: float) -> Float32Array:
    """Return the factor that darkens the corners, shape (height, width)."""
    width, height = size
    x = (np.arange(width, dtype=np.float32) + 0.5) / width - 0.5
    y = ((np.arange(height, dtype=np.float32) + 0.5) / height - 0.5)[:, None]
    return np.asarray(1.0 - 2.0 * loss * (x * x + y * y), dtype=np.float32)


def noisy(camera: Camera, light: Float32Array, rng: np.random.Generator) -> Float32Array:
    """Return light (1 = full well) with photon and read noise, clipped at the full well."""
    variance = np.maximum(light, 0.0) / camera.full_well + (camera.read / camera.full_well) ** 2
    noise = rng.standard_normal(light.shape, dtype=np.float32) * np.sqrt(variance)
    clipped: Float32Array = np.clip(light + noise, 0.0, 1.0)
    return clipped


def sense(camera: Camera, light: Float32Array, rng: np.random.Generator) -> Float32Array:
    """Return the sensor's channels 0..1: one of three at each site if it has a mosaic."""
    if not camera.bayer:
        return noisy(camera, light, rng)
    mosaic = light[..., 1].copy()
    mosaic[0::2, 0::2] = light[0::2, 0::2, 0]
    mosaic[1::2, 1::2] = light[1::2, 1::2, 2]
    # A pedestal keeps the noise about black from being cut off.
    pedestal = 2000.0
    codes = np.rint(noisy(camera, mosaic, rng) * FULL_CODE + pedestal).astype(np.uint16)
    # The name of OpenCV's code counts from the second row and column: red first is "BG".
    full = cv2.cvtColor(codes, cv2.COLOR_BayerBG2RGB)
    channels: Float32Array = (full.astype(np.float32) - np.float32(pedestal)) / np.float32(FULL_CODE)
    return channels


def develop_fast(camera: Camera, balanced: Float32Array, matrix: FloatArray) -> Float32Array:
    """Return encoded values 0..1 as `develop` does, in strips that fit the processor's cache."""
    picture = np.empty_like(balanced)
    step = 64
    for start in range(0, len(balanced), step):
        strip = balanced[start : start + step].astype(np.float64)
        picture[start : start + step] = develop(camera, strip, matrix)
    return picture


def sharpen(picture: Float32Array, amount: float) -> UInt8Array:
    """Return 8 bit codes after an unsharp mask on the encoded picture."""
    if amount > 0:
        picture = picture + np.float32(amount) * (picture - cv2.GaussianBlur(picture, (0, 0), 1.0))
    codes: UInt8Array = np.clip(np.rint(picture * 255.0), 0, 255).astype(np.uint8)
    return codes
