"""What stands about the tubes: light over the frame, and the backing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.synthetic.lights import Light, draw_light
from hueph.synthetic.spectra import WAVELENGTHS_NM, smooth_reflectance

__all__ = ["BACKINGS", "Illumination", "draw_backing", "draw_illumination"]

BACKINGS = ("white", "cream", "grey", "wood", "blue", "green", "dark")


@dataclass(frozen=True, slots=True)
class Illumination:
    """One or two lights, each with its own slope of brightness over the frame.

    Attributes
    ----------
    lights : tuple of Light
    strengths : array, shape (lights,)
        Share of each at the centre of the frame, sum 1.
    slopes : array, shape (lights, 5)
        Relative change over the frame: x, y, x squared, y squared, x times y, about the centre.
    """

    lights: tuple[Light, ...]
    strengths: FloatArray
    slopes: FloatArray

    def at(self, position: FloatArray) -> FloatArray:
        """Return the light (..., n) that falls on positions (..., 2) of the frame."""
        x = position[..., 0] - 0.5
        y = position[..., 1] - 0.5
        terms = np.stack([x, y, x * x - 1 / 12, y * y - 1 / 12, x * y], axis=-1)
        fields = np.maximum(1.0 + terms @ self.slopes.T, 0.05) * self.strengths
        spectra = np.stack([light.power for light in self.lights])
        result: FloatArray = fields @ spectra
        return result

    def brightest(self) -> float:
        """Return the largest strength of the light over the frame, relative to its centre."""
        axis = np.linspace(0.05, 0.95, 7)
        places = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
        return float(self.at(places).mean(axis=1).max() / self.reference().mean())

    def reference(self) -> FloatArray:
        """Return the light at the centre of the frame, shape (n,)."""
        return self.at(np.array([0.5, 0.5]))


def draw_backing(rng: np.random.Generator, name: str) -> FloatArray:
    """Return a reflectance for a named backing, made imprecise."""
    if name in ("white", "grey", "dark"):
        level = {"white": 0.80, "grey": 0.40, "dark": 0.12}[name] * np.exp(rng.normal(0.0, 0.08))
        tilt = rng.normal(0.0, 0.02) * (WAVELENGTHS_NM - 555.0) / 175.0
        return np.asarray(np.clip(level * (1.0 + tilt), 0.02, 0.93))
    centre = {
        "cream": (-0.6, 1.0, 0.9),
        "wood": (0.3, 1.0, -0.5),
        "blue": (0.8, -0.9, -0.9),
        "green": (-1.8, -0.1, -0.4),
    }[name]
    curve = smooth_reflectance(np.array(centre) + rng.normal(0.0, 0.15, 3))
    return np.asarray(np.clip(curve, 0.02, 0.93))


def draw_illumination(rng: np.random.Generator, *, mixed: bool) -> Illumination:
    """Return one light, or two of different colour that slope against each other."""
    count = 2 if mixed else 1
    lights = tuple(draw_light(rng) for _ in range(count))
    strengths = (
        np.array([1.0]) if count == 1 else np.array([0.6, 0.4]) + rng.uniform(-0.2, 0.2) * np.array([1, -1])
    )
    slopes = rng.normal(0.0, [0.20, 0.16, 0.22, 0.22, 0.12], (count, 5))
    if count == 2:
        slopes[1, :2] = -slopes[0, :2] * rng.uniform(0.4, 1.2) + rng.normal(0.0, 0.1, 2)
    return Illumination(lights, strengths, slopes)
