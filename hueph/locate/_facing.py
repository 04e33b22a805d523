"""Tell a mirrored picture of a single row or column from one that is not.

Patches in one line look the same when mirrored across that line, so the patches cannot tell; but
cards are seldom symmetric: figures stand on one side, and the margins differ. Where the card's
outline, or what is printed beside the patches, is plainly on the other side, the picture is
mirrored (front camera, scan from behind) and is refused.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._medians import medians, quantiles
from hueph._types import AnyArray, Float32Array, FloatArray, UInt8Array
from hueph.chart import Chart
from hueph.locate.geometry import quad_sides

__all__ = ["Facing", "seen_facing"]

# margins that differ by less than this share of a patch tell nothing
LEAST_DIFFERENCE = 0.15
# the outline is looked for within this share of a patch of its place
OUTLINE_REACH = 0.07
STRONGEST = 8.0
# contrast of figures to the paper, and the least share of the band they cover
INK_CONTRAST = 0.2
LEAST_INK = 0.006
PIXELS = 28.0


@dataclass(frozen=True, slots=True)
class Facing:
    """Evidence for either way round: strength of the outline, share of ink in the bands.

    Attributes
    ----------
    outline, outline_mirrored : float
        Standard deviations above the noise, summed over the two sides.
    ink, ink_mirrored : float
        Share of dark points on the side with the wide margin, and on the other.
    """

    outline: float
    outline_mirrored: float
    ink: float
    ink_mirrored: float

    @property
    def mirrored(self) -> bool:
        """Whether the picture is plainly mirrored."""
        # A chart calibrated from a loosely cropped scan has no true margins: its outline is nowhere,
        # and figures in the narrower band then prove nothing.
        by_outline = self.outline_mirrored > 2.0 * self.outline + 4.0
        by_ink = self.ink_mirrored > max(LEAST_INK, 4.0 * self.ink)
        inked = self.ink > max(LEAST_INK, 2.0 * self.ink_mirrored)
        return (by_outline and not inked) or (by_ink and self.outline_mirrored > self.outline + 2.0)


def seen_facing(picture: UInt8Array, pose: FloatArray, chart: Chart) -> Facing | None:
    """Look beside the patches of a chart that is one row or one column.

    Parameters
    ----------
    picture : array, shape (h, w, 3), uint8
    pose : array, shape (3, 3)
        Card units to pixels of `picture`.

    Returns
    -------
    Facing or None
        None when the chart has more than one line, or equal margins on both sides of it.
    """
    axis = _line_axis(chart.corners)
    if axis is None:
        return None
    low = chart.corners.reshape(-1, 2).min(axis=0)
    high = chart.corners.reshape(-1, 2).max(axis=0)
    short = float(np.median(quad_sides(chart.corners).min(axis=1)))
    side = 1 - axis
    margins = np.array([low[side], chart.card_size[side] - high[side]])
    if abs(margins[0] - margins[1]) < LEAST_DIFFERENCE * short or margins.min() < 0:
        return None
    reach = float(margins.max()) + 0.3 * short
    profiles = [_beside(picture, pose, (low, high), axis, k, reach, PIXELS / short) for k in (0, 1)]
    wide = int(np.argmax(margins))
    unit = PIXELS / short
    strength = np.array([_outlines_at(profile, margins * unit) for profile in profiles])
    ink = [_ink_within(profiles[k], float(margins.max()) * unit) for k in (0, 1)]
    return Facing(
        outline=float(strength[0, 0] + strength[1, 1]),
        outline_mirrored=float(strength[0, 1] + strength[1, 0]),
        ink=ink[wide],
        ink_mirrored=ink[1 - wide],
    )


def _line_axis(corners: FloatArray) -> int | None:
    """0 when all patches stand in one row, 1 when in one column, else None."""
    low, high = corners.min(axis=1), corners.max(axis=1)
    for axis in (0, 1):
        side = 1 - axis
        if low[:, side].max() < high[:, side].min() and (
            np.ptp(low[:, side]) + np.ptp(high[:, side]) < 0.2 * (high - low)[:, side].min()
        ):
            return axis
    return None


def _beside(
    picture: UInt8Array,
    pose: FloatArray,
    box: tuple[FloatArray, FloatArray],
    axis: int,
    which: int,
    reach: float,
    unit: float,
) -> Float32Array:
    """Rectify the band on one side of the line: rows go away from the patches, columns along it."""
    import cv2

    low, high = box
    along = float(high[axis] - low[axis])
    start = low.copy() if which == 0 else high.copy()
    start[axis] = low[axis]
    away = np.zeros(2)
    away[1 - axis] = -1.0 if which == 0 else 1.0
    line = np.zeros(2)
    line[axis] = 1.0
    to_card = np.array(
        [
            [line[0] / unit, away[0] / unit, start[0]],
            [line[1] / unit, away[1] / unit, start[1]],
            [0, 0, 1.0],
        ]
    )
    band = cv2.warpPerspective(
        picture,
        pose @ to_card,
        (max(4, round(along * unit)), max(4, round(reach * unit))),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(band, dtype=np.float32)


def _outlines_at(band: Float32Array, distances: FloatArray) -> list[float]:
    """Strength of straight lines along the band at some distances (rows), in standard deviations."""
    bright = quantiles(np.ascontiguousarray(band.swapaxes(1, 2)), 0.75)
    slope = np.abs(bright[2:] - bright[:-2]).sum(axis=1)
    half = max(1, round(OUTLINE_REACH * PIXELS))
    usual = float(medians(slope[3:]))
    noise = 1.4826 * float(medians(np.abs(slope[3:] - usual))) + 0.5
    strengths = []
    for distance in distances:
        at = round(float(distance)) - 1
        near = slope[max(at - half, 0) : at + half + 1]
        strongest = float(near.max()) if len(near) else usual
        strengths.append(float(np.clip((strongest - usual) / noise, 0.0, STRONGEST)))
    return strengths


def _ink_within(band: Float32Array, stop: float) -> float:
    """Share of points of the band darker than its paper, from a little off the patches to `stop`."""
    part: AnyArray = band[round(0.12 * PIXELS) : max(round(stop), round(0.12 * PIXELS) + 2)].mean(axis=2)
    paper = quantiles(part, 0.75)[:, None]
    return float((part < (1.0 - INK_CONTRAST) * paper).mean())
