"""Does a row of colours read off a picture match a chart, in which order, and how clearly.

Colours are compared as light relative to the paper beside the patches, which removes most of the
lamp and of the camera's white balance. What is left (tone curve, saturation, a wrong white) is a
small similarity in the opponent plane and a line in lightness, fitted with priors: a fit that
would have to turn hues around or to swap light and dark costs more than it gains.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import AnyArray, FloatArray
from hueph.chart import Chart
from hueph.colour.lab import lab_to_xyz, linear_rgb_to_oklab
from hueph.colour.srgb import xyz_to_linear_rgb

__all__ = ["MISFIT_CAP", "ColourFit", "chart_colours", "colour_misfit", "relative_oklab"]

# Standard deviations, Oklab units, estimated on development photographs: one patch about the fit ...
PATCH_STD = 0.035
# ... and of the fit's own parameters: saturation, turn of hue, shift of white, slope of lightness.
SATURATION_STD = 0.35
TURN_STD = 0.16
WHITE_STD = 0.025
SLOPE_STD = 0.35
LIFT_STD = 0.10
# a hidden patch costs no more than this many standard deviations
MISFIT_CAP = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class ColourFit:
    """How well observed colours match a chart (first axis: hypotheses).

    Attributes
    ----------
    misfit : array, shape (m,)
        Root mean square of capped residuals with the priors' share, in units of `PATCH_STD`.
    residual : array, shape (m, n)
        Distance of each patch from the fit, same units, not capped.
    saturation, turn : array, shape (m,)
        Fitted gain and rotation (radians) of the opponent plane, observed to chart.
    """

    misfit: FloatArray
    residual: FloatArray
    saturation: FloatArray
    turn: FloatArray


def chart_colours(chart: Chart) -> FloatArray:
    """Return Oklab of the chart's patches relative to its paper, shape (n, 3)."""
    linear = xyz_to_linear_rgb(lab_to_xyz(chart.lab))
    paper = xyz_to_linear_rgb(lab_to_xyz(np.array(chart.paper_lab)))
    return relative_oklab(linear, np.maximum(paper, 0.02))


def relative_oklab(linear: AnyArray, paper: AnyArray) -> FloatArray:
    """Return Oklab of light divided by the paper's light (both linear sRGB primaries)."""
    ratio = np.clip(np.asarray(linear) / np.maximum(paper, 1e-4), 0.0, 1.6)
    return np.asarray(linear_rgb_to_oklab(ratio), dtype=np.float64)


def colour_misfit(observed: FloatArray, reference: FloatArray, *, rounds: int = 2) -> ColourFit:
    """Fit observed colours to the chart's and return what is left.

    Parameters
    ----------
    observed : array, shape (m, n, 3)
        Relative Oklab at the n patches under m hypotheses; nan where outside the picture.
    reference : array, shape (n, 3)
        From `chart_colours`.
    rounds : int
        Rounds of down-weighting patches that do not fit (covered, glared).
    """
    missing = np.logical_not(np.isfinite(observed).all(axis=-1))
    seen = np.where(missing[..., None], 0.0, observed)
    weight = np.where(missing, 0.0, 1.0)
    for _ in range(rounds + 1):
        plane, penalty_plane = _fit_plane(seen, reference, weight)
        line, penalty_line = _fit_line(seen, reference, weight)
        left = np.empty_like(seen)
        a, b = seen[..., 1], seen[..., 2]
        p, q, s, t = (plane[:, i, None] for i in range(4))
        left[..., 1] = reference[:, 1] - (p * a - q * b + s)
        left[..., 2] = reference[:, 2] - (q * a + p * b + t)
        left[..., 0] = reference[:, 0] - (line[:, 1, None] * seen[..., 0] + line[:, 0, None])
        residual = np.linalg.norm(left, axis=-1) / PATCH_STD
        residual[missing] = np.inf
        weight = np.where(missing, 0.0, 1.0 / (1.0 + (residual / 2.0) ** 4))
    square = np.minimum(residual, MISFIT_CAP) ** 2
    total = (square.sum(axis=1) + penalty_plane + penalty_line) / residual.shape[1]
    return ColourFit(
        misfit=np.sqrt(total),
        residual=residual,
        saturation=np.hypot(plane[:, 0], plane[:, 1]),
        turn=np.arctan2(plane[:, 1], plane[:, 0]),
    )


def _fit_plane(seen: FloatArray, reference: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit (a, b) -> (p a - q b + s, q a + p b + t) with priors; parameters (m, 4), penalty (m,)."""
    a, b = seen[..., 1], seen[..., 2]
    one, nil = np.ones_like(a), np.zeros_like(a)
    design = np.concatenate(
        [np.stack([a, -b, one, nil], axis=-1), np.stack([b, a, nil, one], axis=-1)], axis=1
    )
    target = np.concatenate([reference[:, 1], reference[:, 2]])
    prior_mean = np.array([1.0, 0.0, 0.0, 0.0])
    prior_std = np.array([SATURATION_STD, TURN_STD, WHITE_STD, WHITE_STD])
    return _ridge(design, target, np.concatenate([weight, weight], axis=1), prior_mean, prior_std)


def _fit_line(seen: FloatArray, reference: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit lightness reference = lift + slope * observed about the paper's 1; (m, 2), penalty."""
    lightness = seen[..., 0] - 1.0
    design = np.stack([np.ones_like(lightness), lightness], axis=-1)
    line, penalty = _ridge(
        design, reference[:, 0] - 1.0, weight, np.array([0.0, 1.0]), np.array([LIFT_STD, SLOPE_STD])
    )
    lift = 1.0 + line[:, 0] - line[:, 1]
    return np.stack([lift, line[:, 1]], axis=1), penalty


def _ridge(
    design: FloatArray, target: FloatArray, weight: FloatArray, mean: FloatArray, std: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Solve many small weighted least squares with Gaussian priors; parameters and prior penalty."""
    precision = np.diag((PATCH_STD / std) ** 2)
    weighted = design * weight[..., None]
    normal = np.swapaxes(weighted, 1, 2) @ design + precision
    right = np.einsum("mkp,k->mp", weighted, target) + precision @ mean
    solution = np.linalg.solve(normal, right[..., None])[..., 0]
    penalty = (((solution - mean) / std) ** 2).sum(axis=1)
    return np.asarray(solution), np.asarray(penalty)
