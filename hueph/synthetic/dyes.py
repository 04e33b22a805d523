"""Indicator dyes as acid-base species with absorption bands, and mixtures of them.

Each dye is a ladder of protonation states. Every state has bands (peak, absorptivity, widths). The
absorbance of a mixture is linear in the amounts; which state dominates is set by the pH alone.

Band positions and pK come from the ranges in the literature (memory values unless a source is named in
the table below); a random world moves them, so that nothing trained on these worlds relies on them.

Notes
-----
Shape check against measured spectra (open carbspec data; each form scaled to its own peak, the band
moved by at most 8 nm to fit, 400 to 700 nm; `tests/accuracy/renderer_realism.py --spectra`): rms
difference over the peak 0.008 and 0.039 for bromophenol blue (acid, base), 0.029 and 0.057 for
m-cresol purple; largest 0.12, on the short-wave shoulder of the base band.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from hueph._types import FloatArray
from hueph.synthetic.spectra import WAVELENGTHS_NM, band

__all__ = [
    "DYES",
    "MIXTURES",
    "Dye",
    "Indicator",
    "draw_indicator",
    "make_indicator",
    "named_indicator",
    "state_spectrum",
]

REFERENCE_BORE_MM = 13.4
"""Bore at which `Indicator.reference_absorbance` is stated; a common 16 mm tube."""


@dataclass(frozen=True, slots=True)
class Band:
    """One absorption band: peak in nm, absorptivity in 1e4 L/(mol cm), and the kind of shape."""

    peak_nm: float
    absorptivity: float
    shape: str = "yellow"


@dataclass(frozen=True, slots=True)
class Dye:
    """One dye: pK of each step (acid first) and the bands of each state (one more than steps)."""

    name: str
    pka: tuple[float, ...]
    states: tuple[tuple[Band, ...], ...]

    def fractions(self, ph: FloatArray, shift: float = 0.0) -> FloatArray:
        """Return the share of each state at every pH, shape (len(ph), states)."""
        ph = np.asarray(ph, dtype=np.float64)
        exponents = [np.zeros_like(ph)]
        for pka in self.pka:
            exponents.append(exponents[-1] + ph - (pka + shift))
        powers = np.stack(exponents, axis=-1)
        powers -= powers.max(axis=-1, keepdims=True)
        weights = 10.0**powers
        shares: FloatArray = weights / weights.sum(axis=-1, keepdims=True)
        return shares


# Shapes: (sigma on the red side, sigma on the blue side, vibronic shoulder height, its distance, its
# sigma), all 1/cm. "blue" and "yellow" follow the measured forms of bromophenol blue and m-cresol
# purple; the others are broadened or narrowed from them (no source).
SHAPES: Mapping[str, tuple[float, float, float, float, float]] = {
    "blue": (450.0, 820.0, 0.38, 1820.0, 1450.0),
    "yellow": (1700.0, 2500.0, 0.0, 2000.0, 1500.0),
    "red": (900.0, 1500.0, 0.15, 2200.0, 1500.0),
    "azo": (1000.0, 1700.0, 0.0, 2000.0, 1500.0),
    "pink": (570.0, 720.0, 0.35, 1700.0, 1100.0),
    "broad": (1900.0, 2300.0, 0.0, 2000.0, 1500.0),
    "thiazine": (450.0, 700.0, 0.45, 1300.0, 900.0),
}


def _b(peak_nm: float, absorptivity: float, shape: str = "yellow") -> Band:
    return Band(peak_nm, absorptivity, shape)


def _table() -> dict[str, Dye]:
    """Return the dyes; pK and peaks in nm: ranges of tables, memory values where no source is named."""
    rows = [
        # Balderas-Hernandez et al. 1998, Talanta 46, 1439: second step 8.918; the rest memory.
        Dye(
            "thymol blue",
            (1.65, 9.0),
            ((_b(544, 3.2, "red"),), (_b(432, 1.5),), (_b(596, 3.3, "blue"), _b(390, 0.6))),
        ),
        # Tobey 1958 (quoted): 5.05.
        Dye("methyl red", (5.05,), ((_b(522, 4.0, "azo"),), (_b(427, 2.2, "broad"),))),
        # 3.57e4 to 3.66e4 at 620 nm, flow-injection tutorial figure.
        Dye("bromothymol blue", (7.15,), ((_b(433, 1.7),), (_b(617, 3.6, "blue"), _b(398, 0.7)))),
        # Tamura et al. 1996, Anal. Sci. 12, 927: pK 9.05 and 9.50, only the dianion is red.
        Dye("phenolphthalein", (9.05, 9.50), ((), (), (_b(552, 3.2, "pink"), _b(375, 0.5)))),
        # Yao & Byrne 2001: bands 433 and 558 nm; working pK below the 8.03 of zero ionic strength.
        Dye("phenol red", (7.85,), ((_b(433, 1.9),), (_b(558, 5.0, "blue"), _b(370, 0.6)))),
        Dye("bromocresol green", (4.75,), ((_b(444, 1.7),), (_b(616, 4.0, "blue"), _b(400, 0.7)))),
        # Yao & Byrne 2001: bands 432 and 589 nm, 6.49 at zero ionic strength.
        Dye("bromocresol purple", (6.3,), ((_b(432, 1.9),), (_b(589, 5.4, "blue"), _b(380, 0.7)))),
        Dye("bromophenol blue", (4.0,), ((_b(437, 2.6),), (_b(591, 6.5, "blue"), _b(385, 0.9)))),
        Dye("methyl orange", (3.45,), ((_b(510, 4.0, "azo"),), (_b(464, 2.5, "broad"),))),
        Dye("cresol red", (8.3,), ((_b(434, 1.9),), (_b(573, 4.6, "blue"), _b(370, 0.6)))),
        # Absorptivities 17709 at 434 nm and 38913 at 578 nm: Ocean Observatories data-product code.
        Dye("m-cresol purple", (8.5,), ((_b(434, 1.77),), (_b(578, 3.89, "blue"), _b(380, 0.6)))),
        Dye("thymolphthalein", (9.95,), ((), (_b(598, 3.8, "pink"), _b(380, 0.5)))),
        Dye("alizarin yellow", (11.1,), ((_b(375, 2.0, "broad"),), (_b(490, 2.3, "broad"),))),
        Dye(
            "litmus-like",
            (5.7, 7.3),
            ((_b(512, 1.5, "broad"),), (_b(550, 1.4, "broad"),), (_b(590, 2.0, "red"),)),
        ),
        Dye(
            "cabbage-like",
            (2.9, 6.4, 7.9, 10.2),
            (
                (_b(525, 2.6, "azo"),),
                (_b(532, 0.7, "broad"),),
                (_b(556, 1.3, "red"),),
                (_b(604, 1.9, "red"), _b(400, 0.3)),
                (_b(598, 1.0, "red"), _b(390, 1.6, "broad")),
            ),
        ),
        Dye("methylene blue", (), ((_b(664, 7.0, "thiazine"),),)),
        Dye("xylene cyanol", (), ((_b(614, 5.0, "blue"),),)),
        Dye("tartrazine-like", (), ((_b(426, 2.2, "broad"),),)),
    ]
    return {dye.name: dye for dye in rows}


DYES: Mapping[str, Dye] = _table()

# Amounts in relative moles. "four-dye classical" is the recipe recalled as Yamada 1933 (memory, not
# verified) in grams over molar mass; the others are mixtures of our own for pH ranges in common use.
MIXTURES: Mapping[str, Mapping[str, float]] = {
    "four-dye classical": {
        "thymol blue": 0.107,
        "methyl red": 0.446,
        "bromothymol blue": 1.2,
        "phenolphthalein": 3.14,
    },
    "four-dye wide": {
        "methyl red": 0.3,
        "bromothymol blue": 1.0,
        "thymol blue": 0.7,
        "phenolphthalein": 0.35,
    },
    "four-dye from 3": {"methyl orange": 0.3, "methyl red": 0.3, "bromothymol blue": 0.9, "thymol blue": 0.8},
    "bromothymol blue": {"bromothymol blue": 1.0},
    "phenol red": {"phenol red": 1.0},
    "green-blue": {"bromocresol green": 1.0, "methyl red": 0.5},
    "screened methyl red": {"methyl red": 1.0, "methylene blue": 0.35},
    "bromocresol purple": {"bromocresol purple": 1.0},
    "bromophenol blue": {"bromophenol blue": 1.0},
    "methyl orange": {"methyl orange": 1.0},
    "screened methyl orange": {"methyl orange": 1.0, "xylene cyanol": 0.5},
    "methyl red": {"methyl red": 1.0},
    "cresol red and thymol blue": {"cresol red": 0.4, "thymol blue": 1.0},
    "m-cresol purple": {"m-cresol purple": 1.0},
    "thymolphthalein and phenolphthalein": {"thymolphthalein": 1.0, "phenolphthalein": 1.0},
    "litmus-like": {"litmus-like": 1.0},
    "cabbage-like": {"cabbage-like": 1.0},
    "wide six-dye": {
        "methyl orange": 0.3,
        "methyl red": 0.4,
        "bromothymol blue": 0.8,
        "thymol blue": 0.5,
        "phenolphthalein": 0.6,
        "thymolphthalein": 0.3,
    },
}


@dataclass(frozen=True, slots=True)
class Indicator:
    """A mixture of dyes with its own moved pK and bands.

    Attributes
    ----------
    name : str
    dyes : tuple of Dye
    amounts : array, shape (dyes,)
        Relative moles.
    pka_shift : array, shape (dyes,)
        Medium (salt, temperature) and dye-lot shift of every pK, pH units.
    spectra : tuple of array, each shape (states, n)
        Absorptivity of each state, 1e4 L/(mol cm).
    scale : float
        Brings `reference_absorbance` to `strength`.
    strength : float
        Absorbance of the strongest visible band at the reference load and bore, mean over `span`.
    span : tuple of float
        pH range the mixture is used for.
    """

    name: str
    dyes: tuple[Dye, ...]
    amounts: FloatArray
    pka_shift: FloatArray
    spectra: tuple[FloatArray, ...]
    scale: float = 1.0
    strength: float = 1.0
    span: tuple[float, float] = (4.0, 10.0)

    def reference_absorbance(self, ph: FloatArray) -> FloatArray:
        """Return decadic absorbance at the reference load across `REFERENCE_BORE_MM`, (m,) to (m, n)."""
        ph = np.atleast_1d(np.asarray(ph, dtype=np.float64))
        total = np.zeros((len(ph), len(WAVELENGTHS_NM)))
        for dye, amount, shift, spectra in zip(
            self.dyes, self.amounts, self.pka_shift, self.spectra, strict=True
        ):
            total += amount * dye.fractions(ph, shift) @ spectra
        return self.scale * total


def state_spectrum(bands: tuple[Band, ...], moved_nm: float = 0.0, widened: float = 1.0) -> FloatArray:
    """Return the absorptivity of one state, 1e4 L/(mol cm), shape (n,)."""
    total = np.zeros_like(WAVELENGTHS_NM)
    for item in bands:
        red, blue, height, distance, sigma = (
            value * (1.0 if index == 2 else widened) for index, value in enumerate(SHAPES[item.shape])
        )
        peak = item.peak_nm + moved_nm
        shape = band(peak, red, blue)
        if height:
            shape = shape + height * band(1.0e7 / (1.0e7 / peak + distance), sigma, sigma)
        total += item.absorptivity * shape / shape.max()
    return total


def _assemble(
    name: str,
    amounts: Mapping[str, float],
    span: tuple[float, float],
    strength: float,
    rng: np.random.Generator | None,
) -> Indicator:
    """Build a mixture; with `rng`, move amounts, pK, band places and widths at random."""
    dyes = tuple(DYES[key] for key in amounts)
    mole = np.array(list(amounts.values()))
    shift = np.zeros(len(dyes))
    spectra = []
    if rng is not None:
        mole = mole * np.exp(rng.normal(0.0, 0.25, len(dyes)))
        shift = rng.normal(0.0, 0.04) + rng.uniform(-0.2, 0.2, len(dyes))
    for dye in dyes:
        states = []
        for bands in dye.states:
            moved = 0.0 if rng is None else float(rng.normal(0.0, 4.0))
            widened = 1.0 if rng is None else float(np.exp(rng.normal(0.0, 0.12)))
            height = 1.0 if rng is None else float(np.exp(rng.normal(0.0, 0.12)))
            states.append(height * state_spectrum(bands, moved, widened))
        spectra.append(np.stack(states))
    raw = Indicator(name, dyes, mole, shift, tuple(spectra), span=span)
    # The height of the strongest visible band (430 to 660 nm), averaged over the range, is about as
    # large in all mixtures people use: it is what makes a tube look well coloured.
    visible = raw.reference_absorbance(np.linspace(span[0], span[1], 25))[:, 10:57]
    return replace(raw, scale=strength / float(visible.max(axis=1).mean()), strength=strength)


def _within_colourful(indicator: Indicator) -> Indicator:
    """Return the mixture with its span cut to where its visible absorbance changes with pH."""
    ph = np.arange(indicator.span[0], indicator.span[1] + 0.01, 0.25)
    absorbance = indicator.reference_absorbance(ph)[:, 6:65]
    speed = np.abs(np.gradient(absorbance, 0.25, axis=0)).mean(axis=1)
    lively = ph[speed > 0.2 * speed.max()]
    low = np.floor(2.0 * lively[0]) / 2.0
    high = max(np.ceil(2.0 * lively[-1]) / 2.0, low + 2.0)
    return replace(indicator, span=(float(low), float(min(high, low + 8.0))))


# pH range each mixture is sold or used for (common practice, no source).
SPANS: Mapping[str, tuple[float, float]] = {
    "four-dye classical": (4.0, 10.0),
    "four-dye wide": (3.0, 10.0),
    "four-dye from 3": (3.0, 10.0),
    "bromothymol blue": (6.0, 8.0),
    "phenol red": (6.5, 9.0),
    "green-blue": (4.0, 6.5),
    "screened methyl red": (4.4, 6.4),
    "bromocresol purple": (5.2, 7.2),
    "bromophenol blue": (3.0, 5.0),
    "methyl orange": (2.8, 4.8),
    "screened methyl orange": (2.8, 4.8),
    "methyl red": (4.2, 6.4),
    "cresol red and thymol blue": (7.2, 9.8),
    "m-cresol purple": (7.4, 9.4),
    "thymolphthalein and phenolphthalein": (8.2, 11.0),
    "litmus-like": (4.5, 8.5),
    "cabbage-like": (2.0, 11.0),
    "wide six-dye": (3.0, 11.0),
}


def named_indicator(name: str, *, strength: float = 1.0) -> Indicator:
    """Return a mixture of `MIXTURES` as tabulated, without random shifts.

    Raises
    ------
    KeyError
        Unknown name.
    """
    return _assemble(name, MIXTURES[name], SPANS[name], strength, None)


def make_indicator(
    name: str,
    amounts: Mapping[str, float],
    span: tuple[float, float],
    *,
    strength: float = 1.0,
    rng: np.random.Generator | None = None,
) -> Indicator:
    """Return a mixture of your own dyes of `DYES`.

    Parameters
    ----------
    name : str
    amounts : mapping
        Relative moles of each dye.
    span : tuple of float
        pH range it is used for.
    strength : float
        As `Indicator.strength`.
    rng : Generator, optional
        Moves amounts, pK and bands as dye lots, salt and temperature do; default: as tabulated.
    """
    return _assemble(name, amounts, span, strength, rng)


def draw_indicator(rng: np.random.Generator, name: str | None = None) -> Indicator:
    """Return a random indicator: a listed mixture made imprecise, or 1 to 4 dyes at random.

    Parameters
    ----------
    rng : Generator
    name : str, optional
        One of `MIXTURES`; default: drawn.
    """
    # Artworks of five indicators need 0.78 to 1.8.
    strength = float(np.exp(rng.normal(np.log(1.05), 0.3)))
    if name is None and rng.random() < 0.25:
        pool = [key for key, dye in DYES.items() if dye.pka and key != "alizarin yellow"]
        chosen = rng.choice(len(pool), size=int(rng.integers(1, 5)), replace=False)
        amounts = {pool[int(index)]: float(rng.uniform(0.3, 1.0)) for index in chosen}
        if rng.random() < 0.15:
            amounts[str(rng.choice(["methylene blue", "xylene cyanol", "tartrazine-like"]))] = float(
                rng.uniform(0.1, 0.4)
            )
        steps = [pka for key in amounts for pka in DYES[key].pka]
        wide = (max(1.0, min(steps) - 2.0), min(12.5, max(steps) + 2.0))
        return _within_colourful(_assemble("random mixture", amounts, wide, strength, rng))
    if name is None:
        keys = list(MIXTURES)
        weights = np.array([3.0 if "dye" in key else 1.0 for key in keys])
        name = keys[int(rng.choice(len(keys), p=weights / weights.sum()))]
    return _assemble(name, MIXTURES[name], SPANS[name], strength, rng)
