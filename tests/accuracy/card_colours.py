"""Tone curve and colour correction of one picture from the greys and colours of a card of our own.

A plain chart leaves the camera's tone curve and colour matrix to be guessed from its patches. A card with
greys shows the curve itself, and its saturated colours lie around everything a liquid can show, so that
the correction of a liquid is interpolated instead of extrapolated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.colour.correction import ColourCorrection, CorrectionKind, fit_correction, leave_one_out_delta_e
from hueph.errors import InputError

__all__ = ["KnownColours", "ToneCurve", "card_correction", "fit_tone"]

# How far tone curves stray from a straight line in log light (k = 1): gamma and bend. Phone cameras
# raise contrast by a fifth or so (common practice, no source).
_GAMMA_STD, _BEND_STD = 0.25, 0.08
_FLOOR = 0.004  # light below this share of the paper says nothing of the curve
_PAPER_WEIGHT = 3.0  # the paper counts as this many patches


@dataclass(frozen=True, slots=True, eq=False)
class KnownColours:
    """Colours seen in a picture whose true values are known, linear light in the file's primaries over the paper.

    Attributes
    ----------
    seen, known : array, shape (n, 3)
    std : array, shape (n,)
        Standard uncertainty of the known colour, CIEDE2000.
    grey : array of bool, shape (n,)
    """

    seen: FloatArray
    known: FloatArray
    std: FloatArray
    grey: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class ToneCurve:
    """Camera tone curve relative to the paper: ln known = gamma ln seen + bend (ln seen)^2, per channel.

    Attributes
    ----------
    gamma, bend : array, shape (3,)
    """

    gamma: FloatArray
    bend: FloatArray

    def undo(self, ratio: FloatArray) -> FloatArray:
        """Return light over paper before the tone curve, shape as given; 1 stays 1, order is kept."""
        log = np.log(np.maximum(ratio, _FLOOR))
        # Past its turning point the parabola goes on as a straight line.
        turn = np.where(self.bend > 1e-9, -0.5 * 0.8 * self.gamma / np.maximum(self.bend, 1e-9), -np.inf)
        inner = np.maximum(log, turn)
        value = self.gamma * inner + self.bend * inner**2
        value = value + (self.gamma + 2 * self.bend * inner) * (log - inner)
        return np.asarray(np.exp(value) * np.clip(ratio / _FLOOR, 0.0, 1.0))


def fit_tone(colours: KnownColours) -> ToneCurve:
    """Fit the tone curve to the greys.

    Parameters
    ----------
    colours : KnownColours
        At least 4 greys are needed, else the curve is a straight line.

    Returns
    -------
    ToneCurve
    """
    greys = colours.grey & (colours.seen > _FLOOR).all(axis=1) & (colours.seen < 1.2).all(axis=1)
    gamma, bend = np.ones(3), np.zeros(3)
    if int(greys.sum()) < 4:
        return ToneCurve(gamma, bend)
    # A CIEDE2000 of 1 in a grey is about 1 in lightness: three parts in a hundred of its light.
    weight = 1.0 / np.hypot(0.03 * colours.std[greys], 0.01)
    for channel in range(3):
        log = np.log(colours.seen[greys, channel])
        wanted = np.log(np.maximum(colours.known[greys, channel], _FLOOR)) - log
        design = np.stack([log, log**2], axis=1) * weight[:, None]
        normal = design.T @ design + np.diag([1 / _GAMMA_STD**2, 1 / _BEND_STD**2])
        extra, bend[channel] = np.linalg.solve(normal, design.T @ (wanted * weight))
        gamma[channel] = 1.0 + extra
    return ToneCurve(np.clip(gamma, 0.5, 2.0), np.clip(bend, -0.15, 0.15))


def card_correction(
    colours: KnownColours, tone: ToneCurve, paper: FloatArray, to_srgb: FloatArray
) -> tuple[ColourCorrection, float]:
    """Fit the colour correction that predicts known colours left out of the fit best.

    Parameters
    ----------
    colours : KnownColours
        Patches, greys and saturated colours.
    tone : ToneCurve
    paper : array, shape (3,)
        The unprinted card, linear, file primaries, relative to a perfect white.
    to_srgb : array, shape (3, 3)
        File primaries to linear sRGB.

    Returns
    -------
    correction : ColourCorrection
        From light relative to a perfect white, tone curve undone, to linear sRGB.
    residual_delta_e : float
        Median CIEDE2000 of colours left out.
    """
    seen = np.vstack([tone.undo(colours.seen) * paper, paper[None]])
    known = np.vstack([colours.known * paper, paper[None]]) @ to_srgb.T
    weights = np.append(1.0 / (1.0 + (colours.std / 2.0) ** 2), _PAPER_WEIGHT)
    best: tuple[float, CorrectionKind] | None = None
    kinds: tuple[CorrectionKind, ...] = ("linear", "root-polynomial")
    for kind in kinds:
        try:
            residual = float(np.median(leave_one_out_delta_e(seen, known, kind=kind, weights=weights)))
        except InputError:
            continue
        if best is None or residual < best[0]:
            best = residual, kind
    if best is None:
        return ColourCorrection("linear", np.asarray(to_srgb)), float("nan")
    return fit_correction(seen, known, kind=best[1], weights=weights), best[0]
