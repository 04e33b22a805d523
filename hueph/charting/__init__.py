"""Calibrate: make a chart file from a scan or a photograph of a printed chart."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from hueph._types import AnyArray, FloatArray, PathLike
from hueph.chart import Chart, Patch
from hueph.chart_picture import find_cells, srgb_to_lab
from hueph.errors import ChartError

__all__ = ["calibrate_picture"]


def calibrate_picture(
    picture: PathLike | AnyArray,
    ph: Sequence[float],
    *,
    name: str = "",
    indicator: str = "",
    batch: str = "",
    date: str = "",
    provenance: str = "",
    note: str = "",
    reverse: bool = False,
) -> Chart:
    """Make a chart from a flat picture of a printed chart.

    Parameters
    ----------
    picture : path or array, shape (h, w, 3), uint8
        Encoded sRGB.
    ph : sequence of float
        pH of the patches in reading order.

    Returns
    -------
    Chart

    Raises
    ------
    ChartError
        The patches cannot be found or do not fit `ph`.
    """
    values = check_ph(ph)
    title = name
    if isinstance(picture, str | os.PathLike):
        from PIL import Image

        with Image.open(picture) as opened:
            array = np.asarray(opened.convert("RGB"))
        title = name or Path(picture).stem
    else:
        array = np.asarray(picture)
    lab = srgb_to_lab(array.astype(np.float64) / 255.0)
    cells = find_cells(lab, len(values))
    boxes = cells.boxes[::-1] if reverse else cells.boxes
    patches = tuple(
        Patch(value, _centre_colour(lab, box), 0.5, _corner_points(box))
        for value, box in zip(values, boxes, strict=True)
    )
    paper = np.median(lab[cells.paper], axis=0)
    return Chart(
        name=title or "chart",
        patches=patches,
        paper_lab=(float(paper[0]), float(paper[1]), float(paper[2])),
        card_size=(float(array.shape[1]), float(array.shape[0])),
        layout=cells.layout,
        indicator=indicator,
        batch=batch,
        date=date,
        provenance=provenance,
        note=note,
    )


def check_ph(ph: Sequence[float]) -> tuple[float, ...]:
    """Return pH values that rise strictly from patch to patch.

    Raises
    ------
    ChartError
        Fewer than 3, one named twice, or not rising.
    """
    values = tuple(float(value) for value in ph)
    if len(values) < 3:
        raise ChartError(f"a chart needs at least 3 patches, --ph names {len(values)}")
    for before, after in zip(values[:-1], values[1:], strict=True):
        if after == before:
            raise ChartError(f"every pH stands once on a chart, --ph names {after:g} twice")
        if after < before:
            raise ChartError(
                f"--ph lists the patches by rising pH, found {after:g} after {before:g}; "
                "when the chart is printed the other way round, list them rising and add --reverse"
            )
    return values


def _centre_colour(lab: FloatArray, box: FloatArray) -> tuple[float, float, float]:
    """Median colour of the middle of a patch."""
    x0, y0, x1, y1 = box
    inset_x, inset_y = 0.2 * (x1 - x0), 0.2 * (y1 - y0)
    part = lab[
        int(np.ceil(y0 + inset_y)) : int(y1 - inset_y), int(np.ceil(x0 + inset_x)) : int(x1 - inset_x)
    ]
    middle = np.median(part.reshape(-1, 3), axis=0)
    return float(middle[0]), float(middle[1]), float(middle[2])


def _corner_points(box: FloatArray) -> tuple[tuple[float, float], ...]:
    x0, y0, x1, y1 = (float(value) for value in box)
    return (x0, y0), (x1, y0), (x1, y1), (x0, y1)
