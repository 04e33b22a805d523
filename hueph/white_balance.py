"""White balance and colour correction of one picture from the strip in it.

The chart's colours are brought into the file's own primaries, the measured patches to the same
scale (relative to a perfect white, through the paper beside them), and a correction is fitted. The
residual reported is that of patches left out of the fit, not the fit's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.chart import Chart
from hueph.colour.correction import ColourCorrection, CorrectionKind, fit_correction, leave_one_out_delta_e
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import lab_to_xyz, xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_xyz, xyz_to_linear_rgb
from hueph.errors import InputError, StripNotFound
from hueph.measuring import BLACK_FLOOR, StripMeasurement
from hueph.photo import Photo

__all__ = ["PictureColours", "balance_picture", "chart_light", "choose_correction", "linear_srgb_to_lab"]

# The paper is the only neutral reference and the best measured one; it counts as this many patches.
_PAPER_WEIGHT = 3.0
# Twice the unknowns of each kind: with fewer colours a fit follows their print errors.
_FEWEST_COLOURS: dict[CorrectionKind, int] = {"linear": 6, "root-polynomial": 12}


@dataclass(frozen=True, slots=True, eq=False)
class PictureColours:
    """What the strip says about colour in one picture, and the chart in the file's primaries.

    Attributes
    ----------
    chart : Chart
    strip : StripMeasurement
    artwork : array, shape (n, 3)
        The chart's colours, linear, file primaries, relative to a perfect white.
    paper : array, shape (3,)
        The same for the unprinted card.
    patches : array, shape (n, 3)
        The patches as seen, brought to that scale.
    correction : ColourCorrection
        From that scale to linear sRGB.
    residual_delta_e : float
        Median CIEDE2000 of patches left out of the fit.
    to_srgb : array, shape (3, 3)
        File primaries to linear sRGB.
    """

    chart: Chart
    strip: StripMeasurement
    artwork: FloatArray
    paper: FloatArray
    patches: FloatArray
    correction: ColourCorrection
    residual_delta_e: float
    to_srgb: FloatArray

    def corrected_lab(self, ratio: FloatArray) -> FloatArray:
        """Return CIELAB D65 of light ratios (..., 3) in the file's primaries after correction."""
        return linear_srgb_to_lab(np.maximum(self.correction.apply(ratio), 0.0))


def balance_picture(photo: Photo, chart: Chart, strip: StripMeasurement) -> PictureColours:
    """Bring the chart into the file's primaries, the patches to its scale, and fit a correction.

    Parameters
    ----------
    photo, chart, strip
        The picture, the chart it shows, and the strip as measured in it.

    Returns
    -------
    PictureColours

    Raises
    ------
    StripNotFound
        Fewer than three patches are visible and free of glare.
    """
    usable = strip.usable
    if usable.sum() < 3:
        raise StripNotFound(
            f"reading the strip in {photo.file}: at least 3 patches must be visible and free of glare, "
            f"found {int(usable.sum())} of {len(usable)}; retake without reflections on the card",
            reason="too-few-patches",
        )
    artwork, paper = chart_light(chart, photo.to_linear_srgb)
    patches = strip.patches / np.maximum(strip.paper, BLACK_FLOOR) * paper
    correction, residual = choose_correction(patches[usable], artwork[usable], paper, photo.to_linear_srgb)
    return PictureColours(chart, strip, artwork, paper, patches, correction, residual, photo.to_linear_srgb)


def chart_light(chart: Chart, to_srgb: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Bring a chart's colours into a file's primaries.

    Parameters
    ----------
    chart : Chart
    to_srgb : array, shape (3, 3)
        File primaries to linear sRGB.

    Returns
    -------
    artwork : array, shape (n, 3)
        Patches, linear light relative to a perfect white.
    paper : array, shape (3,)
        The unprinted card.
    """
    from_srgb = np.linalg.inv(to_srgb)
    artwork = _lab_to_linear_srgb(chart.lab) @ from_srgb.T
    return artwork, _lab_to_linear_srgb(np.array(chart.paper_lab)) @ from_srgb.T


def choose_correction(
    patches: FloatArray, artwork: FloatArray, paper: FloatArray, to_srgb: FloatArray
) -> tuple[ColourCorrection, float]:
    """Fit the correction that predicts patches left out of the fit best.

    Parameters
    ----------
    patches, artwork : array, shape (n, 3)
        As seen and as printed, linear, file primaries, relative to a perfect white.
    paper : array, shape (3,)
        The unprinted card, which by construction is seen as it is.
    to_srgb : array, shape (3, 3)
        File primaries to linear sRGB.

    Returns
    -------
    correction : ColourCorrection
        To linear sRGB; only `to_srgb` itself when there are too few different patches.
    residual_delta_e : float
        Median CIEDE2000 of patches left out.
    """
    seen = np.vstack([patches, paper[None]])
    known = np.vstack([artwork, paper[None]]) @ to_srgb.T
    weights = np.append(np.ones(len(patches)), _PAPER_WEIGHT)
    best: tuple[float, CorrectionKind] | None = None
    kinds: tuple[CorrectionKind, ...] = ("linear", "root-polynomial")
    for kind in kinds:
        if len(seen) < _FEWEST_COLOURS[kind]:
            continue
        try:
            residual = float(np.median(leave_one_out_delta_e(seen, known, kind=kind, weights=weights)))
        except InputError:
            continue  # patches too much alike for this kind
        if best is None or residual < best[0]:
            best = residual, kind
    if best is None:
        residual = float(np.median(_delta_e(seen @ to_srgb.T, known)))
        return ColourCorrection("linear", np.asarray(to_srgb)), residual
    return fit_correction(seen, known, kind=best[1], weights=weights), best[0]


def linear_srgb_to_lab(linear_srgb: FloatArray) -> FloatArray:
    """Return CIELAB D65 of linear sRGB colours (..., 3)."""
    return np.asarray(xyz_to_lab(linear_rgb_to_xyz(linear_srgb)), dtype=np.float64)


def _lab_to_linear_srgb(lab: FloatArray) -> FloatArray:
    """CIELAB D65 to linear sRGB, not clipped."""
    return np.asarray(xyz_to_linear_rgb(lab_to_xyz(lab)), dtype=np.float64)


def _delta_e(one: FloatArray, other: FloatArray) -> FloatArray:
    """CIEDE2000 between linear sRGB colours."""
    first, second = (linear_srgb_to_lab(np.maximum(colours, 0.0)) for colours in (one, other))
    return np.asarray(delta_e_cie2000(first, second), dtype=np.float64)
