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


def relative_oklab(linear: AnyArray, paper: AnyArray) -> AnyArray:
    """Return Oklab of light divided by the paper's light (both linear sRGB primaries)."""
    return linear_rgb_to_oklab(np.clip(np.asarray(linear) / np.maximum(paper, 1e-4), 0.0, 1.6))


def colour_misfit(observed: AnyArray, reference: FloatArray, *, rounds: int = 2) -> ColourFit:
    """Fit observed colours to the chart's and return what is left.

    Parameters
    ----------
    observed : array, shape (m, n, 3)
        Relative Oklab at the n patches under m hypotheses; nan where outside the picture. Worked out in
        its precision.
    reference : array, shape (n, 3)
        From `chart_colours`.
    rounds : int
        Rounds of down-weighting patches that do not fit (covered, glared).
    """
    planes = np.ascontiguousarray(np.moveaxis(observed, -1, 0))
    missing = np.logical_not(np.isfinite(planes).all(axis=0))
    light, a, b = np.where(missing, 0.0, planes)
    to_light, to_a, to_b = np.ascontiguousarray(reference.T, dtype=planes.dtype)
    weight = np.logical_not(missing).astype(planes.dtype)
    for _ in range(rounds + 1):
        (p, q, s, t), penalty_plane = _fit_plane(a, b, (to_a, to_b), weight)
        (lift, slope), penalty_line = _fit_line(light, to_light, weight)
        off_a = to_a - (p[:, None] * a - q[:, None] * b + s[:, None])
        off_b = to_b - (q[:, None] * a + p[:, None] * b + t[:, None])
        off_light = to_light - (slope[:, None] * light + lift[:, None])
        residual = np.sqrt(off_a * off_a + off_b * off_b + off_light * off_light) / PATCH_STD
        residual[missing] = np.inf
        half = np.square(np.square(residual / 2.0))
        weight = np.where(missing, 0.0, 1.0 / (1.0 + half))
    squares = (np.minimum(residual, MISFIT_CAP) ** 2).sum(axis=1)
    priors = np.asarray(penalty_plane + penalty_line)
    return ColourFit(
        misfit=np.sqrt((squares + priors) / residual.shape[1]),
        squares=squares,
        priors=priors,
        residual=residual,
        saturation=np.hypot(p, q),
        turn=np.arctan2(q, p),
    )


def _fit_plane(
    a: AnyArray, b: AnyArray, wanted: tuple[AnyArray, AnyArray], weight: AnyArray
) -> tuple[tuple[AnyArray, AnyArray, AnyArray, AnyArray], AnyArray]:
    """Fit (a, b) -> (p a - q b + s, q a + p b + t) with priors; parameters, each (m,), and penalty (m,).

    The normal equations couple p with s and t, and q with s and t, but not p with q: once s and t are
    eliminated each stands alone.
    """
    saturation, turn, white = ((PATCH_STD / std) ** 2 for std in (SATURATION_STD, TURN_STD, WHITE_STD))
    # Sums over the patches, with weights, are products with one small matrix.
    sums = np.stack([np.ones_like(wanted[0]), *wanted], axis=1)
    weighted_a, weighted_b = weight * a, weight * b
    sum_a, a_to_a, a_to_b = (weighted_a @ sums).T
    sum_b, b_to_a, b_to_b = (weighted_b @ sums).T
    sum_w, shift_a, shift_b = (weight @ sums).T
    sum_w = sum_w + white
    square = (weighted_a * a + weighted_b * b).sum(axis=1) - (sum_a**2 + sum_b**2) / sum_w
    # The prior pulls p towards 1, the others towards 0.
    p = (a_to_a + b_to_b + saturation - (sum_a * shift_a + sum_b * shift_b) / sum_w) / (square + saturation)
    q = (a_to_b - b_to_a - (sum_a * shift_b - sum_b * shift_a) / sum_w) / (square + turn)
    s = (shift_a - sum_a * p + sum_b * q) / sum_w
    t = (shift_b - sum_b * p - sum_a * q) / sum_w
    penalty = ((p - 1.0) / SATURATION_STD) ** 2 + (q / TURN_STD) ** 2 + (s**2 + t**2) / WHITE_STD**2
    return (p, q, s, t), penalty


def _fit_line(
    light: AnyArray, wanted: AnyArray, weight: AnyArray
) -> tuple[tuple[AnyArray, AnyArray], AnyArray]:
    """Fit lightness wanted = lift + slope * observed about the paper's 1; parameters (m,), penalty (m,)."""
    lightness, target = light - 1.0, wanted - 1.0
    to_zero, to_one = (PATCH_STD / LIFT_STD) ** 2, (PATCH_STD / SLOPE_STD) ** 2
    weighted = weight * lightness
    total, first = weight.sum(axis=1) + to_zero, weighted.sum(axis=1)
    second = (weighted * lightness).sum(axis=1) + to_one
    right, right_slope = weight @ target, weighted @ target + to_one
    area = total * second - first**2
    offset = (right * second - right_slope * first) / area
    slope = (right_slope * total - right * first) / area
    penalty = (offset / LIFT_STD) ** 2 + ((slope - 1.0) / SLOPE_STD) ** 2
    return (1.0 + offset - slope, slope), penalty
