"""Random worlds: an indicator, a card, lamps, a backing, tubes and the camera that sees them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.synthetic.cameras import Camera, draw_camera
from hueph.synthetic.card import Card, draw_card
from hueph.synthetic.dyes import REFERENCE_BORE_MM, Indicator, draw_indicator
from hueph.synthetic.lights import Light, draw_light
from hueph.synthetic.spectra import WAVELENGTHS_NM, smooth_reflectance

__all__ = ["Illumination", "Scene", "Tube", "TubeOptics", "draw_world"]

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
        Transmittance of the column without dye (two glass walls, four surfaces).
    veil : float
        Light mirrored by the front glass, share of the light on the surroundings.
    stray : float
        Share of the light that reaches the eye without having crossed the dye.
    relit : float
        Share of the light on the backing behind the tube that crossed the tube first.
    empty_clear, empty_veil : float
        The same two for the empty part of the glass.
    spill : float
        Share of coloured light that the tube throws on the backing beside it.
    """

    path: float
    clear: float
    veil: float
    stray: float
    relit: float
    empty_clear: float
    empty_veil: float
    spill: float


@dataclass(frozen=True, slots=True)
class Tube:
    """One tube: true pH (None without an indicator sample), dye load, bore, place, and its optics.

    Attributes
    ----------
    what : str
        sample, water, milky or food dye.
    ph : float or None
    load : float
        Dye concentration relative to the indicator's reference.
    bore_mm : float
    position : array, shape (2,)
        Centre of the liquid column in the frame, x and y from 0 to 1.
    fill : float
        Height of the liquid over the bore.
    haze : float
        Scattering density of a milky sample, else 0.
    optics : TubeOptics
    """

    what: str
    ph: float | None
    load: float
    bore_mm: float
    position: FloatArray
    fill: float
    haze: float
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
    card_box: FloatArray
    size: tuple[int, int]


def draw_optics(rng: np.random.Generator) -> TubeOptics:
    """Return random optics of one tube, spread about what the development photographs show."""
    return TubeOptics(
        path=float(np.clip(rng.normal(1.0, 0.05), 0.8, 1.15)),
        clear=float(np.clip(rng.normal(0.95, 0.05), 0.75, 1.08)),
        veil=float(np.clip(np.exp(rng.normal(np.log(0.02), 0.6)), 0.0, 0.08)),
        stray=float(np.clip(np.exp(rng.normal(np.log(0.006), 0.8)), 0.0, 0.05)),
        relit=float(rng.uniform(0.0, 0.45)),
        empty_clear=float(np.clip(rng.normal(0.93, 0.04), 0.75, 1.03)),
        empty_veil=float(np.clip(np.exp(rng.normal(np.log(0.02), 0.6)), 0.0, 0.10)),
        spill=float(np.abs(rng.normal(0.0, 0.02))),
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
    strengths = np.array([1.0]) if count == 1 else np.array([0.6, 0.4]) + rng.uniform(-0.2, 0.2) * np.array([1, -1])
    slopes = rng.normal(0.0, [0.25, 0.20, 0.25, 0.25, 0.15], (count, 5))
    if count == 2:
        slopes[1, :2] = -slopes[0, :2] * rng.uniform(0.4, 1.2) + rng.normal(0.0, 0.1, 2)
    return Illumination(lights, strengths, slopes)


def draw_tube(rng: np.random.Generator, ph_low: float, ph_high: float, x: float, bore_mm: float, what: str) -> Tube:
    """Return one random tube; its pH lies up to 1 beyond the card's ends."""
    ph: float | None = None
    if what == "sample":
        if rng.random() < 0.25:
            beyond = rng.uniform(0.0, 1.0)
            ph = ph_low - beyond if rng.random() < 0.5 else ph_high + beyond
        else:
            ph = float(rng.uniform(ph_low, ph_high))
        ph = round(float(ph), 2)
    drops, volume_ml = rng.uniform(2.5, 6.0), rng.uniform(3.0, 5.0)
    # The chart's reference is 4 drops in 4 mL; the extra spread is the drop size and the lot.
    load = float(np.clip(drops / volume_ml * np.exp(rng.normal(0.0, 0.15)), 0.4, 2.5))
    radius_cm = bore_mm / 20.0
    fill = (volume_ml / (np.pi * radius_cm**2) + radius_cm / 3.0) / (2.0 * radius_cm)
    return Tube(
        what=what,
        ph=ph,
        load=load if what != "water" else 0.0,
        bore_mm=bore_mm,
        position=np.array([x, rng.uniform(0.68, 0.80)]),
        fill=float(fill),
        haze=float(rng.uniform(0.5, 3.0)) if what == "milky" else 0.0,
        optics=draw_optics(rng),
    )


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
    if tubes is None:
        count = tube_count if tube_count is not None else int(rng.integers(1, 6))
        bore = float(np.clip(rng.normal(REFERENCE_BORE_MM, 1.2), 8.0, 20.0))
        spread = np.sort(rng.uniform(0.15, 0.85, count))
        whats = ["sample"] * count
        if kind == "odd":
            whats[0] = str(rng.choice(["water", "milky", "food dye"]))
        tubes = tuple(
            draw_tube(rng, float(card.ph[0]), float(card.ph[-1]), float(x), bore * float(np.exp(rng.normal(0, 0.03))), what)
            for x, what in zip(spread, whats, strict=True)
        )
    width, height = (1600, 1200) if rng.random() < 0.6 else (1200, 1600)
    box_width, box_height = rng.uniform(0.25, 0.6), rng.uniform(0.10, 0.25)
    return Scene(
        kind=kind,
        indicator=indicator,
        card=card,
        tubes=tubes,
        backing_name=backing_name,
        backing=draw_backing(rng, backing_name),
        shelf=draw_backing(rng, str(rng.choice(["wood", "grey", "cream", "white"]))),
        illumination=illumination if illumination is not None else draw_illumination(rng, mixed=kind == "mixed"),
        camera=camera if camera is not None else draw_camera(rng, harsh=kind == "harsh"),
        card_box=np.array([rng.uniform(0.05, 0.95 - box_width), rng.uniform(0.06, 0.25), box_width, box_height]),
        size=(width, height),
    )
