"""Calibrating from artwork drawn on the fly: every layout, and what must be refused.

Expected places are those the artwork was drawn at, expected colours those of its pixels, turned into
CIELAB by scikit-image.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from chart_artwork import Artwork, draw_plain
from skimage.color import deltaE_ciede2000, rgb2lab

from hueph import ChartError
from hueph.charting import calibrate_picture, calibrate_pictures, check_ph, parse_ph_list
from hueph.errors import InputError


def artwork(**features: Any) -> Artwork:
    """A clean card of eight patches, 40 pixels per centimetre."""
    fixed: dict[str, Any] = {
        "layout": "row", "count": 8, "path": "universal", "print_error": 0.5, "unit": 40.0, "width": 36.0,
        "height": 44.0, "gap_x": 8.0, "gap_y": 8.0, "margin": 26.0, "label": "below", "label_size": 12.0,
        "paper": (238, 237, 233), "soft": False, "ph": None,
    }  # fmt: skip
    fixed |= features
    if fixed["ph"] is None:
        fixed["ph"] = tuple(4.0 + 0.5 * k for k in range(fixed["count"]))
    return draw_plain(np.random.default_rng(5), **fixed)


def drawn_lab(art: Artwork) -> Any:
    """CIELAB D65 of the middle pixel of each patch."""
    middle = ((art.boxes[:, :2] + art.boxes[:, 2:]) / 2).astype(int)
    return rgb2lab(art.picture[middle[:, 1], middle[:, 0]][None] / 255.0)[0]


@pytest.mark.parametrize(
    ("features", "layout"),
    [
        ({}, "row"),
        ({"layout": "strip", "label": "none"}, "row"),
        ({"layout": "column", "label": "right"}, "column"),
        ({"layout": "column-touching", "label": "left"}, "column"),
        ({"layout": "grid"}, "grid"),
        ({"layout": "grid3", "count": 11, "label": "right"}, "grid"),
        ({"layout": "grid", "count": 7, "label": "above"}, "grid"),
        ({"path": "colourless-pink", "count": 6}, "row"),
    ],
)
def test_patches_are_found_in_reading_order_with_their_colours(features: dict[str, Any], layout: str) -> None:
    art = artwork(**features)
    made = calibrate_pictures([art.picture], art.ph)
    assert made.chart.layout == layout
    places = made.found[0].picture_quads()[:, [0, 2]].reshape(-1, 4)
    assert np.abs(places - art.boxes).max() < 1.5
    assert made.chart.ph.tolist() == list(art.ph)
    assert deltaE_ciede2000(drawn_lab(art), made.chart.lab).max() < 0.4
    paper = rgb2lab(np.array([[[238, 237, 233]]]) / 255.0)[0, 0]
    assert deltaE_ciede2000(paper, np.array(made.chart.paper_lab)) < 0.4


def test_a_chart_printed_from_high_to_low_is_reversed() -> None:
    art = artwork()
    plain, turned = (calibrate_picture(art.picture, art.ph, reverse=flag) for flag in (False, True))
    assert turned.ph.tolist() == plain.ph.tolist()
    assert np.abs(turned.lab - plain.lab[::-1]).max() < 1e-9
    assert np.abs(turned.corners - plain.corners[::-1]).max() < 1e-9


@pytest.mark.parametrize("wrong", [-2, -1, 1, 3])
@pytest.mark.parametrize("features", [{}, {"layout": "strip"}, {"layout": "grid"}])
def test_another_number_of_patches_is_named_and_refused(features: dict[str, Any], wrong: int) -> None:
    art = artwork(**features)
    ph = [3.0 + 0.5 * k for k in range(len(art.ph) + wrong)]
    with pytest.raises(
        ChartError, match=rf"a chart of {len(ph)} patches is looked for, .* 8 can be made out"
    ):
        calibrate_picture(art.picture, ph)


def test_of_touching_patches_a_part_is_not_taken_for_all() -> None:
    art = artwork(layout="strip", label="none", print_error=0.0)
    with pytest.raises(
        ChartError, match=r"a chart of 5 patches is looked for, .* (8|at least 6) can be made out"
    ):
        calibrate_picture(art.picture, art.ph[:5])


def test_a_pale_first_patch_is_not_passed_over() -> None:
    # The paler end is nearly the colour of the paper: eleven of twelve patches would look like a whole chart.
    art = artwork(path="colourless-pink", count=12, paper=(226, 238, 250), label="none")
    with pytest.raises(ChartError, match="a chart of 11 patches is looked for, by --ph or its file, but 12"):
        calibrate_picture(art.picture, art.ph[1:])
    assert len(calibrate_picture(art.picture, art.ph, allow_alike=True).patches) == 12


@pytest.mark.parametrize(
    ("ph", "text"),
    [
        ([4, 5], "a chart needs at least 3 patches, the pH list names 2"),
        ([4, 5, 5, 6], "each pH stands once on a chart, the pH list holds 5 twice"),
        ([4, 6, 5, 7], "the pH list must rise from patch to patch, found 5 after 6"),
        ([7, 6, 5], "write the list rising and add --reverse"),
        ([4, 5, 60], "the pH of a patch lies between -2 and 16, the pH list holds 60"),
        ([4, 5, float("nan")], "the pH of a patch lies between -2 and 16, the pH list holds nan"),
    ],
)
def test_ph_lists_that_fit_no_chart(ph: list[float], text: str) -> None:
    with pytest.raises(ChartError, match=text):
        check_ph(ph)


def test_ph_lists_are_written_out_or_as_a_range() -> None:
    assert parse_ph_list("4, 4.5,5") == (4.0, 4.5, 5.0)
    assert parse_ph_list("6:7.6:0.4") == (6.0, 6.4, 6.8, 7.2, 7.6)
    for wrong in ("4;5", "4:6", "6:4:0.5", "4:6:0", "4:6:0.7", "a,b", "4:inf:1"):
        with pytest.raises(InputError, match=r"pH list"):
            parse_ph_list(wrong)


def test_two_patches_of_one_colour_are_refused_unless_allowed() -> None:
    art = artwork(print_error=0.0)
    x0, y0, x1, y1 = art.boxes[3].astype(int)
    u0, v0, u1, v1 = art.boxes[4].astype(int)
    art.picture[v0:v1, u0:u1] = art.picture[y0:y1, x0:x1]
    with pytest.raises(
        ChartError, match=r"the patches of pH 5.5 and pH 6 have the same colour .*--allow-alike"
    ):
        calibrate_picture(art.picture, art.ph)
    made = calibrate_pictures([art.picture], art.ph, allow_alike=True)
    assert "pH 5.5 and pH 6 differ by only 0.0 CIEDE2000" in made.warnings[0]


def test_patches_of_a_few_pixels_are_too_small() -> None:
    art = artwork(unit=6.0, width=5.0, height=5.0, gap_x=3.0, margin=6.0, label="none")
    with pytest.raises(
        ChartError, match=r"at least 6 pixels wide to be measured, the smallest in .* has [45]\."
    ):
        calibrate_picture(art.picture, art.ph)


def test_an_empty_sheet_holds_no_chart() -> None:
    blank = np.full((300, 400, 3), 240, np.uint8)
    with pytest.raises(ChartError, match=r"a chart of 5 patches is looked for, .* none can be made out"):
        calibrate_picture(blank, [4, 5, 6, 7, 8])
    with pytest.raises(ChartError, match="no light paper is seen"):
        calibrate_picture(blank // 12, [4, 5, 6, 7, 8])


def test_several_pictures_are_merged_and_their_scatter_becomes_the_uncertainty() -> None:
    art = artwork()
    rng = np.random.default_rng(3)
    # Three scans that differ by known amounts of lightness: shifts of the code values.
    scans = [np.clip(art.picture.astype(int) + shift, 0, 255).astype(np.uint8) for shift in (-6, 0, 6)]
    scans = [
        np.clip(np.rint(scan + rng.normal(0, 1.0, scan.shape)), 0, 255).astype(np.uint8) for scan in scans
    ]
    made = calibrate_pictures(scans, art.ph)
    labs = np.array([calibrate_picture(scan, art.ph).lab for scan in scans])
    assert np.abs(made.chart.lab - labs.mean(axis=0)).max() < 0.5
    apart = deltaE_ciede2000(labs, np.broadcast_to(labs.mean(axis=0), labs.shape))
    scatter = np.sqrt((apart**2).sum(axis=0) / 2 / 3)  # standard error of the mean of three
    stated = np.array([patch.delta_e_std for patch in made.chart.patches])
    assert (stated >= 0.9 * scatter).all()
    assert (stated < scatter + 3).all()
    assert made.chart.provenance.startswith("mean of 3 pictures")


def test_pictures_of_different_charts_are_not_merged() -> None:
    first, other = artwork(), artwork(path="red-blue")
    with pytest.raises(ChartError, match="the pictures do not show the same chart"):
        calibrate_pictures([first.picture, first.picture, other.picture], first.ph)


def test_nothing_to_calibrate_from() -> None:
    with pytest.raises(InputError, match="at least one picture"):
        calibrate_pictures([], [4, 5, 6])
    with pytest.raises(InputError, match="corners belong to one picture"):
        calibrate_pictures([artwork().picture] * 2, artwork().ph, corners=[[0, 0], [1, 0], [1, 1], [0, 1]])
