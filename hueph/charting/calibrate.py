"""From a picture of a printed chart to a `Chart`."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from hueph._types import AnyArray, FloatArray, PathLike
from hueph.chart import Chart, Patch
from hueph.charting.find import FoundChart, find_chart
from hueph.charting.measure import PatchColours, measure_patches
from hueph.charting.picture import ChartPicture, open_picture
from hueph.colour.difference import delta_e_cie2000
from hueph.errors import ChartError
from hueph.photo import Photo

__all__ = ["calibrate_picture", "check_ph"]

# Two patches closer than this are one colour for any print and camera: CIEDE2000.
_ALIKE = 0.3
# Clean artwork says what was meant, not what a printer will make of it; CIEDE2000, common practice, no source.
_ARTWORK_STD = 0.5


def calibrate_picture(
    picture: PathLike | AnyArray | Photo,
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
        Accept patches that cannot be told apart.

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
    values = check_ph(ph)
    opened = open_picture(picture)
    found = find_chart(opened, len(values), corners=corners)
    colours = measure_patches(found)
    order = slice(None, None, -1) if reverse else slice(None)
    lab, std = colours.lab[order], colours.delta_e_std[order]
    if not allow_alike:
        _check_alike(lab, values)
    quads = found.card_quads()[order]
    patches = tuple(
        Patch(value, _triple(lab[k]), float(std[k]), tuple((float(x), float(y)) for x, y in quads[k]))
        for k, value in enumerate(values)
    )
    return Chart(
        name=name or opened.name or "chart",
        patches=patches,
        paper_lab=_triple(colours.paper_lab),
        card_size=found.card_size(),
        layout=found.layout,
        indicator=indicator,
        batch=batch,
        date=date,
        provenance=provenance or _provenance(opened, colours),
        note=note,
    )


def check_ph(ph: Sequence[float]) -> tuple[float, ...]:
    """Return pH values that rise strictly from patch to patch.

    Raises
    ------
    ChartError
        Fewer than 3, not numbers of the pH scale, one named twice, or not rising.
    """
    values = tuple(float(value) for value in ph)
    if len(values) < 3:
        raise ChartError(f"a chart needs at least 3 patches, the pH list names {len(values)}")
    for value in values:
        if not (math.isfinite(value) and -2 <= value <= 16):
            raise ChartError(f"the pH of a patch lies between -2 and 16, the pH list holds {value:g}")
    for before, after in itertools.pairwise(values):
        if after == before:
            raise ChartError(f"each pH stands once on a chart, the pH list holds {after:g} twice")
        if after < before:
            raise ChartError(
                f"the pH list must rise from patch to patch, found {after:g} after {before:g}; when the chart "
                "is printed from high to low, write the list rising and add --reverse"
            )
    return values


def _check_alike(lab: FloatArray, ph: tuple[float, ...]) -> None:
    """Refuse neighbours that no measurement can tell apart."""
    steps = delta_e_cie2000(lab[:-1], lab[1:])
    worst = int(np.argmin(steps))
    if steps[worst] < _ALIKE:
        raise ChartError(
            f"the patches of pH {ph[worst]:g} and pH {ph[worst + 1]:g} have the same colour "
            f"(difference {steps[worst]:.2f}, at least {_ALIKE} is needed, CIEDE2000): check that the pH list has "
            "as many values as the chart has patches; when the chart is really so, add --allow-alike"
        )


def _provenance(picture: ChartPicture, colours: PatchColours) -> str:
    """Say how the colours were made."""
    return f"{colours.how}, from {picture.name or 'a picture'}, SHA-256 {picture.photo.sha256[:12]}"


def _triple(values: FloatArray) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])
