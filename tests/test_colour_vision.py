"""Everything drawn can be read without colour: by protanopes, deuteranopes, tritanopes, and printed grey.

Colour vision is simulated with the matrices of Machado, Oliveira and Fernandes, "A Physiologically-based
Model for Simulation of Color Vision Deficiency", IEEE Transactions on Visualization and Computer Graphics
15(6), 2009, severity 1.0, as tabulated in colour-science. Contrast is the ratio of relative luminances of WCAG
2.1, 1.4.11: 3 to 1 for marks (from memory).
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hueph import _overlay_panel as panel
from hueph import comparison_figure as comparing
from hueph.chart import load_chart
from hueph.charting import calibrate_pictures
from hueph.charting.preview import draw_preview
from hueph.chemistry.expectation import expect_recipe
from hueph.chemistry.recipe import load_recipe, parse_one_liner
from hueph.colour.srgb import linear_rgb_to_srgb, srgb_to_linear_rgb
from hueph.interval import Interval
from hueph.overlay import draw_overlay
from hueph.photo import photo_from_array
from hueph.results import PhotoReadings

ROOT = Path(__file__).resolve().parents[1]
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
VISIONS = ("Protanomaly", "Deuteranomaly", "Tritanomaly", "grey")
MARK_CONTRAST = 3.0
# Strong colours a liquid or a patch may have, and greys.
BACKINGS = (
    (200, 40, 40),
    (60, 160, 60),
    (50, 60, 170),
    (230, 200, 40),
    (120, 40, 140),
    (128, 128, 128),
    (235, 235, 235),
)


def seen_by(vision: str, picture: np.ndarray) -> np.ndarray:
    """Return linear RGB (..., 3) of an sRGB picture (0..255) as somebody sees it."""
    linear = srgb_to_linear_rgb(np.asarray(picture, dtype=np.float64) / 255.0)
    if vision == "grey":
        return np.repeat((linear @ LUMINANCE)[..., None], 3, axis=-1)
    import colour

    with warnings.catch_warnings():
        # It says that its tritan matrices are an approximation.
        warnings.simplefilter("ignore")
        matrix = colour.matrix_cvd_Machado2009(vision, 1.0)
    return np.clip(linear @ matrix.T, 0.0, 1.0)


def contrast(vision: str, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return the contrast ratio of colours (..., 3)."""
    levels = [seen_by(vision, np.asarray(item)) @ LUMINANCE + 0.05 for item in (one, other)]
    return np.maximum(levels[0], levels[1]) / np.minimum(levels[0], levels[1])


def test_the_simulation_itself() -> None:
    # White and grey stay what they are; a protanope takes pure red for something much darker.
    for vision in VISIONS:
        assert linear_rgb_to_srgb(seen_by(vision, np.array([128, 128, 128]))) * 255 == pytest.approx(
            128, abs=1.5
        )
    red = np.array([255, 0, 0])
    assert seen_by("Protanomaly", red) @ LUMINANCE < 0.75 * (seen_by("Deuteranomaly", red) @ LUMINANCE)


@pytest.mark.parametrize("vision", VISIONS)
@pytest.mark.parametrize(
    ("mark", "ground"),
    [
        (panel.LIGHT, panel.INK),
        (panel.MARK, panel.INK),
        (panel.DIM, panel.INK),
        (panel.LIGHT, panel.CURVE),
        (panel.MARK, panel.CURVE),
        (panel.CURVE, panel.INK),
        (comparing.INK, comparing.PAPER),
        (comparing.GREY, comparing.PAPER),
        (comparing.INK, comparing.PALE),
    ],
)
def test_marks_differ_in_lightness_from_what_they_lie_on(
    vision: str, mark: tuple[int, int, int], ground: tuple[int, int, int]
) -> None:
    assert contrast(vision, np.array(mark), np.array(ground)) >= MARK_CONTRAST


@pytest.mark.parametrize("vision", VISIONS)
@pytest.mark.parametrize("backing", BACKINGS)
def test_outlines_and_labels_show_on_any_colour(
    make_readings: Callable[..., PhotoReadings], vision: str, backing: tuple[int, int, int]
) -> None:
    # Outlines are light on dark, so one of the two lines has to stand out from any picture.
    picture = np.full((480, 1000, 3), backing, np.uint8)
    readings = make_readings(width=1000, height=480)
    drawn = draw_overlay(photo_from_array(picture, name="plain.jpg"), readings)[:480]
    seen = contrast(vision, drawn, np.broadcast_to(np.array(backing), drawn.shape))
    for reading in readings.tubes:
        (left, _), (right, _), (_, bottom), _ = reading.liquid
        middle = round((reading.liquid[0][1] + bottom) / 2)
        for wall in (left, right):
            across = seen[middle, round(wall) - 8 : round(wall) + 9]
            assert across.max() >= MARK_CONTRAST
    for patch in readings.patches:
        (left, top), *_ = patch.corners
        row = seen[round(top) + 8, round(left) - 6 : round(left) + 7]
        assert row.max() >= MARK_CONTRAST


@pytest.mark.parametrize("vision", VISIONS)
def test_a_moved_range_shows_in_the_panel(make_readings: Callable[..., PhotoReadings], vision: str) -> None:
    # The same panel with another range: wherever they differ, they differ in lightness, and enough pixels do.
    picture = photo_from_array(np.full((480, 1000, 3), 200, np.uint8), name="plain.jpg")
    readings = make_readings(width=1000, height=480)
    first = readings.tubes[0]
    panels = []
    for interval in (Interval(5.9, 6.5, 0.95), Interval(4.4, 6.5, 0.95), Interval(None, 6.5, 0.95)):
        changed = replace(readings, tubes=(replace(first, interval=interval), *readings.tubes[1:]))
        panels.append(draw_overlay(picture, changed)[480:, 560:])
    for other in panels[1:]:
        moved = contrast(vision, panels[0], other)
        assert (moved >= MARK_CONTRAST).sum() > 100


@pytest.mark.parametrize("vision", VISIONS)
def test_numbers_show_in_the_preview_of_a_chart(vision: str) -> None:
    # The same card with other numbers: wherever the previews differ is lettering.
    ph = load_chart(ROOT / "samples/experiment/chart.toml").ph
    card = ROOT / "samples/experiment/card.png"
    one, other = (draw_preview(calibrate_pictures([card], values, name="card")) for values in (ph, ph + 0.25))
    assert (contrast(vision, one, other) >= MARK_CONTRAST).sum() > 300


def test_curves_of_the_chemistry_are_grey_and_differ_by_dashes(tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    from PIL import Image

    from hueph.plots_chemistry import plot_species, save_plots

    made = expect_recipe(parse_one_liner("5 mL 0.1 M citric acid + 5 mL 0.1 M KH2PO4"))
    titrated = expect_recipe(load_recipe(ROOT / "samples/recipes/titration.toml"))
    written = [*save_plots(made, tmp_path / "one"), *save_plots(titrated, tmp_path / "two")]
    assert {path.rsplit("-", 1)[1] for path in written} == {"species.png", "capacity.png", "titration.png"}
    for path in written:
        codes = np.asarray(Image.open(path).convert("RGB"), dtype=int)
        assert np.ptp(codes, axis=2).max() == 0
    for step in made.steps:
        if not any(float(moles[0]) > 0.0 for moles in step.mixture.acids.values()):
            continue
        axes = plot_species(step.mixture)
        curves = [line for line in axes.get_lines() if len(line.get_xdata()) > 2]
        styles = [(str(line.get_linestyle()), str(line._dash_pattern), line.get_color()) for line in curves]
        assert len(set(styles)) == len(styles)
        import matplotlib.pyplot as plt

        plt.close(axes.figure)
