"""Dyes and mixtures against published equilibria and band places."""

from __future__ import annotations

import numpy as np
import pytest

from hueph.colour.lab import lab_to_lch, xyz_to_lab
from hueph.colour.srgb import SRGB_TO_XYZ
from hueph.synthetic.card import liquid_srgb_linear
from hueph.synthetic.dyes import DYES, MIXTURES, draw_indicator, named_indicator, state_spectrum
from hueph.synthetic.spectra import WAVELENGTHS_NM


@pytest.mark.parametrize(
    # Dianion share computed from pK 9.05 and 9.50 of Tamura et al. 1996, Anal. Sci. 12, 927.
    ("ph", "share"),
    [(8.0, 0.0026), (8.3, 0.0094), (9.0, 0.130), (9.5, 0.425), (10.0, 0.740), (11.0, 0.969)],
)
def test_phenolphthalein_reddens_as_its_two_pka_say(ph: float, share: float) -> None:
    assert DYES["phenolphthalein"].fractions(np.array([ph]))[0, 2] == pytest.approx(share, rel=0.02)


@pytest.mark.parametrize("name", sorted(DYES))
def test_shares_of_all_states_add_up_to_one(name: str) -> None:
    shares = DYES[name].fractions(np.linspace(0, 14, 57))
    assert shares.sum(axis=1) == pytest.approx(np.ones(57))
    assert shares.shape[1] == len(DYES[name].pka) + 1 == len(DYES[name].states)


def test_half_is_base_at_the_pka() -> None:
    dye = DYES["bromocresol green"]
    assert dye.fractions(np.array(dye.pka))[0] == pytest.approx([0.5, 0.5])
    # One unit above: 10 to 1, by the law of mass action.
    assert dye.fractions(np.array(dye.pka) + 1.0)[0, 1] == pytest.approx(10 / 11)


@pytest.mark.parametrize(
    ("name", "acid_nm", "base_nm"),
    [
        # Wavelengths at which the two forms are measured: Yao & Byrne 2001 (phenol red, bromocresol
        # purple), Ocean Observatories data-product code (m-cresol purple), ANU abstract (bromophenol blue).
        ("phenol red", 433, 558),
        ("bromocresol purple", 432, 589),
        ("m-cresol purple", 434, 578),
        ("bromophenol blue", 436, 590),
    ],
)
def test_bands_stand_where_the_literature_measures_them(name: str, acid_nm: float, base_nm: float) -> None:
    acid, base = (state_spectrum(bands) for bands in DYES[name].states)
    assert WAVELENGTHS_NM[acid.argmax()] == pytest.approx(acid_nm, abs=8)
    assert WAVELENGTHS_NM[base.argmax()] == pytest.approx(base_nm, abs=8)


def hues(name: str, ph: list[float]) -> list[float]:
    """Return CIELAB hue angles of a mixture's liquid, degrees."""
    linear = np.clip(liquid_srgb_linear(named_indicator(name), np.array(ph), 1.0), 0.0, None)
    return [float(value) for value in lab_to_lch(xyz_to_lab(linear @ SRGB_TO_XYZ.T))[:, 2]]


def test_universal_indicator_passes_red_yellow_green_blue_violet() -> None:
    # Only the order of hues is asserted: red, orange, yellow, green, blue, violet (common practice).
    angles = hues("four-dye classical", [4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0])
    assert angles == sorted(angles)
    assert angles[0] < 75.0
    assert 120.0 < angles[3] < 200.0
    assert angles[-1] > 280.0


def test_bromothymol_blue_turns_from_yellow_through_green_to_blue() -> None:
    yellow, green, blue = hues("bromothymol blue", [5.5, 7.0, 8.5])
    assert 80 < yellow < 115
    assert yellow < green < blue
    assert 200 < blue < 300


@pytest.mark.parametrize("name", sorted(MIXTURES))
def test_strength_is_the_mean_height_of_the_strongest_visible_band(name: str) -> None:
    indicator = named_indicator(name, strength=1.3)
    ph = np.linspace(*indicator.span, 25)
    visible = (WAVELENGTHS_NM >= 430) & (WAVELENGTHS_NM < 665)
    assert indicator.reference_absorbance(ph)[:, visible].max(axis=1).mean() == pytest.approx(1.3)


def test_random_indicators_change_colour_over_their_span() -> None:
    rng = np.random.default_rng(8)
    for _ in range(60):
        indicator = draw_indicator(rng)
        low, high = indicator.span
        assert high - low >= 1.5
        spectra = indicator.reference_absorbance(np.array([low, high]))
        assert (spectra >= 0).all()
        assert np.abs(spectra[1] - spectra[0]).max() > 0.1


def test_the_same_seed_draws_the_same_indicator() -> None:
    first, second = (draw_indicator(np.random.default_rng(5)) for _ in range(2))
    assert first.name == second.name
    assert (first.reference_absorbance(np.array([7.0])) == second.reference_absorbance(np.array([7.0]))).all()
