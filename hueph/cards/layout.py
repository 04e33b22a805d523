"""The layout of a printable reference card, and the chart file that describes the printed card.

Landscape: all print at the top, greys down the left, saturated colours down the right, and between them white
paper to the lower edge, before which the tubes stand on the bench, so that light and colours are known on
three sides of the tubes. A fiducial marker in each corner tells where the card is, whichever way it is held.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from hueph._types import FloatArray, triple
from hueph.cards.inks import PAPER_LAB, most_saturated, on_paper, on_white, printable
from hueph.cards.page import BLACK, Box, Colour, Label, Page, Stroke
from hueph.chart import Chart, Marker, Patch, Reference
from hueph.errors import InputError

__all__ = ["DICTIONARY", "PAPERS", "CardPlan", "plan_card"]

# ISO 216 A4 and ANSI/ASME Y14.1 letter, landscape, mm.
PAPERS = {"A4": (297.0, 210.0), "Letter": (279.4, 215.9)}
# OpenCV's ArUco set with the fewest cells, so the largest cells; numbers of our own choice, one a corner
# (top-left, top-right, bottom-right, bottom-left).
DICTIONARY = "DICT_4X4_50"
MARKER_IDS = (21, 8, 34, 15)
_CELLS = 6  # of a 4 x 4 marker with its black frame
_MARKER = 18.0
_EDGE = 10.0  # printers leave about 5 mm blank; the rest is white margin around the markers
_QUIET = 5.0  # white around a marker: more than one cell (3 mm)

_TOP, _PATCH_HEIGHT, _GAP = 31.0, 26.0, 2.5
_MOST_IN_ROW = 16
_COLUMN = 16.0  # width of the columns of greys and of colours
# Lightness of the greys on the paper: even steps, darker than most liquids' black and up to nearly paper.
GREYS = (22.0, 32.0, 42.0, 52.0, 62.0, 71.0, 80.0, 88.0)
_HUES_DEG = (25.0, 60.0, 90.0, 130.0, 170.0, 235.0, 304.0, 335.0)
# Printed without a profile, colours come out this far from what was sent (common practice, no source), CIEDE2000.
PRINT_STD = 5.0

# Below this lightness white lettering has the greater contrast, also for those to whom reds are darker or lighter.
_DARK = 49.0

_CARD_NAME = re.compile(rf" card (?:{'|'.join(PAPERS)})$")

_CAUTIONS = (
    "Eye protection on; acid into water, never water into acid; keep indicator alcohol from flames.",
    "Not for medical, drinking-water or safety decisions. Local rules and qualified staff come first.",
)
_PRINT_NOTE = "Print at 100 %, matt white paper, no page fitting: the line must measure 100 mm."


@dataclass(frozen=True, slots=True, eq=False)
class CardPlan:
    """A card to print.

    Attributes
    ----------
    page : Page
        What is drawn.
    chart : Chart
        Chart file of the printed card: patches, markers, greys and colours in mm.
    """

    page: Page
    chart: Chart


def plan_card(chart: Chart, *, paper: str = "A4") -> CardPlan:
    """Lay out a reference card with the patches of a chart.

    Parameters
    ----------
    chart : Chart
        Whose patches are printed.
    paper : str
        "A4" or "Letter".

    Returns
    -------
    CardPlan

    Raises
    ------
    InputError
        Unknown paper, or more patches than the card holds.
    """
    if paper not in PAPERS:
        raise InputError(f"a card is printed on {' or '.join(PAPERS)}, got {paper!r}")
    count = len(chart.patches)
    if count > 2 * _MOST_IN_ROW:
        raise InputError(f"a card holds at most {2 * _MOST_IN_ROW} patches, {chart.name} has {count}")
    width, height = PAPERS[paper]
    chart = replace(chart, name=_CARD_NAME.sub("", chart.name))
    page = Page(width, height, f"{chart.name}: reference card")
    markers = _draw_markers(page)
    _draw_head(page, chart)
    patches, bottom = _draw_patches(page, chart)
    references = _draw_greys(page) + _draw_colours(page)
    _draw_backing(page, bottom)
    card = Chart(
        name=f"{chart.name.removesuffix(' card')} card {paper}",
        indicator=chart.indicator,
        batch=chart.batch,
        provenance=chart.provenance
        if chart.markers
        else f"layout of a printed card, colours as sent to the printer, not measured; from {chart.name}"
        + (f" ({chart.provenance})" if chart.provenance else ""),
        note="calibrate a scan or photographs of the printed card to learn what the printer made of it",
        patches=patches,
        paper_lab=PAPER_LAB,
        card_size=(width, height),
        layout="row" if count <= _MOST_IN_ROW else "grid",
        unit="mm",
        dictionary=DICTIONARY,
        markers=markers,
        references=references,
    )
    return CardPlan(page, card)


def _corners(x: float, y: float, width: float, height: float) -> tuple[tuple[float, float], ...]:
    return (x, y), (x + width, y), (x + width, y + height), (x, y + height)


def _draw_markers(page: Page) -> tuple[Marker, ...]:
    """One marker a corner, as boxes of one cell row each so that no printer blurs their edges."""
    far_x, far_y = page.width - _EDGE - _MARKER, page.height - _EDGE - _MARKER
    places = ((_EDGE, _EDGE), (far_x, _EDGE), (far_x, far_y), (_EDGE, far_y))
    cell = _MARKER / _CELLS
    markers = []
    for number, (x, y) in zip(MARKER_IDS, places, strict=True):
        page.shapes.append(Box(x, y, _MARKER, _MARKER, BLACK))
        for row, column, length in _white_runs(number):
            page.shapes.append(Box(x + column * cell, y + row * cell, length * cell, cell, (255, 255, 255)))
        markers.append(Marker(number, _corners(x, y, _MARKER, _MARKER)))
    return tuple(markers)


@lru_cache
def _white_runs(number: int) -> tuple[tuple[int, int, int], ...]:
    """White cells of a marker as row, first column and length of each run."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    cells = np.asarray(cv2.aruco.generateImageMarker(dictionary, number, _CELLS)) > 127
    runs = []
    for row in range(_CELLS):
        column = 0
        while column < _CELLS:
            length = 0
            while column + length < _CELLS and cells[row, column + length]:
                length += 1
            if length:
                runs.append((row, column, length))
            column += max(length, 1)
    return tuple(runs)


def _draw_head(page: Page, chart: Chart) -> None:
    """Name, fields to fill in, ruler line, how to print, cautions: all above the patches."""
    left = _EDGE + _MARKER + _QUIET
    right = page.width - left
    title = f"{_clipped_text(chart.name, 34)}, pH"
    page.shapes.append(Label(left, 15.5, title, 6.0, bold=True))
    for index, (word, before) in enumerate((("printed on", 15.0), ("batch", 9.0))):
        start = right - 84.0 + 44.0 * index
        page.shapes.append(Label(start, 15.5, word, 2.8))
        page.shapes.append(Stroke(start + before, 16.1, start + 40.0, 16.1, 0.2))
    y = 26.0
    page.shapes.append(Stroke(left, y, left + 100.0, y, 0.3))
    for tick in range(11):
        tall = 3.0 if tick % 5 == 0 else 1.8
        page.shapes.append(Stroke(left + 10.0 * tick, y - tall, left + 10.0 * tick, y, 0.3))
    page.shapes.append(Label(left + 101.5, y, "100 mm", 2.8))
    for line, text in enumerate((_PRINT_NOTE, *_CAUTIONS)):
        page.shapes.append(Label(right, 20.4 + 3.1 * line, text, 2.3, "end"))


def _clipped_text(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def _draw_patches(page: Page, chart: Chart) -> tuple[tuple[Patch, ...], float]:
    """The chart's patches across the top; also where they end."""
    left = _EDGE + _MARKER + _QUIET
    room = page.width - 2 * left
    count = len(chart.patches)
    rows = 1 if count <= _MOST_IN_ROW else 2
    per_row = -(-count // rows)
    width = min((room - (per_row - 1) * _GAP) / per_row, 24.0)
    height = _PATCH_HEIGHT if rows == 1 else 0.6 * _PATCH_HEIGHT
    start = left + (room - per_row * width - (per_row - 1) * _GAP) / 2
    patches = []
    for index, patch in enumerate(chart.patches):
        row, column = divmod(index, per_row)
        x, y = start + column * (width + _GAP), _TOP + row * (height + _GAP)
        fill, lab = printable(on_white(np.array(patch.lab), chart.paper_lab))
        page.shapes.append(Box(x, y, width, height, fill))
        ink: Colour = (255, 255, 255) if lab[0] < _DARK else BLACK
        # At the foot of the patch, clear of its middle, which is what is measured.
        page.shapes.append(Label(x + width / 2, y + height - 1.4, f"{patch.ph:g}", 4.2, "middle", True, ink))
        # A card drawn from a card's own file has the printer's part in it already.
        std = patch.delta_e_std if chart.markers else float(np.hypot(patch.delta_e_std, PRINT_STD))
        patches.append(
            replace(patch, lab=triple(on_paper(lab)), delta_e_std=std, corners=_corners(x, y, width, height))
        )
    return tuple(patches), _TOP + rows * height + (rows - 1) * _GAP


def _draw_greys(page: Page) -> tuple[Reference, ...]:
    labs = [on_white(np.array([lightness, 0.0, 0.0]), PAPER_LAB) for lightness in GREYS]
    return _draw_column(page, _EDGE, labs, "grey")


def _draw_colours(page: Page) -> tuple[Reference, ...]:
    """The most saturated printable colour of each hue: they lie around every colour a liquid can show."""
    labs = [most_saturated(hue) for hue in _HUES_DEG]
    return _draw_column(page, page.width - _EDGE - _COLUMN, labs, "colour")


def _draw_column(page: Page, x: float, labs: list[FloatArray], kind: str) -> tuple[Reference, ...]:
    top = _EDGE + _MARKER + _QUIET
    room = page.height - 2 * top
    step = (room + _GAP) / len(labs)
    references = []
    for index, wanted in enumerate(labs):
        fill, lab = printable(wanted)
        y = top + index * step
        page.shapes.append(Box(x, y, _COLUMN, step - _GAP, fill))
        corners = _corners(x, y, _COLUMN, step - _GAP)
        references.append(Reference(kind, triple(on_paper(lab)), PRINT_STD, corners))
    return tuple(references)


def _draw_backing(page: Page, top: float) -> None:
    """Ticks at the upper corners of the white area; no frame, a frame would end up behind a tube's rim."""
    left = _EDGE + _MARKER + _QUIET
    right = page.width - left
    y = top + 4.0
    grey = (118, 118, 118)  # no darker than what can be read at 4.5 to 1 (WCAG 2.1, 1.4.3, from memory)
    for x, toward in ((left, 4.0), (right, -4.0)):
        page.shapes.append(Stroke(x, y, x + toward, y, 0.2, grey))
        page.shapes.append(Stroke(x, y, x, y + 4.0, 0.2, grey))
    hint = "stand the card upright on the bench and the tubes close before this white area"
    page.shapes.append(Label(page.width / 2, y + 3.2, hint, 2.8, "middle", colour=grey))
