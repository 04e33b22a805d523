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
    squares, priors : array, shape (m,)
        Sum of the squares of the capped residuals, and the priors' share.
    residual : array, shape (m, n)
        Distance of each patch from the fit, same units, not capped.
    saturation, turn : array, shape (m,)
        Fitted gain and rotation (radians) of the opponent plane, observed to chart.
    """

    misfit: FloatArray
    squares: FloatArray
    priors: FloatArray
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
    light, a, b = seen[..., 0], seen[..., 1], seen[..., 2]
    for _ in range(rounds + 1):
        plane, penalty_plane = _fit_plane(seen, reference, weight)
        line, penalty_line = _fit_line(seen, reference, weight)
        p, q, s, t = (plane[:, i, None] for i in range(4))
        off_a = reference[:, 1] - (p * a - q * b + s)
        off_b = reference[:, 2] - (q * a + p * b + t)
        off_light = reference[:, 0] - (line[:, 1, None] * light + line[:, 0, None])
        residual = np.sqrt(off_a * off_a + off_b * off_b + off_light * off_light) / PATCH_STD
        residual[missing] = np.inf
        weight = np.where(missing, 0.0, 1.0 / (1.0 + (residual / 2.0) ** 4))
    squares = (np.minimum(residual, MISFIT_CAP) ** 2).sum(axis=1)
    priors = np.asarray(penalty_plane + penalty_line)
    return ColourFit(
        misfit=np.sqrt((squares + priors) / residual.shape[1]),
        squares=squares,
        priors=priors,
        residual=residual,
        saturation=np.hypot(plane[:, 0], plane[:, 1]),
        turn=np.arctan2(plane[:, 1], plane[:, 0]),
    )


def _fit_plane(seen: FloatArray, reference: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit (a, b) -> (p a - q b + s, q a + p b + t) with priors; parameters (m, 4), penalty (m,).

    The normal equations couple p with s and t, and q with s and t, but not p with q: once s and t are
    eliminated each stands alone.
    """
    a, b = weight * seen[..., 1], weight * seen[..., 2]
    to_a, to_b = reference[:, 1], reference[:, 2]
    saturation, turn, white = ((PATCH_STD / std) ** 2 for std in (SATURATION_STD, TURN_STD, WHITE_STD))
    sum_a, sum_b, sum_w = a.sum(axis=1), b.sum(axis=1), weight.sum(axis=1) + white
    square = (a * seen[..., 1] + b * seen[..., 2]).sum(axis=1) - (sum_a**2 + sum_b**2) / sum_w
    along, across = a @ to_a + b @ to_b, a @ to_b - b @ to_a
    shift_a, shift_b = weight @ to_a, weight @ to_b
    # The prior pulls p towards 1, the others towards 0.
    p = (along + saturation - (sum_a * shift_a + sum_b * shift_b) / sum_w) / (square + saturation)
    q = (across - (sum_a * shift_b - sum_b * shift_a) / sum_w) / (square + turn)
    s = (shift_a - sum_a * p + sum_b * q) / sum_w
    t = (shift_b - sum_b * p - sum_a * q) / sum_w
    penalty = ((p - 1.0) / SATURATION_STD) ** 2 + (q / TURN_STD) ** 2 + (s**2 + t**2) / WHITE_STD**2
    return np.stack([p, q, s, t], axis=1), np.asarray(penalty)


def _fit_line(seen: FloatArray, reference: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit lightness reference = lift + slope * observed about the paper's 1; (m, 2), penalty."""
    lightness, target = seen[..., 0] - 1.0, reference[:, 0] - 1.0
    to_zero, to_one = (PATCH_STD / LIFT_STD) ** 2, (PATCH_STD / SLOPE_STD) ** 2
    weighted = weight * lightness
    total, first = weight.sum(axis=1) + to_zero, weighted.sum(axis=1)
    second = (weighted * lightness).sum(axis=1) + to_one
    right, right_slope = weight @ target, weighted @ target + to_one
    area = total * second - first**2
    offset = (right * second - right_slope * first) / area
    slope = (right_slope * total - right * first) / area
    penalty = (offset / LIFT_STD) ** 2 + ((slope - 1.0) / SLOPE_STD) ** 2
    return np.stack([1.0 + offset - slope, slope], axis=1), np.asarray(penalty)
