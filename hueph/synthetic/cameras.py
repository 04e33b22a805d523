"""Phone-like cameras: sensitivities, exposure, white balance, matrix, tone, and encoding.

The chain, in this order: exposure to raw channels, vignette and flare, photon and read noise, white
balance with an error, colour matrix fitted under the light, saturation, tone curve, sRGB encoding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.colour.srgb import (
    D65,
    DISPLAY_P3_TO_XYZ,
    SRGB_TO_XYZ,
    XYZ_TO_SRGB,
    linear_rgb_to_srgb,
    srgb_to_linear_rgb,
)
from hueph.synthetic.lights import daylight
from hueph.synthetic.spectra import WAVELENGTHS_NM, gaussian, reflectance_to_xyz, smooth_reflectance

__all__ = ["Camera", "develop", "draw_camera", "draw_sensitivities", "encode_clipped", "to_linear_srgb"]

XYZ_TO_P3: FloatArray = np.asarray(np.linalg.inv(DISPLAY_P3_TO_XYZ))
P3_TO_SRGB: FloatArray = XYZ_TO_SRGB @ DISPLAY_P3_TO_XYZ
REFERENCE_LIGHT: FloatArray = daylight(6504.0).power
REFERENCE_WHITE: FloatArray = reflectance_to_xyz(np.ones_like(WAVELENGTHS_NM), REFERENCE_LIGHT)
LUMA: FloatArray = SRGB_TO_XYZ[1]


def encode_clipped(linear: FloatArray) -> FloatArray:
    """Return encoded values 0..1 of linear light, clipped to the range (IEC 61966-2-1)."""
    encoded: FloatArray = linear_rgb_to_srgb(np.clip(linear, 0.0, 1.0))
    return encoded


@dataclass(frozen=True, slots=True)
class Camera:
    """One camera with its settings for one photograph.

    Attributes
    ----------
    sensitivities : array, shape (3, n)
        Relative response per channel, peak 1.
    wb_error : array, shape (3,)
        Factors on the white-balance gains; 1 is perfect.
    matrix_reflectances : array, shape (m, n)
        Surfaces the colour matrix is fitted on.
    level : float
        Linear level the brightest white of the scene is exposed to (1 clips).
    vignette : float
        Loss of light at the corner of the frame.
    flare : float
        Share of the frame's mean light added everywhere.
    full_well, read : float
        Electrons at level 1, and read noise in electrons.
    saturation, contrast : float
        Saturation factor about the luma; strength of the S-shaped tone curve, 0 to about 0.35.
    boost_on_linear, tone_on_linear : bool
        Whether saturation and tone curve act on linear light (else on encoded values).
    power_curve : bool
        Shape of the tone curve, see `tone_curve`.
    blur_px, sharpen : float
    bayer, display_p3 : bool
    quality : int
        JPEG quality.
    """

    sensitivities: FloatArray
    wb_error: FloatArray
    matrix_reflectances: FloatArray
    level: float
    vignette: float
    flare: float
    full_well: float
    read: float
    saturation: float
    contrast: float
    boost_on_linear: bool
    tone_on_linear: bool
    power_curve: bool
    blur_px: float
    sharpen: float
    bayer: bool
    display_p3: bool
    quality: int

    def raw(self, radiance: FloatArray) -> FloatArray:
        """Return unscaled raw channel values of radiances (..., n), shape (..., 3)."""
        values: FloatArray = radiance @ self.sensitivities.T
        return values

    def matrix(self, light: FloatArray) -> FloatArray:
        """Return the 3x3 matrix from balanced raw to the linear output space, fitted under `light`.

        Surfaces under `light` are to look as they do under D65, in the least-squares sense. Rows sum
        to 1, so that white stays white whatever the fit does to colours.
        """
        white = self.raw(light)
        raw = self.raw(self.matrix_reflectances * light) / white
        xyz = reflectance_to_xyz(self.matrix_reflectances, REFERENCE_LIGHT) / REFERENCE_WHITE * D65
        target = xyz @ (XYZ_TO_P3 if self.display_p3 else XYZ_TO_SRGB).T
        # With rows summing to 1, M raw = raw_g + M[:, (0, 2)] (raw_(r, b) - raw_g).
        base = raw[:, [0, 2]] - raw[:, [1]]
        solution, *_ = np.linalg.lstsq(base, target - raw[:, [1]], rcond=None)
        matrix: FloatArray = np.stack([solution[0], 1.0 - solution[0] - solution[1], solution[1]], axis=1)
        return matrix


def tone_curve(value: FloatArray, contrast: float, *, power: bool = True) -> FloatArray:
    """Return values 0..1 after an S-shaped tone curve of slope 1 + `contrast` in the middle.

    Parameters
    ----------
    value : array, any shape
        Values; clipped to 0..1.
    contrast : float
        0 (none) to about 0.35.
    power : bool
        A symmetric power curve; else a blend with the cubic smooth step.
    """
    v = np.clip(value, 0.0, 1.0)
    if not power:
        blended: FloatArray = v + 2.0 * contrast * (v * v * (3.0 - 2.0 * v) - v)
        return blended
    above, below = v ** (1.0 + contrast), (1.0 - v) ** (1.0 + contrast)
    curve: FloatArray = above / (above + below)
    return curve


def _saturate(value: FloatArray, factor: float) -> FloatArray:
    """Return values moved away from their luma by `factor`."""
    luma = (value @ LUMA)[..., None]
    moved: FloatArray = luma + factor * (value - luma)
    return moved


def develop(camera: Camera, balanced: FloatArray, matrix: FloatArray) -> FloatArray:
    """Return encoded picture values 0..1 of balanced raw (..., 3), in the picture's own space."""
    linear = balanced @ matrix.T
    if camera.boost_on_linear:
        linear = _saturate(linear, camera.saturation)
    if camera.tone_on_linear:
        linear = tone_curve(linear, 0.5 * camera.contrast, power=camera.power_curve)
    encoded = encode_clipped(linear)
    if not camera.tone_on_linear:
        encoded = tone_curve(encoded, camera.contrast, power=camera.power_curve)
    if not camera.boost_on_linear:
        encoded = _saturate(encoded, camera.saturation)
    clipped: FloatArray = np.clip(encoded, 0.0, 1.0)
    return clipped


def to_linear_srgb(camera: Camera, encoded: FloatArray) -> FloatArray:
    """Return linear sRGB light (may leave 0..1) of encoded picture values, honouring the profile."""
    linear: FloatArray = srgb_to_linear_rgb(encoded)
    if camera.display_p3:
        linear = linear @ P3_TO_SRGB.T
    return linear


def draw_sensitivities(rng: np.random.Generator) -> FloatArray:
    """Return random sensor sensitivities, peak 1 each, shape (3, n) in the order R, G, B.

    Sums of Gaussians behind an infrared and an ultraviolet cut. Of thirteen measured cameras of open
    data sets twelve lie inside the family in nearly all of fourteen figures (`tests/accuracy/
    renderer_realism.py --spectra` lists them); the thirteenth is a bare sensor without its cut filter.
    """
    infrared = 1.0 / (1.0 + np.exp((WAVELENGTHS_NM - rng.uniform(648.0, 695.0)) / rng.uniform(4.0, 18.0)))
    ultraviolet = 1.0 / (1.0 + np.exp(-(WAVELENGTHS_NM - rng.uniform(394.0, 416.0)) / rng.uniform(3.0, 7.0)))
    red = gaussian(rng.uniform(588.0, 606.0), rng.uniform(13.0, 26.0), rng.uniform(32.0, 58.0))
    red = red + rng.uniform(0.02, 0.22) * gaussian(rng.uniform(525.0, 550.0), 28.0)
    red = red + rng.uniform(0.0, 0.09) * gaussian(rng.uniform(420.0, 450.0), 24.0)
    green = gaussian(rng.uniform(516.0, 538.0), rng.uniform(25.0, 38.0), rng.uniform(30.0, 46.0))
    green = green + rng.uniform(0.02, 0.15) * gaussian(rng.uniform(440.0, 470.0), 25.0)
    green = green + rng.uniform(0.02, 0.22) * gaussian(rng.uniform(605.0, 640.0), 32.0)
    blue = gaussian(rng.uniform(452.0, 468.0), rng.uniform(20.0, 34.0), rng.uniform(25.0, 36.0))
    blue = blue + rng.uniform(0.05, 0.18) * gaussian(rng.uniform(515.0, 540.0), 24.0)
    blue = blue + rng.exponential(0.015) * gaussian(rng.uniform(590.0, 640.0), 35.0)
    channels = np.stack([red, green, blue]) * infrared * ultraviolet
    channels = channels / channels.max(axis=1, keepdims=True)
    # Neighbouring pixels of a small sensor leak into each other.
    leak = float(np.abs(rng.normal(0.0, 0.03)))
    channels = (1.0 - leak) * channels + leak * channels.mean(axis=0)
    sensitivities: FloatArray = channels / channels.max(axis=1, keepdims=True)
    return sensitivities


def draw_camera(rng: np.random.Generator, *, harsh: bool = False) -> Camera:
    """Return a random camera with random settings; `harsh` means badly exposed, noisy and blurred."""
    wb = float(rng.choice([0.02, 0.05, 0.09])) if not harsh else 0.16
    wb_error = np.exp(rng.normal(0.0, wb, 3))
    wb_error[1] = 1.0
    level = float(rng.choice([0.25, 0.35, 1.25])) if harsh else float(rng.uniform(0.60, 0.93))
    return Camera(
        sensitivities=draw_sensitivities(rng),
        wb_error=wb_error,
        matrix_reflectances=smooth_reflectance(rng.normal(0.0, [1.6, 1.4, 1.0], (24, 3))),
        level=level,
        vignette=float(rng.uniform(0.01, 0.22)),
        flare=float(np.clip(rng.normal(0.007, 0.004), 0.0, 0.02)),
        full_well=float(rng.uniform(800, 1400) if harsh else rng.uniform(3000, 12000)),
        read=float(rng.uniform(2.0, 8.0)),
        saturation=float(rng.uniform(0.97, 1.22)),
        contrast=float(rng.uniform(0.0, 0.35)),
        # Undone as a symmetric power curve on encoded values, after a boost on linear light, the
        # chain straightens the development photographs best: a patch is then a 3x3 matrix of its
        # artwork within CIE76 1.33 on average (1.95 with nothing undone). Other orders stay possible.
        boost_on_linear=bool(rng.random() < 0.85),
        tone_on_linear=bool(rng.random() < 0.1),
        power_curve=bool(rng.random() < 0.7),
        blur_px=float(rng.uniform(1.3, 2.3) if harsh else rng.uniform(0.4, 0.9)),
        sharpen=float(rng.uniform(0.0, 0.5)),
        bayer=bool(rng.random() < 0.85),
        display_p3=bool(rng.random() < 0.35),
        quality=int(rng.integers(45, 70) if harsh else rng.integers(78, 96)),
    )
