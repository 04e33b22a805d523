"""Cameras, inks and cards of drawn scenes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import xyz_to_lab
from hueph.colour.srgb import SRGB_TO_XYZ, linear_rgb_to_srgb, srgb_to_linear_rgb
from hueph.synthetic.cameras import develop, draw_camera, draw_sensitivities, to_linear_srgb, tone_curve
from hueph.synthetic.card import (
    INKS,
    card_from_artwork,
    draw_card,
    print_reflectance,
    reflectance_to_linear_srgb,
)
from hueph.synthetic.dyes import named_indicator
from hueph.synthetic.layout import LAYOUTS, draw_layout, homography_of, outline, patch_corners, project
from hueph.synthetic.lights import daylight, planckian
from hueph.synthetic.spectra import WAVELENGTHS_NM, reflectance_to_xyz


def plain_camera(seed: int, **changes: object) -> object:
    """Return a camera that adds nothing of its own but its sensitivities and its matrix."""
    camera = draw_camera(np.random.default_rng(seed))
    neutral = {"wb_error": np.ones(3), "saturation": 1.0, "contrast": 0.0, "flare": 0.0, "display_p3": False}
    return replace(camera, **(neutral | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("light", [daylight(6504.0), planckian(2900.0)])
def test_white_stays_white_and_colours_come_close(seed: int, light: object) -> None:
    camera = plain_camera(seed)
    power = light.power  # type: ignore[attr-defined]
    matrix = camera.matrix(power)  # type: ignore[attr-defined]
    assert matrix.sum(axis=1) == pytest.approx(np.ones(3))
    surfaces = np.vstack([np.full((1, len(power)), 0.6), camera.matrix_reflectances])  # type: ignore[attr-defined]
    balanced = camera.raw(surfaces * power) / camera.raw(power)  # type: ignore[attr-defined]
    got = to_linear_srgb(camera, develop(camera, balanced, matrix))  # type: ignore[arg-type]
    assert got[0] == pytest.approx(np.full(3, 0.6), abs=1e-6)
    goal = np.clip(reflectance_to_linear_srgb(surfaces), 0.0, 1.0)
    lab, wanted = (xyz_to_lab(value @ SRGB_TO_XYZ.T) for value in (got, goal))
    assert np.median(delta_e_cie2000(lab, wanted)) < 4.0


def test_a_display_p3_picture_decodes_to_the_same_light() -> None:
    power = daylight(6504.0).power
    plain, wide = plain_camera(1), plain_camera(1, display_p3=True)
    surfaces = plain.matrix_reflectances * 0.2 + 0.3  # type: ignore[attr-defined]
    seen = []
    for camera in (plain, wide):
        balanced = camera.raw(surfaces * power) / camera.raw(power)  # type: ignore[attr-defined]
        seen.append(to_linear_srgb(camera, develop(camera, balanced, camera.matrix(power))))  # type: ignore
    assert seen[1] == pytest.approx(seen[0], abs=1e-6)


@pytest.mark.parametrize("power", [True, False])
def test_the_tone_curve_keeps_its_ends_and_middle_and_rises(power: bool) -> None:
    ramp = np.linspace(0.0, 1.0, 101)
    curve = tone_curve(ramp, 0.35, power=power)
    assert curve[[0, 50, 100]] == pytest.approx([0.0, 0.5, 1.0])
    # Slope in the middle, from the derivative of either formula at one half.
    assert (curve[51] - curve[49]) / 0.02 == pytest.approx(1.35, abs=0.01)
    assert (np.diff(curve) > 0).all()
    assert curve[25] < ramp[25]
    assert curve[75] > ramp[75]


def test_sensitivities_are_ordered_and_peak_at_one() -> None:
    rng = np.random.default_rng(2)
    for _ in range(50):
        channels = draw_sensitivities(rng)
        assert channels.max(axis=1) == pytest.approx(np.ones(3))
        assert (channels >= 0).all()
        means = (channels * WAVELENGTHS_NM).sum(axis=1) / channels.sum(axis=1)
        assert means[0] > means[1] > means[2]


@pytest.mark.parametrize("inks", INKS)
def test_inks_show_the_artwork_under_the_reference_light(inks: str) -> None:
    rng = np.random.default_rng(4)
    # Middling colours: every ink model reaches them.
    srgb = rng.uniform(0.4, 0.75, (40, 3))
    paper = np.full_like(WAVELENGTHS_NM, 0.86)
    curves = print_reflectance(srgb_to_linear_rgb(srgb), paper, rng, inks)
    assert curves.min() >= 0.0
    assert curves.max() <= 1.0
    shown = linear_rgb_to_srgb(np.clip(reflectance_to_linear_srgb(curves), 0.0, 1.0))
    assert np.abs(shown - srgb).max() < 0.01


def test_inks_that_agree_by_day_differ_under_a_filament() -> None:
    rng = np.random.default_rng(6)
    goal = srgb_to_linear_rgb(np.array([[0.5, 0.7, 0.55], [0.6, 0.4, 0.65]]))
    paper = np.full_like(WAVELENGTHS_NM, 0.86)
    pair = [print_reflectance(goal, paper, rng, inks) for inks in ("smooth", "subtractive")]
    lamp = planckian(2800.0).power
    by_lamp = [reflectance_to_xyz(curves, lamp) for curves in pair]
    assert np.abs(by_lamp[0] - by_lamp[1]).max() > 0.005


@pytest.mark.parametrize("seed", range(8))
def test_a_card_has_rising_values_and_an_artwork_in_range(seed: int) -> None:
    card = draw_card(np.random.default_rng(seed), named_indicator("four-dye classical"))
    assert 5 <= len(card.ph) <= 15
    assert (np.diff(card.ph) > 0).all()
    assert card.artwork_srgb.shape == (len(card.ph), 3)
    assert (card.artwork_srgb >= 0).all()
    assert (card.artwork_srgb <= 1).all()
    assert card.reflectance.shape == (len(card.ph), len(WAVELENGTHS_NM))


def test_a_card_keeps_a_given_artwork() -> None:
    artwork = np.array([[0.9, 0.6, 0.3], [0.5, 0.7, 0.4], [0.3, 0.4, 0.7]])
    card = card_from_artwork(
        np.random.default_rng(0),
        np.array([5.0, 6.0, 7.0]),
        artwork,
        paper_srgb=np.full(3, 0.93),
        inks="smooth",
    )
    assert (card.artwork_srgb == artwork).all()
    shown = linear_rgb_to_srgb(np.clip(reflectance_to_linear_srgb(card.reflectance), 0.0, 1.0))
    assert np.abs(shown - artwork).max() < 0.03
    assert reflectance_to_linear_srgb(card.paper) == pytest.approx(
        srgb_to_linear_rgb(card.paper_srgb), abs=0.01
    )


@pytest.mark.parametrize("kind", LAYOUTS)
def test_patches_lie_on_the_card_and_apart(kind: str) -> None:
    for seed in range(6):
        layout = draw_layout(np.random.default_rng(seed), 9, kind)
        corners = patch_corners(layout)
        assert corners.shape == (9, 4, 2)
        assert corners.min() > 0
        assert (corners.max(axis=(0, 1)) < np.array(layout.size)).all()
        for one in range(9):
            for other in range(one):
                a, b = layout.boxes[one], layout.boxes[other]
                overlap = np.minimum(a[2:], b[2:]) - np.maximum(a[:2], b[:2])
                assert overlap.min() < 1e-9


def test_a_homography_takes_corners_to_corners() -> None:
    card = outline(draw_layout(np.random.default_rng(1), 7, "row"))
    target = np.array([[100.0, 80.0], [900.0, 60.0], [910.0, 300.0], [95.0, 310.0]])
    assert project(homography_of(card, target), card) == pytest.approx(target)
