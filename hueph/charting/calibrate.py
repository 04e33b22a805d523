"""From pictures of a printed chart to a `Chart`."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from hueph._checks import check_listed
from hueph._types import AnyArray, FloatArray, PathLike, triple
from hueph.chart import Chart, Patch
from hueph.charting.find import FoundChart, find_chart
from hueph.charting.measure import PatchColours, colours_of, light_of
from hueph.charting.picture import ChartPicture, open_picture
from hueph.colour.difference import delta_e_cie2000
from hueph.errors import ChartError, InputError
from hueph.photo import Photo

__all__ = ["Calibration", "calibrate_picture", "calibrate_pictures", "check_ph", "parse_ph_list"]

Picture = PathLike | AnyArray | Photo

MIN_PATCHES = 3
# Two patches closer than this are one colour for any print and camera: CIEDE2000.
_ALIKE = 0.3
# Below this a pair cannot tell pH apart by itself; worth a note: CIEDE2000.
_HARD_TO_TELL = 2.0
# Pictures of one chart differ by lamp and camera, seldom by more than this in the median: CIEDE2000.
_ANOTHER_CHART = 14.0
# What lamps and cameras have in common does not average out over photographs: CIEDE2000.
_COMMON_STD = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """A chart made from pictures.

    Attributes
    ----------
    chart : Chart
    found : tuple of FoundChart
        Where the chart was in each picture, reading order.
    pictures : tuple of ChartPicture
    warnings : tuple of str
        What a person should know, one sentence each.
    is_reversed : bool
        Reading order runs from high pH to low.
    """

    chart: Chart
    found: tuple[FoundChart, ...]
    pictures: tuple[ChartPicture, ...]
    warnings: tuple[str, ...]
    is_reversed: bool = False

    def __str__(self) -> str:
        chart = self.chart
        lines = [
            f"{chart.name}: {len(chart.patches)} patches, pH {chart.ph[0]:g} to {chart.ph[-1]:g}, {chart.layout}",
            "   pH      L*      a*      b*   uncertainty (CIEDE2000)",
        ]
        for patch in chart.patches:
            lightness, a, b = patch.lab
            lines.append(f"{patch.ph:5.2f}  {lightness:6.1f}  {a:6.1f}  {b:6.1f}   {patch.delta_e_std:.1f}")
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form."""
        return {
            "name": self.chart.name,
            "layout": self.chart.layout,
            "provenance": self.chart.provenance,
            "paper_lab": [round(value, 2) for value in self.chart.paper_lab],
            "patches": [
                {
                    "ph": patch.ph,
                    "lab": [round(value, 2) for value in patch.lab],
                    "delta_e_std": round(patch.delta_e_std, 2),
                }
                for patch in self.chart.patches
            ],
            "warnings": list(self.warnings),
        }


def calibrate_picture(
    picture: Picture,
    ph: Sequence[float],
    *,
    name: str = "",
    indicator: str = "",
    batch: str = "",
    date: str = "",
    provenance: str = "",
    note: str = "",
    reverse: bool = False,
    corners: npt.ArrayLike | None = None,
    allow_alike: bool = False,
) -> Chart:
    """Make a chart from one picture of a printed chart.

    Parameters
    ----------
    picture : path, array of shape (h, w, 3) uint8 sRGB, or Photo
        Artwork, a scan, or a photograph.
    ph : sequence of float
        pH of the patches, rising, in reading order (rows from the top, each from the left).
    name, indicator, batch, date, provenance, note : str
        Free text for the file; `name` defaults to the file's name.
    reverse : bool
        The chart is printed from high pH to low.
    corners : array, shape (4, 2), optional
        Corner points (x, y) of the rectangle around all patches, full upright picture pixels, from
        its top-left clockwise. Default: found.
    allow_alike : bool
        Accept neighbouring patches that cannot be told apart.

    Returns
    -------
    Chart
        Patches in order of rising pH; positions in pixels of the flat card.

    Raises
    ------
    ChartError
        The patches cannot be found surely, do not fit `ph`, or cannot be measured.
    PhotoError
        The file cannot be used as a picture.

    Examples
    --------
    >>> import numpy as np
    >>> card = np.full((60, 130, 3), 240, np.uint8)
    >>> for k, colour in enumerate([(230, 90, 60), (240, 210, 80), (60, 120, 190)]):
    ...     card[15:45, 15 + 36 * k : 43 + 36 * k] = colour
    >>> calibrate_picture(card, [4, 7, 10], name="demo").ph
    array([ 4.,  7., 10.])
    """
    return calibrate_pictures(
        [picture],
        ph,
        name=name,
        indicator=indicator,
        batch=batch,
        date=date,
        provenance=provenance,
        note=note,
        reverse=reverse,
        corners=corners,
        allow_alike=allow_alike,
    ).chart


def calibrate_pictures(
    pictures: Sequence[Picture],
    ph: Sequence[float],
    *,
    name: str = "",
    indicator: str = "",
    batch: str = "",
    date: str = "",
    provenance: str = "",
    note: str = "",
    reverse: bool = False,
    corners: npt.ArrayLike | None = None,
    allow_alike: bool = False,
) -> Calibration:
    """Make a chart from several pictures of one printed chart; their scatter becomes the uncertainty.

    Parameters
    ----------
    pictures : sequence
        Each as for `calibrate_picture`; other lamps and cameras are welcome.
    ph : sequence of float
        pH of the patches, rising, in reading order.
    name, indicator, batch, date, provenance, note : str
        Free text for the file.
    reverse, allow_alike : bool
        As for `calibrate_picture`.
    corners : array, shape (4, 2), optional
        As for `calibrate_picture`; only with one picture.

    Returns
    -------
    Calibration
        The chart, where it was found, and warnings.

    Raises
    ------
    ChartError
        As `calibrate_picture`, or the pictures do not show one chart.
    PhotoError
        A file cannot be used as a picture.
    InputError
        No picture, or `corners` with several.

    Examples
    --------
    >>> made = calibrate_pictures(["lamp.jpg", "window.jpg"], [6, 6.5, 7, 7.5, 8])  # doctest: +SKIP
    >>> write_chart(made.chart, "chart.toml")  # doctest: +SKIP
    """
    values = check_ph(ph)
    check_listed(pictures, "pictures")
    if not pictures:
        raise InputError("calibrating needs at least one picture, got none")
    if corners is not None and len(pictures) > 1:
        raise InputError(f"corners belong to one picture, got {len(pictures)} pictures")
    opened = tuple(open_picture(picture) for picture in pictures)
    found = tuple(find_chart(picture, len(values), corners=corners) for picture in opened)
    measured = [
        colours_of(light_of(chart, name=picture.photo.file))
        for chart, picture in zip(found, opened, strict=True)
    ]
    colours = merge_colours(measured, opened)
    order = slice(None, None, -1) if reverse else slice(None)
    lab, std = colours.lab[order], colours.delta_e_std[order]
    warnings = check_steps(lab, values, allow_alike)
    best = max(found, key=lambda chart: (chart.is_flat, chart.patch_px))
    quads = best.card_quads()[order]
    patches = tuple(
        Patch(value, triple(lab[k]), float(std[k]), tuple((float(x), float(y)) for x, y in quads[k]))
        for k, value in enumerate(values)
    )
    chart = Chart(
        name=name or opened[0].name or "chart",
        patches=patches,
        paper_lab=triple(colours.paper_lab),
        card_size=best.card_size(),
        layout=best.layout,
        indicator=indicator,
        batch=batch,
        date=date,
        provenance=provenance or name_sources(colours, opened),
        note=note,
    )
    return Calibration(chart, found, opened, tuple(warnings), reverse)


def parse_ph_list(text: str) -> tuple[float, ...]:
    """Turn ``4,4.5,5`` or ``4:10:0.5`` (first, last, step) into pH values.

    Parameters
    ----------
    text : str

    Returns
    -------
    tuple of float

    Raises
    ------
    InputError
        Not such a list; the text says what was found.

    Examples
    --------
    >>> parse_ph_list("4:6:0.5")
    (4.0, 4.5, 5.0, 5.5, 6.0)
    """
    shape = "a pH list is written 4,4.5,5 or 4:10:0.5 (first, last, step)"
    pieces = text.replace(" ", "").split(":" if ":" in text else ",")
    try:
        numbers = [float(piece) for piece in pieces]
    except ValueError:
        raise InputError(f"{shape}, got {text!r}") from None
    if not all(math.isfinite(number) for number in numbers) or (":" in text and len(numbers) != 3):
        raise InputError(f"{shape}, got {text!r}")
    if ":" not in text:
        return tuple(numbers)
    first, last, step = numbers
    if step <= 0 or last <= first:
        raise InputError(f"{shape} with last above first and step above 0, got {text!r}; for a chart printed from "
                         "high to low write the list rising and add --reverse")  # fmt: skip
    count = round((last - first) / step)
    if abs(first + count * step - last) > 1e-6 * max(1.0, abs(last)) or count > 1000:
        raise InputError(
            f"the steps of a pH list must end at its last value, got {text!r}; write the values out"
        )
    return tuple(round(first + k * step, 6) for k in range(count + 1))


def check_ph(ph: Sequence[float]) -> tuple[float, ...]:
    """Return pH values that rise strictly from patch to patch.

    Raises
    ------
    ChartError
        Fewer than 3, not numbers of the pH scale, one named twice, or not rising.
    """
    values = tuple(float(value) for value in ph)
    if len(values) < MIN_PATCHES:
        raise ChartError(f"a chart needs at least {MIN_PATCHES} patches, the pH list names {len(values)}")
    for value in values:
        if not (math.isfinite(value) and -2 <= value <= 16):
            raise ChartError(f"the pH of a patch lies between -2 and 16, the pH list holds {value:g}")
    if len(set(values)) < len(values):
        twice = next(value for value in values if values.count(value) > 1)
        raise ChartError(f"each pH stands once on a chart, the pH list holds {twice:g} twice")
    for before, after in itertools.pairwise(values):
        if after < before:
            raise ChartError(
                f"the pH list must rise from patch to patch, found {after:g} after {before:g}; when the chart "
                "is printed from high to low, write the list rising and add --reverse"
            )
    return values


def merge_colours(measured: list[PatchColours], pictures: tuple[ChartPicture, ...]) -> PatchColours:
    """Combine colours of one chart from several pictures."""
    if len(measured) == 1:
        return measured[0]
    labs = np.array([colours.lab for colours in measured])
    weight = np.array([1.0 / np.median(colours.delta_e_std) ** 2 for colours in measured])
    weight /= weight.sum()
    middle = np.einsum("m,mnk->nk", weight, labs)
    apart = np.array([delta_e_cie2000(lab, middle) for lab in labs])
    odd = int(np.argmax(np.median(apart, axis=1)))
    if np.median(apart[odd]) > _ANOTHER_CHART:
        raise ChartError(
            f"the pictures do not show the same chart: the patches in {pictures[odd].photo.file} differ from the "
            f"mean of all by {np.median(apart[odd]):.0f} CIEDE2000; leave it out"
        )
    count = len(measured)
    scatter = np.sqrt((apart**2).sum(axis=0) / (count - 1))
    stated = np.sqrt((weight[:, None] * np.array([c.delta_e_std for c in measured]) ** 2).sum(axis=0))
    floor = min(_COMMON_STD, float(np.min(stated)))
    std = np.sqrt(np.maximum(scatter, 0.5 * stated) ** 2 / count + floor**2)
    paper = np.einsum("m,mk->k", weight, np.array([colours.paper_lab for colours in measured]))
    hows = list(dict.fromkeys(colours.how for colours in measured))
    return PatchColours(middle, std, paper, f"mean of {count} pictures ({'; '.join(hows)})")


def check_steps(lab: FloatArray, ph: tuple[float, ...], allow_alike: bool) -> list[str]:
    """Refuse neighbours that no measurement can tell apart; note those that are hard to tell."""
    steps = delta_e_cie2000(lab[:-1], lab[1:])
    worst = int(np.argmin(steps))
    if steps[worst] < _ALIKE and not allow_alike:
        raise ChartError(
            f"the patches of pH {ph[worst]:g} and pH {ph[worst + 1]:g} have the same colour "
            f"(difference {steps[worst]:.2f}, at least {_ALIKE} is needed, CIEDE2000): check that the pH list has "
            "as many values as the chart has patches; when the chart is really so, add --allow-alike"
        )
    return [
        f"pH {ph[k]:g} and pH {ph[k + 1]:g} differ by only {steps[k]:.1f} CIEDE2000: readings between them will be wide"
        for k in np.flatnonzero(steps < _HARD_TO_TELL)
    ]


def name_sources(colours: PatchColours, pictures: tuple[ChartPicture, ...]) -> str:
    """Say how the colours were made."""
    sources = ", ".join(f"{p.name or 'a picture'} (SHA-256 {p.photo.sha256[:12]})" for p in pictures[:6])
    more = f" and {len(pictures) - 6} more" if len(pictures) > 6 else ""
    return f"{colours.how}: {sources}{more}"
