"""Everything drawn can be read without colour: by protanopes, deuteranopes, tritanopes, and printed grey.

Colour vision is simulated with the matrices of Machado, Oliveira and Fernandes, "A Physiologically-based
Model for Simulation of Color Vision Deficiency", IEEE Transactions on Visualization and Computer Graphics
15(6), 2009, severity 1.0, as tabulated in colour-science. Contrast is the ratio of relative luminances of WCAG
2.1, 1.4.11: 3 to 1 for marks (from memory).
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from hueph import _overlay_panel as panel
from hueph import comparison_figure as comparing
from hueph.cards import plan_card
from hueph.cards.page import Box, Label
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
from hueph.shipped import shipped_charts

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


@pytest.mark.parametrize("vision", VISIONS)
def test_lettering_of_every_card_shows(vision: str) -> None:
    for file in shipped_charts().values():
        page = plan_card(load_chart(file)).page
        boxes = [shape for shape in page.shapes if isinstance(shape, Box)]
        labels = [shape for shape in page.shapes if isinstance(shape, Label)]
        assert len(labels) > 8
        for label in labels:
            under = [
                box.fill
                for box in boxes
                if box.x <= label.x <= box.x + box.width and box.y <= label.y <= box.y + box.height
            ]
            ground = under[-1] if under else (255, 255, 255)
            assert contrast(vision, np.array(label.colour), np.array(ground)) >= MARK_CONTRAST, (
                file,
                label.text,
            )


# Every picture that comes with the documents: the parts of it, as shares of its width and height (left, top, right,
# bottom), that are photographs and printed patches. What lies outside is drawn, and has to do without colour.
WHOLE = (0.0, 0.0, 1.0, 1.0)
SHIPPED: dict[str, tuple[tuple[float, float, float, float], ...]] = {
    "calibrate-preview.jpg": (WHOLE,),  # its numbers: test_numbers_show_in_the_preview_of_a_chart
    "comparison.jpg": ((0.0, 0.0, 0.43, 1.0),),
    "limit.png": (),
    "own-card.jpg": (WHOLE,),  # its lettering: test_lettering_of_every_card_shows
    "photographing.jpg": ((0.0, 0.0, 1.0, 0.9),),
    "report-page.jpg": ((0.18, 0.0, 0.29, 1.0), (0.02, 0.93, 0.55, 1.0)),  # tubes, and the card below them
    "sweep.png": (),
}
# JPEG keeps colour at half the resolution and lets it bleed by a few codes.
JPEG_BLEEDS = 24


def test_every_shipped_picture_is_looked_at() -> None:
    assert set(SHIPPED) == {file.name for file in (ROOT / "samples/pictures").iterdir()}
    linked = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    linked += re.findall(r"!\[[^\]]+\]\(([^)]+)\)", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert {Path(link).name for link in linked} == set(SHIPPED)
    assert {Path(link).parent.as_posix() for link in linked} == {"samples/pictures"}


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_pictures_draw_without_colour(name: str) -> None:
    picture = np.asarray(Image.open(ROOT / "samples/pictures" / name).convert("RGB"), dtype=np.float64)
    height, width = picture.shape[:2]
    drawn = np.ones((height, width), dtype=bool)
    for region in SHIPPED[name]:
        left, top, right, bottom = (
            round(share * side) for share, side in zip(region, (width, height) * 2, strict=True)
        )
        drawn[top:bottom, left:right] = False
    if not drawn.any():
        return
    marks = picture[drawn]
    assert np.ptp(marks, axis=-1).max() <= (JPEG_BLEEDS if name.endswith(".jpg") else 0)
    # And there is something that can be seen: lettering on paper, for everybody.
    for vision in VISIONS:
        ink, paper = (np.full(3, np.percentile(marks, share)) for share in (0.5, 99.5))
        assert contrast(vision, ink, paper) >= MARK_CONTRAST


def test_curves_of_the_chemistry_are_grey_and_differ_by_dashes(tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
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
