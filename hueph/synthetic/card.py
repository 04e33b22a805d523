"""The printed card: colours in the artwork, and inks that give them a spectrum.

The artist took the liquid's colour at one reference load under one light, and printing brought it
into the ink gamut: a veil of white, a loss of saturation, and an error of each patch. The reflectance
spectrum behind a printed colour is not known to anyone who reads the card: three ink models that give
the same colour under the reference light differ under another one (metamerism).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.colour.lab import lab_to_xyz, xyz_to_lab
from hueph.colour.srgb import D65, SRGB_TO_XYZ, XYZ_TO_SRGB, srgb_to_linear_rgb
from hueph.synthetic.cameras import LUMA, REFERENCE_LIGHT, REFERENCE_WHITE, encode_clipped
from hueph.synthetic.dyes import Indicator
from hueph.synthetic.layout import CardLayout, draw_layout
from hueph.synthetic.spectra import WAVELENGTHS_NM, gaussian, reflectance_to_xyz, smooth_reflectance

__all__ = [
    "Card",
    "card_from_artwork",
    "draw_artwork",
    "draw_card",
    "liquid_srgb_linear",
    "print_reflectance",
]


INKS = ("smooth", "subtractive", "halftone")


@dataclass(frozen=True, slots=True)
class Card:
    """One printed card.

    Attributes
    ----------
    ph : array, shape (n,)
        Printed values, in reading order.
    artwork_srgb : array, shape (n, 3)
        Encoded sRGB 0..1 of the artwork, what a chart file is made from.
    paper_srgb : array, shape (3,)
    reflectance : array, shape (n, wavelengths)
        Of the printed patches, including the print error of this copy.
    paper : array, shape (wavelengths,)
    layout : CardLayout
    inks : str
        Name of the ink model.
    """

    ph: FloatArray
    artwork_srgb: FloatArray
    paper_srgb: FloatArray
    reflectance: FloatArray
    paper: FloatArray
    layout: CardLayout
    inks: str


def reflectance_to_linear_srgb(reflectance: FloatArray) -> FloatArray:
    """Return linear sRGB of reflectances (..., n) under D65, perfect white = 1."""
    xyz = reflectance_to_xyz(reflectance, REFERENCE_LIGHT) / REFERENCE_WHITE * D65
    linear: FloatArray = xyz @ XYZ_TO_SRGB.T
    return linear


def liquid_srgb_linear(indicator: Indicator, ph: FloatArray, load: float) -> FloatArray:
    """Return linear sRGB of the liquid before white at `load` times the reference, under D65."""
    return reflectance_to_linear_srgb(10.0 ** (-load * indicator.reference_absorbance(ph)))


def _subtractive(
    rng: np.random.Generator, paper: FloatArray, unwanted: float = 1.0
) -> Callable[[FloatArray], FloatArray]:
    """Return an ink model whose densities add: three dyes with `unwanted` side absorptions."""
    cyan = gaussian(640.0 + rng.normal(0, 10), 60.0, 60.0) + unwanted * (0.12 + 0.10 * gaussian(420.0, 40.0))
    magenta = gaussian(545.0 + rng.normal(0, 8), 38.0, 28.0) + unwanted * (
        0.25 * gaussian(430.0, 45.0) + 0.02
    )
    yellow = gaussian(425.0 + rng.normal(0, 6), 40.0, 38.0) + 0.01 * unwanted
    inks = np.stack([cyan, magenta, yellow])

    def reflect(amounts: FloatArray) -> FloatArray:
        curve: FloatArray = paper * 10.0 ** (-(amounts @ inks))
        return curve

    return reflect


def _halftone(rng: np.random.Generator, paper: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """Return an ink model of screened dots: Neugebauer primaries with Demichel areas, optical dot gain."""
    solid = 1.2 + rng.uniform(-0.1, 0.3)
    dense = _subtractive(rng, np.ones_like(paper), 0.2)
    corners = np.array([[c, m, y] for c in (0, 1) for m in (0, 1) for y in (0, 1)], dtype=np.float64)
    exponent = float(rng.uniform(1.6, 2.2))
    # Artwork may be lighter than the paper it is drawn on; a coat of white carries those patches.
    base = np.minimum(1.15 * paper, 1.0)
    primaries = (base * dense(corners * solid)) ** (1.0 / exponent)

    def reflect(amounts: FloatArray) -> FloatArray:
        area = 1.0 / (1.0 + np.exp(-amounts))
        weights = np.prod(
            np.where(corners[None, :, :] > 0.5, area[:, None, :], 1.0 - area[:, None, :]), axis=2
        )
        curve: FloatArray = (weights @ primaries) ** exponent
        return curve

    return reflect


def _ink_model(
    rng: np.random.Generator, name: str, paper: FloatArray
) -> tuple[Callable[[FloatArray], FloatArray], FloatArray]:
    """Return a reflectance function of three parameters and where to start solving for them."""
    if name == "smooth":
        return smooth_reflectance, np.array([0.0, 0.0, 0.5])
    if name == "subtractive":
        return _subtractive(rng, paper), np.array([0.3, 0.3, 0.3])
    return _halftone(rng, paper), np.array([-0.5, -0.5, -0.5])


def print_reflectance(
    linear_srgb: FloatArray, paper: FloatArray, rng: np.random.Generator, name: str
) -> FloatArray:
    """Return reflectances (n, wavelengths) that show linear sRGB colours (n, 3) under D65.

    Parameters
    ----------
    linear_srgb : array, shape (n, 3)
    paper : array, shape (wavelengths,)
    rng : Generator
        Draws the inks.
    name : str
        ``"smooth"``, ``"subtractive"`` or ``"halftone"``.

    Notes
    -----
    Damped Gauss-Newton in cube-root colour, all patches at once; colours out of the gamut of the inks
    end at the nearest colour the inks reach.
    """
    model, start = _ink_model(rng, name, paper)
    goal = np.cbrt(np.maximum(linear_srgb, 0.0) + 0.003)
    parameters = np.tile(start, (len(goal), 1))
    step = 1e-3
    for _ in range(14):
        base = np.cbrt(np.maximum(reflectance_to_linear_srgb(model(parameters)), 0.0) + 0.003)
        columns = []
        for index in range(3):
            moved = parameters.copy()
            moved[:, index] += step
            value = np.cbrt(np.maximum(reflectance_to_linear_srgb(model(moved)), 0.0) + 0.003)
            columns.append((value - base) / step)
        jacobian = np.stack(columns, axis=-1)
        normal = np.swapaxes(jacobian, 1, 2) @ jacobian + 1e-5 * np.eye(3)
        gradient = np.swapaxes(jacobian, 1, 2) @ (goal - base)[..., None]
        change = np.linalg.solve(normal, gradient)[..., 0]
        parameters = np.clip(parameters + np.clip(change, -2.0, 2.0), -40.0, 40.0)
        if np.abs(change).max() < 1e-4:
            break
    reflectance: FloatArray = np.clip(model(parameters), 0.0, 1.0)
    return reflectance


def chart_values(rng: np.random.Generator, indicator: Indicator) -> FloatArray:
    """Return the pH values of a chart within the colourful range: 6 to 15 patches, one step."""
    low, high = indicator.span
    for step in rng.permutation(np.array([0.2, 0.25, 0.4, 0.5, 0.5, 0.5, 1.0, 1.0])):
        count = int(np.floor((high - low) / step + 1e-9)) + 1
        if 6 <= count <= 15:
            return np.asarray(np.round(low + step * np.arange(count), 4))
    count = int(np.clip(np.floor((high - low) / 0.5) + 1, 5, 15))
    return np.asarray(np.round(low + 0.5 * np.arange(count), 4))


def card_from_artwork(
    rng: np.random.Generator,
    ph: FloatArray,
    artwork_srgb: FloatArray,
    *,
    paper_srgb: FloatArray | None = None,
    inks: str | None = None,
    layout: CardLayout | None = None,
) -> Card:
    """Return a printed card of given artwork: inks, paper tint and a small error of this copy are drawn.

    Parameters
    ----------
    rng : Generator
    ph : array, shape (n,)
    artwork_srgb : array, shape (n, 3)
        Encoded sRGB, 0..1.
    paper_srgb : array, shape (3,), optional
        Encoded sRGB of the paper; default: drawn.
    inks : str, optional
        ``"smooth"``, ``"subtractive"`` or ``"halftone"``; default: drawn.
    layout : CardLayout, optional
        Default: drawn.
    """
    if paper_srgb is None:
        tint = rng.normal(0.0, 0.02) * (WAVELENGTHS_NM - 555.0) / 175.0
        paper = np.clip(float(rng.uniform(0.78, 0.92)) * (1.0 + tint), 0.0, 0.97)
        paper_srgb = encode_clipped(reflectance_to_linear_srgb(paper))
    else:
        target = srgb_to_linear_rgb(paper_srgb)[None, :]
        paper = print_reflectance(target, np.ones_like(WAVELENGTHS_NM), rng, "smooth")[0]
    name = inks if inks is not None else str(rng.choice(INKS, p=[0.70, 0.20, 0.10]))
    copy_error = rng.normal(0.0, float(rng.uniform(0.0, 0.006)), artwork_srgb.shape)
    goal = srgb_to_linear_rgb(np.clip(artwork_srgb + copy_error, 0.0, 1.0))
    reflectance = print_reflectance(goal, paper, rng, name)
    layout = layout if layout is not None else draw_layout(rng, len(ph))
    return Card(ph, artwork_srgb, paper_srgb, reflectance, paper, layout, name)


def draw_artwork(rng: np.random.Generator, indicator: Indicator, ph: FloatArray) -> FloatArray:
    """Return the artwork an artist makes of `indicator`: encoded sRGB 0..1 in 8 bit steps, (n, 3).

    Notes
    -----
    Ranges from artworks of five indicators, whose patches the dye model meets within 1.3 to 2.4 CIE76
    on average once amounts are free: reference load as for 4 drops in 4 mL, veil 0 to 0.08, loss of
    saturation -0.04 to 0.11; artworks of one indicator scatter by 0.9 in L* and 1.6 in a* and b*
    patch by patch, without a part common to one card.
    """
    load = float(np.exp(rng.normal(0.0, 0.08)))
    veil = float(rng.uniform(0.0, 0.12))
    desaturation = float(rng.uniform(-0.03, 0.32))
    linear = liquid_srgb_linear(indicator, ph, load)
    grey = (linear @ LUMA)[:, None]
    linear = grey + (1.0 - desaturation) * (linear - grey)
    linear = veil + (1.0 - veil) * np.maximum(linear, 0.0)
    lab, spread = xyz_to_lab(linear @ SRGB_TO_XYZ.T), np.array([0.9, 1.6, 1.6]) * rng.uniform(0.5, 1.4)
    for _ in range(20):
        printed = lab_to_xyz(lab + rng.normal(0.0, spread, linear.shape)) @ XYZ_TO_SRGB.T
        artwork: FloatArray = np.round(255.0 * encode_clipped(printed)) / 255.0
        # Nobody sells a card on which two neighbours are one colour.
        apart = np.diff(xyz_to_lab(srgb_to_linear_rgb(artwork) @ SRGB_TO_XYZ.T), axis=0)
        if np.linalg.norm(apart, axis=1).min() > 1.0:
            break
    return artwork


def draw_card(rng: np.random.Generator, indicator: Indicator, *, inks: str | None = None) -> Card:
    """Return a random printed card for `indicator`."""
    ph = chart_values(rng, indicator)
    return card_from_artwork(rng, ph, draw_artwork(rng, indicator, ph), inks=inks)
