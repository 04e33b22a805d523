"""Phone-like cameras: sensitivities, exposure, white balance, matrix, tone, and encoding.

The chain, in this order: exposure to raw channels, vignette and flare, photon and read noise, white
balance with an error, colour matrix fitted under the light, saturation, tone curve, sRGB encoding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.synthetic.spectra import WAVELENGTHS_NM, gaussian, reflectance_to_xyz, smooth_reflectance

__all__ = ["Camera", "develop", "draw_camera", "draw_sensitivities", "decode_srgb", "encode_srgb"]

# IEC 61966-2-1 primaries, exact matrix.
XYZ_TO_SRGB: FloatArray = np.array(
    [[3.240970, -1.537383, -0.498611], [-0.969244, 1.875968, 0.041555], [0.055630, -0.203977, 1.056972]]
)
# SMPTE EG 432-1 primaries with a D65 white.
P3_TO_SRGB: FloatArray = np.array(
    [[1.224940, -0.224940, 0.0], [-0.042057, 1.042057, 0.0], [-0.019638, -0.078636, 1.098274]]
)
SRGB_TO_P3: FloatArray = np.linalg.inv(P3_TO_SRGB)
D65_WHITE: FloatArray = np.array([0.950456, 1.0, 1.089058])
LUMA: FloatArray = np.array([0.212639, 0.715169, 0.072192])


def encode_srgb(linear: FloatArray) -> FloatArray:
    """Return sRGB-encoded values 0..1 of linear light (IEC 61966-2-1), clipped to the range."""
    light = np.clip(linear, 0.0, 1.0)
    encoded: FloatArray = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055)
    return encoded


def decode_srgb(encoded: FloatArray) -> FloatArray:
    """Return linear light of sRGB-encoded values 0..1."""
    value = np.asarray(encoded, dtype=np.float64)
    linear: FloatArray = np.where(value <= 0.04045, value / 12.92, (np.maximum(value, 0.0) + 0.055) ** 2.4 / 1.055**2.4)
    return linear


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
    tone_on_encoded : bool
        Whether saturation and tone act on encoded values (else on linear light).
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
    tone_on_encoded: bool
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

        Rows sum to 1, so that white stays white whatever the fit does to colours.
        """
        white = self.raw(light)
        raw = self.raw(self.matrix_reflectances * light) / white
        xyz = reflectance_to_xyz(self.matrix_reflectances, light)
        xyz_white = reflectance_to_xyz(np.ones_like(light), light)
        target = (xyz / xyz_white * D65_WHITE) @ XYZ_TO_SRGB.T
        if self.display_p3:
            target = target @ SRGB_TO_P3.T
        # With rows summing to 1, M raw = raw_g + M[:, (0, 2)] (raw_(r, b) - raw_g).
        base = raw[:, [0, 2]] - raw[:, [1]]
        solution, *_ = np.linalg.lstsq(base, target - raw[:, [1]], rcond=None)
        matrix: FloatArray = np.stack([solution[0], 1.0 - solution[0] - solution[1], solution[1]], axis=1)
        return matrix


def tone_curve(value: FloatArray, contrast: float) -> FloatArray:
    """Return values 0..1 after an S-shaped tone curve, a blend with the cubic smooth step."""
    v = np.clip(value, 0.0, 1.0)
    curve: FloatArray = (1.0 - contrast) * v + contrast * v * v * (3.0 - 2.0 * v)
    return curve


def develop(camera: Camera, balanced: FloatArray, matrix: FloatArray) -> FloatArray:
    """Return encoded picture values 0..1 (sRGB or Display P3 numbers) of balanced raw, (..., 3)."""
    # A sensor cannot hold more than its full well: channels clip before the matrix.
    linear = np.clip(balanced, 0.0, None) @ matrix.T
    if camera.tone_on_encoded:
        encoded = encode_srgb(linear)
        luma = encoded @ LUMA
        encoded = luma[..., None] + camera.saturation * (encoded - luma[..., None])
        return tone_curve(encoded, camera.contrast)
    luma = linear @ LUMA
    boosted = luma[..., None] + camera.saturation * (linear - luma[..., None])
    return tone_curve(encode_srgb(boosted), camera.contrast)


def to_linear_srgb(camera: Camera, encoded: FloatArray) -> FloatArray:
    """Return linear sRGB light (may leave 0..1) of encoded picture values, honouring the profile."""
    linear = decode_srgb(encoded)
    if camera.display_p3:
        linear = linear @ P3_TO_SRGB.T
    return linear


def draw_sensitivities(rng: np.random.Generator) -> FloatArray:
    """Return random sensor sensitivities, peak 1 each, shape (3, n) in the order R, G, B.

    Sums of Gaussians behind an infrared and an ultraviolet cut. The ranges bracket thirteen measured
    cameras of open data sets (see `tests/accuracy/renderer_realism.py --cameras`).
    """
    infrared = 1.0 / (1.0 + np.exp((WAVELENGTHS_NM - rng.uniform(650.0, 690.0)) / rng.uniform(4.0, 14.0)))
    ultraviolet = 1.0 / (1.0 + np.exp(-(WAVELENGTHS_NM - rng.uniform(396.0, 416.0)) / rng.uniform(3.0, 7.0)))
    red = gaussian(rng.uniform(588.0, 608.0), rng.uniform(14.0, 26.0), rng.uniform(30.0, 48.0))
    red = red + rng.uniform(0.03, 0.22) * gaussian(rng.uniform(525.0, 550.0), 28.0)
    red = red + rng.uniform(0.0, 0.08) * gaussian(rng.uniform(420.0, 450.0), 22.0)
    green = gaussian(rng.uniform(522.0, 540.0), rng.uniform(26.0, 38.0), rng.uniform(30.0, 44.0))
    green = green + rng.uniform(0.02, 0.15) * gaussian(rng.uniform(440.0, 470.0), 25.0)
    green = green + rng.uniform(0.0, 0.12) * gaussian(rng.uniform(610.0, 640.0), 30.0)
    blue = gaussian(rng.uniform(450.0, 468.0), rng.uniform(20.0, 30.0), rng.uniform(24.0, 36.0))
    blue = blue + rng.uniform(0.02, 0.16) * gaussian(rng.uniform(515.0, 540.0), 24.0)
    blue = blue + rng.uniform(0.0, 0.04) * gaussian(rng.uniform(590.0, 640.0), 30.0)
    channels = np.stack([red, green, blue]) * infrared * ultraviolet
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
        tone_on_encoded=bool(rng.random() < 0.5),
        blur_px=float(rng.uniform(1.3, 2.3) if harsh else rng.uniform(0.4, 0.9)),
        sharpen=float(rng.uniform(0.0, 0.5)),
        bayer=bool(rng.random() < 0.85),
        display_p3=bool(rng.random() < 0.35),
        quality=int(rng.integers(45, 70) if harsh else rng.integers(78, 96)),
    )
