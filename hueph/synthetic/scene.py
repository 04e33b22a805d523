"""Random worlds: an indicator, a card, lamps, a backing, tubes and the camera that sees them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hueph._types import FloatArray
from hueph.synthetic.cameras import Camera, draw_camera
from hueph.synthetic.card import Card, draw_card
from hueph.synthetic.dyes import REFERENCE_BORE_MM, Indicator, draw_indicator
from hueph.synthetic.lights import Light, draw_light
from hueph.synthetic.spectra import WAVELENGTHS_NM, band, smooth_reflectance

__all__ = ["Illumination", "Scene", "Tube", "TubeOptics", "draw_tubes", "draw_world", "with_truth"]

KINDS = ("sheet", "bench", "mixed", "harsh", "odd")
BACKINGS = ("white", "cream", "grey", "wood", "blue", "green", "dark")


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
    tilt: float
    haze: float
    foreign: FloatArray
    optics: TubeOptics


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


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything that decides a photograph, apart from its noise.

    Attributes
    ----------
    kind : str
        sheet, bench, mixed, harsh or odd.
    indicator : Indicator
    card : Card
    tubes : tuple of Tube
        Left to right.
    backing_name : str
    backing, shelf : array, shape (n,)
        Reflectances.
    illumination : Illumination
    camera : Camera
    bounce : float
        Share of the light on the tubes that came off the shelf, tinted by it.
    card_box : array, shape (4,)
        x, y, width, height of the card in the frame, 0 to 1.
    size : tuple of int
        Width and height of the picture in pixels.
    """

    kind: str
    indicator: Indicator
    card: Card
    tubes: tuple[Tube, ...]
    backing_name: str
    backing: FloatArray
    shelf: FloatArray
    illumination: Illumination
    camera: Camera
    bounce: float
    card_box: FloatArray
    size: tuple[int, int]


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
    shade = float(np.exp(rng.normal(-0.08, 0.10)))
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


def draw_backing(rng: np.random.Generator, name: str) -> FloatArray:
    """Return a reflectance for a named backing, made imprecise."""
    if name in ("white", "grey", "dark"):
        level = {"white": 0.80, "grey": 0.40, "dark": 0.12}[name] * np.exp(rng.normal(0.0, 0.08))
        tilt = rng.normal(0.0, 0.02) * (WAVELENGTHS_NM - 555.0) / 175.0
        return np.clip(level * (1.0 + tilt), 0.02, 0.93)
    centre = {
        "cream": (-0.6, 1.0, 0.9),
        "wood": (0.3, 1.0, -0.5),
        "blue": (0.8, -0.9, -0.9),
        "green": (-1.8, -0.1, -0.4),
    }[name]
    curve = smooth_reflectance(np.array(centre) + rng.normal(0.0, 0.15, 3))
    return np.clip(curve, 0.02, 0.93)


def draw_illumination(rng: np.random.Generator, *, mixed: bool) -> Illumination:
    """Return one light, or two of different colour that slope against each other."""
    count = 2 if mixed else 1
    lights = tuple(draw_light(rng) for _ in range(count))
    strengths = (
        np.array([1.0]) if count == 1 else np.array([0.6, 0.4]) + rng.uniform(-0.2, 0.2) * np.array([1, -1])
    )
    slopes = rng.normal(0.0, [0.25, 0.20, 0.25, 0.25, 0.15], (count, 5))
    if count == 2:
        slopes[1, :2] = -slopes[0, :2] * rng.uniform(0.4, 1.2) + rng.normal(0.0, 0.1, 2)
    return Illumination(lights, strengths, slopes)


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
    rng: np.random.Generator, card: Card, size: tuple[int, int], *, count: int, kind: str
) -> tuple[Tube, ...]:
    """Return a row of tubes, left to right, that fits into the frame."""
    width_px = float(rng.uniform(95.0, 160.0))
    step = float(min(rng.uniform(1.03, 2.6), (size[0] / width_px - 1.6) / max(count - 1, 1)))
    steps = step * np.exp(rng.normal(0.0, 0.06, max(count - 1, 0)))
    steps = np.maximum(steps, 1.02)
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
        fill = float(rng.uniform(1.4, 3.6))
        near = [abs(offsets[other] - offsets[index]) / width_px for other in range(count) if other != index]
        height = min(fill * width_px / size[1], bottom - 0.35)
        tubes.append(
            Tube(
                what=what,
                ph=draw_ph(rng, float(card.ph[0]), float(card.ph[-1])) if what == "sample" else None,
                load=load if what == "sample" else 0.0,
                drops=drops,
                volume_ml=volume_ml,
                bore_mm=bore * float(np.exp(rng.normal(0.0, 0.01))),
                position=np.array(
                    [(left + offsets[index]) / size[0], bottom + rng.normal(0.0, 0.004) - height / 2.0]
                ),
                width_px=width_px * float(np.exp(rng.normal(0.0, 0.01))),
                fill=height * size[1] / width_px,
                tilt=float(rng.normal(0.0, 0.02)),
                haze=float(rng.uniform(0.5, 3.0)) if what == "milky" else 0.0,
                foreign=_foreign(rng, what),
                optics=draw_optics(rng, relit, min(near, default=9.0)),
            )
        )
    return tuple(tubes)


def draw_world(
    rng: np.random.Generator,
    *,
    kind: str | None = None,
    indicator: Indicator | None = None,
    card: Card | None = None,
    camera: Camera | None = None,
    illumination: Illumination | None = None,
    backing_name: str | None = None,
    tube_count: int | None = None,
    tubes: tuple[Tube, ...] | None = None,
) -> Scene:
    """Return a random scene; whatever is named is kept, the rest is drawn.

    Parameters
    ----------
    rng : Generator
        The only source of chance.
    kind : str, optional
        sheet (white backing), bench (coloured backing), mixed (two lights), harsh (badly exposed,
        noisy, blurred) or odd (the first tube is no indicator sample).
    indicator, card, camera, illumination, tubes : optional
        Parts to use as they are.
    backing_name : str, optional
        One of `BACKINGS`.
    tube_count : int, optional
        Default: 1 to 6.

    Returns
    -------
    Scene

    Examples
    --------
    >>> import numpy as np
    >>> scene = draw_world(np.random.default_rng(1), kind="sheet", tube_count=3)
    >>> len(scene.tubes)
    3
    """
    kind = kind if kind is not None else str(rng.choice(KINDS, p=[0.42, 0.22, 0.13, 0.13, 0.10]))
    indicator = indicator if indicator is not None else draw_indicator(rng)
    card = card if card is not None else draw_card(rng, indicator)
    if backing_name is None:
        backing_name = str(rng.choice(BACKINGS[1:])) if kind == "bench" else "white"
    size = (1600, 1200) if rng.random() < 0.6 else (1200, 1600)
    if tubes is None:
        count = tube_count if tube_count is not None else int(rng.integers(1, 6))
        tubes = draw_tubes(rng, card, size, count=count, kind=kind)
    box_width, box_height = rng.uniform(0.25, 0.6), rng.uniform(0.10, 0.25)
    return Scene(
        kind=kind,
        indicator=indicator,
        card=card,
        tubes=tubes,
        backing_name=backing_name,
        backing=draw_backing(rng, backing_name),
        shelf=draw_backing(rng, str(rng.choice(["wood", "grey", "cream", "white"]))),
        illumination=illumination
        if illumination is not None
        else draw_illumination(rng, mixed=kind == "mixed"),
        camera=camera if camera is not None else draw_camera(rng, harsh=kind == "harsh"),
        bounce=float(rng.uniform(0.0, 0.10)),
        card_box=np.array(
            [rng.uniform(0.05, 0.95 - box_width), rng.uniform(0.06, 0.25), box_width, box_height]
        ),
        size=size,
    )


def with_truth(tube: Tube, *, ph: float | None, drops: float, volume_ml: float) -> Tube:
    """Return a tube holding a stated sample: pH, drops of indicator and millilitres; the glass stays."""
    load = drops / volume_ml if ph is not None else 0.0
    return replace(tube, ph=ph, load=load, drops=drops, volume_ml=volume_ml)
