"""What a colour is on its way to the printer and back: over the paper, and within what a file of 8-bit sRGB holds."""

from __future__ import annotations

from itertools import product

import numpy as np

from hueph._types import FloatArray
from hueph.cards.page import Colour
from hueph.chart import Chart
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import lab_to_xyz, lch_to_lab, xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_srgb, linear_rgb_to_xyz, srgb_to_linear_rgb, xyz_to_linear_rgb

__all__ = ["PAPER_LAB", "beyond_srgb", "most_saturated", "on_paper", "on_white", "printable"]

WHITE = np.array([100.0, 0.0, 0.0])
PAPER_LAB = (94.0, 0.0, 0.0)  # ordinary white paper (common practice, no source)
# Beyond 0..1 by no more than this a colour counts as within sRGB; below half a step of 8 bit anywhere.
_SLACK = 0.001
# Steps of the search in 8-bit codes, and every way to take one in three channels.
_STEPS = (16, 4, 1)
_WAYS = np.array([way for way in product((-1, 0, 1), repeat=3) if any(way)])


def most_saturated(hue_deg: float) -> FloatArray:
    """CIELAB of the sRGB colour of largest chroma at a hue."""
    lightness = np.arange(25.0, 95.0, 1.0)
    chroma = np.arange(10.0, 135.0, 1.0)
    grid = np.stack(np.meshgrid(lightness, chroma, [hue_deg], indexing="ij"), axis=-1).reshape(-1, 3)
    lab = np.asarray(lch_to_lab(grid))
    linear = np.asarray(xyz_to_linear_rgb(lab_to_xyz(lab)))
    inside = np.all((linear > -1e-4) & (linear < 1.0001), axis=1)
    return np.asarray(lab[inside][int(np.argmax(grid[inside, 1]))])


def on_white(lab: FloatArray, paper_lab: tuple[float, float, float]) -> FloatArray:
    """Return a printed colour as it is sent to the printer, whose white is the bare paper; CIELAB, shape (..., 3)."""
    share = np.asarray(lab_to_xyz(lab)) / np.asarray(lab_to_xyz(np.array(paper_lab)))
    return np.asarray(xyz_to_lab(share * np.asarray(lab_to_xyz(WHITE))))


def on_paper(lab: FloatArray) -> FloatArray:
    """Return what a colour sent to the printer is on ordinary paper, darkened by it; CIELAB, shape (3,)."""
    share = np.asarray(lab_to_xyz(lab)) / np.asarray(lab_to_xyz(WHITE))
    return np.asarray(xyz_to_lab(share * np.asarray(lab_to_xyz(np.array(PAPER_LAB)))))


def printable(lab: FloatArray) -> tuple[Colour, FloatArray]:
    """Return the 8-bit sRGB nearest to a colour, and the CIELAB of that.

    Liquids go beyond sRGB where a dye takes out blue-green only: yellows, oranges and reds before paper that are
    lighter in the red channel than the paper is. Cutting that channel off alone would turn their hue, so the code
    that differs least by CIEDE2000 is searched. What remains is up to 5 CIEDE2000.

    Parameters
    ----------
    lab : array, shape (3,)
        CIELAB D65.

    Returns
    -------
    fill : tuple of three int
        0..255.
    lab : array, shape (3,)
        What is sent, CIELAB D65.
    """
    linear = np.asarray(xyz_to_linear_rgb(lab_to_xyz(lab)))
    codes = np.rint(255.0 * np.asarray(linear_rgb_to_srgb(np.clip(linear, 0.0, 1.0)))).astype(int)
    if linear.min() < -_SLACK or linear.max() > 1.0 + _SLACK:
        codes = _nearest(lab, codes)
    return (int(codes[0]), int(codes[1]), int(codes[2])), _lab_of(codes)


def beyond_srgb(wanted: Chart, sent: Chart) -> FloatArray:
    """Return how far the patches of a card are from those of the chart it was drawn from.

    Parameters
    ----------
    wanted : Chart
    sent : Chart
        Of the card, with the same patches.

    Returns
    -------
    array, shape (n,)
        CIEDE2000, each colour over the white of its own paper. Nought but for rounding where sRGB holds it.
    """
    ours, theirs = (on_white(chart.lab, chart.paper_lab) for chart in (sent, wanted))
    return np.asarray(delta_e_cie2000(theirs, ours))


def _nearest(lab: FloatArray, codes: np.ndarray) -> np.ndarray:
    """Walk from 8-bit sRGB codes (3,) to those nearest to a colour, in ever smaller steps."""
    least = float(delta_e_cie2000(lab, _lab_of(codes)))
    for step in _STEPS:
        while True:
            around = np.clip(codes + step * _WAYS, 0, 255)
            apart = np.asarray(delta_e_cie2000(lab, _lab_of(around)))
            best = int(np.argmin(apart))
            if apart[best] >= least:
                break
            codes, least = around[best], float(apart[best])
    return codes


def _lab_of(codes: np.ndarray) -> FloatArray:
    """CIELAB D65 of 8-bit sRGB codes, shape (..., 3)."""
    return np.asarray(xyz_to_lab(linear_rgb_to_xyz(srgb_to_linear_rgb(codes / 255.0))))
