"""Calibrating from photographs of a card on a table, and watching a print age."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from chart_photos import photograph, through
from skimage.color import deltaE_ciede2000, lab2xyz, rgb2lab, xyz2lab
from test_calibrate_flat import artwork

from hueph import ChartError, Patch
from hueph.charting import calibrate_picture, calibrate_pictures, check_drift
from hueph.charting.drift import _judge, ph_shifts
from hueph.charting.find import find_chart
from hueph.charting.picture import open_picture
from hueph.errors import InputError

SAMPLES = Path(__file__).parents[2] / "samples"
SCENES = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("features", "turn", "keystone", "lamp"),
    [
        ({}, 7.0, 0.06, (1.0, 0.97, 0.92)),
        ({"layout": "strip", "label": "none"}, -6.0, 0.02, (0.9, 0.96, 1.0)),
        ({"layout": "grid"}, 4.0, 0.02, (1.0, 1.0, 1.0)),
    ],
)
def test_a_card_seen_at_a_slant_under_uneven_light(
    features: dict[str, object], turn: float, keystone: float, lamp: tuple[float, float, float]
) -> None:
    art = artwork(**features)
    picture, homography = photograph(
        art.picture, np.random.default_rng(2), turn_deg=turn, keystone=keystone, lamp=lamp
    )
    made = calibrate_pictures([picture], art.ph)
    centres = through(homography, (art.boxes[:, :2] + art.boxes[:, 2:]) / 2)
    size = np.linalg.norm(made.found[0].picture_quads()[0, 1] - made.found[0].picture_quads()[0, 0])
    assert np.abs(made.found[0].picture_quads().mean(axis=1) - centres).max() < 0.1 * size
    flat = calibrate_picture(art.picture, art.ph)
    # Lamp, slope and the camera's contrast are gone; the program takes the paper for ordinary white card,
    # and undoes a little more saturation than this camera adds.
    assert np.median(deltaE_ciede2000(flat.lab, made.chart.lab)) < 3.0
    assert [patch.delta_e_std > 2.0 for patch in made.chart.patches] == [True] * 8
    assert made.chart.provenance.startswith("photograph")


def test_outlines_of_touching_patches_keep_to_the_print_in_perspective() -> None:
    scene = SCENES[0]
    picture = open_picture(SAMPLES / scene["shots"][0]["file"])
    found = find_chart(picture, len(scene["chart_ph"]))
    outlines = picture.to_full(found.picture_quads())
    true = np.array(scene["patches"])  # where the renderer drew them
    size = np.linalg.norm(true[:, 1] - true[:, 0], axis=1)
    assert np.abs(outlines - true).max() < 0.1 * size.min()


def test_corners_given_by_hand_say_where_the_chart_is() -> None:
    art = artwork()
    picture, homography = photograph(art.picture, np.random.default_rng(4), slope=0.1)
    low, high = art.boxes[:, :2].min(axis=0), art.boxes[:, 2:].max(axis=0)
    around = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    made = calibrate_pictures([picture], art.ph, corners=through(homography, around))
    centres = through(homography, (art.boxes[:, :2] + art.boxes[:, 2:]) / 2)
    assert np.abs(made.found[0].picture_quads().mean(axis=1) - centres).max() < 4.0
    half = np.array([low, [high[0] / 2, low[1]], [high[0] / 2, high[1]], [low[0], high[1]]])
    with pytest.raises(
        ChartError, match=r"do not fill the rectangle that --corners|a chart of 8 patches is looked for"
    ):
        calibrate_pictures([picture], art.ph, corners=through(homography, half))
    with pytest.raises(InputError, match="must go clockwise"):
        calibrate_pictures([picture], art.ph, corners=through(homography, around[::-1]))


def test_a_reflection_on_a_patch_is_named() -> None:
    art = artwork()
    middle = (art.boxes[2, :2] + art.boxes[2, 2:]) / 2 / art.picture.shape[1::-1]
    picture, _ = photograph(
        art.picture, np.random.default_rng(1), glare=(middle[0], middle[1], 0.023), level=0.6
    )
    with pytest.raises(ChartError, match=r"patch 3 of the chart in .* reflection .*lamp to the side"):
        calibrate_picture(picture, art.ph)


def test_an_overexposed_photograph_is_refused() -> None:
    art = artwork()
    picture, _ = photograph(art.picture, np.random.default_rng(1), level=1.2, slope=0.0, lamp=(1, 1, 1))
    with pytest.raises(ChartError, match=r"over-exposed .*retake it darker"):
        calibrate_picture(picture, art.ph)


def test_a_card_cut_off_by_the_picture_is_refused() -> None:
    art = artwork()
    picture, homography = photograph(art.picture, np.random.default_rng(1), turn_deg=0.0, keystone=0.0)
    cut = int(through(homography, art.boxes[1:2, :2])[0, 0] + 6)  # through the second patch
    assert picture.shape[1] - cut > 400
    with pytest.raises(ChartError, match=r"a chart of 8 patches is looked for"):
        calibrate_picture(np.ascontiguousarray(picture[:, cut:]), art.ph)


def aged(amount: float) -> tuple[object, object, np.ndarray]:
    """Chart of fresh artwork, artwork with each patch shifted in lightness and a*, and the true shifts."""
    art = artwork(print_error=0.0, label="none")
    chart = calibrate_picture(art.picture, art.ph)
    picture = art.picture.copy()
    for k, box in enumerate(art.boxes.astype(int)):
        lab = chart.lab[k] + amount * np.array([1.0, 0.4 * (-1) ** k, 0.0])
        rgb = np.rint(255 * np.clip(_lab_to_srgb(lab), 0, 1)).astype(np.uint8)
        picture[box[1] : box[3], box[0] : box[2]] = rgb
    middle = ((art.boxes[:, :2] + art.boxes[:, 2:]) / 2).astype(int)
    pixels = [rgb2lab(p[middle[:, 1], middle[:, 0]][None] / 255.0)[0] for p in (art.picture, picture)]
    paper = rgb2lab(np.array([[[238, 237, 233]]]) / 255.0)[0, 0]
    white = lab2xyz([100.0, 0.0, 0.0])
    before, after = (xyz2lab(lab2xyz(lab) / lab2xyz(paper) * white) for lab in pixels)
    return chart, picture, deltaE_ciede2000(before, after)


def _lab_to_srgb(lab: np.ndarray) -> np.ndarray:
    from skimage.color import lab2rgb

    return np.asarray(lab2rgb(lab[None, None]))[0, 0]


@pytest.mark.parametrize(("amount", "verdict"), [(0.0, "fit"), (8.0, "reprint")])
def test_drift_is_reported_with_its_true_amount(amount: float, verdict: str) -> None:
    chart, picture, truth = aged(amount)
    report = check_drift(chart, [picture])  # type: ignore[arg-type, list-item]
    assert np.abs(report.delta_e - truth).max() < 0.3
    assert report.verdict == verdict
    assert f"median drift {np.median(report.delta_e):.1f}" in report.reason
    assert report.to_dict()["patches"][0]["delta_e"] == round(float(report.delta_e[0]), 2)


def test_drift_along_the_chart_is_stated_in_ph() -> None:
    # A straight grey ramp, one unit of pH per patch; every patch has taken the colour of half a step further on.
    ph = np.arange(4.0, 10.0)
    ramp = np.stack([90 - 8 * (ph - 4), np.zeros(6), np.zeros(6)], axis=1)
    shifts = ph_shifts(ph, ramp, ramp - np.array([4.0, 0, 0]))
    # A liquid of the old colour now looks like half a patch lower.
    assert np.abs(shifts[1:] + 0.5).max() < 0.03
    flat = np.broadcast_to(ramp[0], ramp.shape)
    assert np.isnan(ph_shifts(ph, flat, ramp)).all()


def test_a_drift_within_what_photographs_scatter_is_left_undecided() -> None:
    chart, picture, _ = aged(8.0)
    unsure = replace(chart, patches=tuple(replace(p, delta_e_std=6.0) for p in chart.patches))  # type: ignore[type-var,attr-defined]
    assert isinstance(unsure.patches[0], Patch)  # type: ignore[attr-defined]
    report = check_drift(unsure, [picture])  # type: ignore[arg-type, list-item]
    assert report.verdict == "undecided"
    assert "the chart file is sure of its colours (about 6.0); calibrate the print" in report.reason
    verdict, reason = _judge(np.full(8, 5.0), np.full(8, 0.1), 0.5, 5.0)
    assert verdict == "undecided"
    assert "scatter (about 5.0); scan the card, or give several photographs" in reason
