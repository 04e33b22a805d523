"""Tubes of liquid: what they hold, where they stand, and what the glass does to the light."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hueph._types import FloatArray
from hueph.synthetic.dyes import REFERENCE_BORE_MM
from hueph.synthetic.spectra import WAVELENGTHS_NM, band

__all__ = ["SPILL_AT", "SPILL_WIDTH", "Tube", "TubeOptics", "draw_tubes", "with_truth"]


# Where coloured light lies on the backing beside a tube: distance of its middle from the axis and its
# Gaussian width, in widths of the liquid.
SPILL_AT = 0.85
SPILL_WIDTH = 0.32


@dataclass(frozen=True, slots=True)
class TubeOptics:
    """What a column of liquid in round glass does besides Beer-Lambert absorption.

    Attributes
    ----------
    path : float
        Effective path of the central column over the bore.
    clear : float
        Brightness of the column without dye, relative to the empty glass above it.
    veil : float
        Light mirrored by the front glass, share of the light on the surroundings.
    stray : float
        Share of the light that reaches the eye without having crossed the dye.
    relit : float
        Share of the light on the backing behind the tube that crossed the tube first.
    relit_path : float
        Path of that light in the dye, over the bore.
    neighbour : float
        Share of `relit` that crossed the nearest other tube instead.
    empty : float
        Transmittance of the empty glass.
    shade : float
        Light on the backing behind the tube, relative to the smooth field over the frame.
    side_shade : tuple of float
        The same on the backing to the left and to the right of the tube.
    side_spill : tuple of float
        Share of the light there that crossed this tube.
    """

    path: float
    clear: float
    veil: float
    stray: float
    relit: float
    relit_path: float
    neighbour: float
    empty: float
    shade: float
    side_shade: tuple[float, float]
    side_spill: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Tube:
    """One tube: true pH (None without an indicator sample), dye load, bore, place, and its optics.

    Attributes
    ----------
    what : str
        sample, water, milky or food dye.
    ph : float or None
    load : float
        Dye concentration relative to the indicator's reference (4 drops in 4 mL).
    drops, volume_ml : float
        What was put in.
    bore_mm : float
    position : array, shape (2,)
        Centre of the liquid column in the frame, x and y from 0 to 1.
    width_px : float
        Apparent width of the liquid in the picture.
    fill : float
        Height of the liquid over its apparent width.
    length : float
        Height of the glass from its bottom to its rim over that width.
    tilt : float
        Lean of the tube from upright, radians.
    haze : float
        Scattering density of a milky sample, else 0.
    foreign : array, shape (n,)
        Absorbance of a foreign dye across the reference bore, else zeros.
    optics : TubeOptics
    """

    what: str
    ph: float | None
    load: float
    drops: float
    volume_ml: float
    bore_mm: float
    position: FloatArray
    width_px: float
    fill: float
    length: float
    tilt: float
    haze: float
    foreign: FloatArray
    optics: TubeOptics

    def bottom_px(self, size: tuple[int, int]) -> float:
        """Return the height of the lowest liquid in a picture of `size`, pixels from the top."""
        return float(self.position[1] * size[1] + 0.5 * self.fill * self.width_px)


def draw_optics(rng: np.random.Generator, relit: float, gap: float) -> TubeOptics:
    """Return random optics of one tube.

    Centres and spreads were fitted to the tubes of the development photographs on white backings
    (load, `relit` of the scene and brightness free; residual 0.01 in cube-root light); `path`, `stray`
    and `veil` are wider than the fit because dark channels fix them poorly.

    Parameters
    ----------
    rng : Generator
    relit : float
        Of the scene: it follows from where the light stands.
    gap : float
        Distance to the nearest other tube, centre to centre, in tube widths.
    """
    own = float(np.clip(relit + rng.normal(0.0, 0.08), 0.0, 1.0))
    shade = float(np.exp(rng.normal(-0.10, 0.07)))
    return TubeOptics(
        path=float(np.clip(rng.normal(1.0, 0.04), 0.85, 1.15)),
        clear=float(np.exp(np.clip(rng.normal(0.0, 0.085), -0.3, 0.3))),
        veil=float(np.clip(np.exp(rng.normal(np.log(0.006), 0.8)), 0.0, 0.06)),
        stray=float(np.clip(np.exp(rng.normal(np.log(0.012), 0.7)), 0.0, 0.06)),
        relit=own,
        relit_path=float(np.exp(rng.normal(0.0, 0.15))),
        neighbour=float(rng.uniform(0.0, 0.6) * np.exp(-max(gap - 1.0, 0.0) / 0.6)),
        empty=float(np.clip(rng.normal(0.956, 0.035), 0.80, 1.04)),
        shade=shade,
        side_shade=(
            shade * float(np.exp(rng.normal(-0.06, 0.12))),
            shade * float(np.exp(rng.normal(-0.06, 0.12))),
        ),
        side_spill=(
            float(np.clip(abs(rng.normal(0.22, 0.18)), 0.0, 0.9)),
            float(np.clip(abs(rng.normal(0.22, 0.18)), 0.0, 0.9)),
        ),
    )


def _foreign(rng: np.random.Generator, what: str) -> FloatArray:
    """Return the absorbance of a food dye (one or two of a few broad bands), else zeros."""
    if what != "food dye":
        return np.zeros_like(WAVELENGTHS_NM)
    total = np.zeros_like(WAVELENGTHS_NM)
    for _ in range(int(rng.integers(1, 3))):
        total += rng.uniform(0.2, 1.0) * band(
            float(rng.choice([427.0, 482.0, 505.0, 526.0, 630.0])), 900.0, 1600.0
        )
    return total


def draw_load(rng: np.random.Generator, lot: float) -> tuple[float, float, float]:
    """Return dye load relative to 4 drops in 4 mL, drops and millilitres; `lot` is shared by a scene."""
    drops, volume_ml = float(rng.uniform(2.5, 6.0)), float(rng.uniform(3.0, 5.0))
    load = drops / volume_ml * lot * float(np.exp(rng.normal(0.0, 0.03)))
    # Now and then somebody adds far too little or too much.
    if rng.random() < 0.08:
        load *= float(np.exp(rng.normal(0.0, 0.5)))
    return float(np.clip(load, 0.35, 2.6)), round(drops, 1), round(volume_ml, 1)


def draw_ph(rng: np.random.Generator, low: float, high: float) -> float:
    """Return a true pH, mostly inside the card, one time in six up to 1 beyond an end."""
    if rng.random() < 1.0 / 6.0:
        beyond = float(rng.uniform(0.0, 1.0))
        return round(low - beyond if rng.random() < 0.5 else high + beyond, 2)
    return round(float(rng.uniform(low, high)), 2)


def draw_tubes(
    rng: np.random.Generator, chart_ph: FloatArray, size: tuple[int, int], *, count: int, kind: str
) -> tuple[Tube, ...]:
    """Return a row of tubes, left to right, that fits into the frame.

    Parameters
    ----------
    rng : Generator
    chart_ph : array, shape (n,)
        Values on the card; the tubes' pH reaches up to 1 beyond them.
    size : tuple of int
        Width and height of the picture, pixels.
    count : int
    kind : str
        As for `draw_world`; in an odd scene the first tube is no indicator sample.
    """
    width_px = float(rng.uniform(95.0, 160.0)) * max(size) / 1600.0
    length = float(rng.uniform(4.4, max(min(6.4, 0.62 * size[1] / width_px), 4.5)))
    # Room for the row between the edges, in tube widths; narrow pictures hold narrower tubes.
    width_px = min(width_px, size[0] / (1.05 * max(count - 1, 0) + 1.8))
    steps = np.maximum(rng.uniform(1.03, 2.6) * np.exp(rng.normal(0.0, 0.06, max(count - 1, 0))), 1.02)
    steps = steps * min(1.0, (size[0] / width_px - 1.7) / max(float(steps.sum()), 1e-6))
    offsets = np.concatenate([[0.0], np.cumsum(steps)]) * width_px
    room = max(size[0] - offsets[-1] - 1.6 * width_px, 1.0)
    left = 0.8 * width_px + float(rng.uniform(0.2, 0.8)) * room
    bore, lot = REFERENCE_BORE_MM * float(np.exp(rng.normal(0.0, 0.08))), float(np.exp(rng.normal(0.0, 0.06)))
    relit = float(np.clip(rng.normal(0.48, 0.30), 0.0, 1.0))
    bottom = float(rng.uniform(0.80, 0.92))
    tubes = []
    for index in range(count):
        what = "sample" if kind != "odd" or index else str(rng.choice(["water", "milky", "food dye"]))
        load, drops, volume_ml = draw_load(rng, lot)
        near = [abs(offsets[other] - offsets[index]) / width_px for other in range(count) if other != index]
        fill = float(rng.uniform(1.4, min(3.7, length - 1.3)))
        height = fill * width_px / size[1]
        tubes.append(
            Tube(
                what=what,
                ph=draw_ph(rng, float(chart_ph[0]), float(chart_ph[-1])) if what == "sample" else None,
                load=load if what == "sample" else 0.0,
                drops=drops,
                volume_ml=volume_ml,
                bore_mm=bore * float(np.exp(rng.normal(0.0, 0.01))),
                position=np.array(
                    [(left + offsets[index]) / size[0], bottom + rng.normal(0.0, 0.004) - height / 2.0]
                ),
                width_px=width_px * float(np.exp(rng.normal(0.0, 0.01))),
                fill=fill,
                length=length,
                tilt=float(rng.normal(0.0, 0.02)),
                haze=float(rng.uniform(0.5, 3.0)) if what == "milky" else 0.0,
                foreign=_foreign(rng, what),
                optics=draw_optics(rng, relit, min(near, default=9.0)),
            )
        )
    return tuple(tubes)


def with_truth(tube: Tube, *, ph: float | None, drops: float, volume_ml: float) -> Tube:
    """Return a tube holding a stated sample: pH, drops of indicator and millilitres; the glass stays."""
    load = drops / volume_ml if ph is not None else 0.0
    return replace(tube, ph=ph, load=load, drops=drops, volume_ml=volume_ml)
