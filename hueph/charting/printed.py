"""What a printer made of a card of our own: its patches, greys and colours, found by the markers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from hueph._checks import check_listed
from hueph._types import triple
from hueph.chart import Chart, Reference
from hueph.charting.calibrate import Calibration, Picture, check_steps, merge_colours, name_sources
from hueph.charting.find import FoundChart, looks_like_a_card
from hueph.charting.measure import colours_of, light_of
from hueph.charting.picture import ChartPicture, open_picture
from hueph.errors import ChartError, InputError, StripNotFound
from hueph.locate.card import locate_card
from hueph.locate.geometry import apply_homography

__all__ = ["calibrate_card"]

_PX_PER_MM = 6.0  # at most; a photograph holds fewer
_LARGEST_SIDE = 2000.0


def calibrate_card(
    card: Chart,
    pictures: Sequence[Picture],
    *,
    name: str = "",
    indicator: str = "",
    batch: str = "",
    date: str = "",
    note: str = "",
) -> Calibration:
    """Measure a printed card of our own: what the printer made of patches, greys and saturated colours.

    Parameters
    ----------
    card : Chart
        Chart file of the card as it was sent to the printer, with markers.
    pictures : sequence
        Scans (best) or photographs of the print, nothing standing on it.
    name, indicator, batch, date, note : str
        For the file; what is not given is taken from `card`.

    Returns
    -------
    Calibration
        Its chart holds markers, and measured patches and references.

    Raises
    ------
    ChartError
        The card is not found in a picture, or cannot be measured there.
    PhotoError
        A file cannot be used as a picture.
    InputError
        No picture, or a chart without markers.

    Examples
    --------
    >>> calibrate_card(load_chart("card.toml"), ["scan.png"])  # doctest: +SKIP
    Calibration(...)
    """
    check_listed(pictures, "pictures")
    if not pictures:
        raise InputError("calibrating needs at least one picture, got none")
    if not card.markers:
        raise InputError(
            f"{card.name} has no markers: it is no card of hueph; calibrate it with --ph instead"
        )
    opened = tuple(open_picture(picture) for picture in pictures)
    found = tuple(_found(card, picture) for picture in opened)
    measured = [
        colours_of(light_of(chart, name=picture.photo.file))
        for chart, picture in zip(found, opened, strict=True)
    ]
    colours = merge_colours(measured, opened)
    count = len(card.patches)
    warnings = check_steps(colours.lab[:count], tuple(card.ph.tolist()), True)
    patches = tuple(
        replace(patch, lab=triple(lab), delta_e_std=float(std))
        for patch, lab, std in zip(
            card.patches, colours.lab[:count], colours.delta_e_std[:count], strict=True
        )
    )
    references = tuple(
        Reference(item.kind, triple(lab), float(std), item.corners)
        for item, lab, std in zip(
            card.references, colours.lab[count:], colours.delta_e_std[count:], strict=True
        )
    )
    chart = replace(
        card,
        name=name or card.name,
        indicator=indicator or card.indicator,
        batch=batch or card.batch,
        date=date,
        note=note,
        provenance=f"print of {card.name}, {name_sources(colours, opened)}",
        patches=patches,
        references=references,
        paper_lab=triple(colours.paper_lab),
        sha256="",
        standard_photos=(),
        standards=(),
    )
    shown = tuple(_only_patches(item, count) for item in found)
    return Calibration(chart, shown, opened, tuple(warnings))


def _found(card: Chart, picture: ChartPicture) -> FoundChart:
    """The card made flat, with the places of patches and references."""
    try:
        to_working = locate_card(picture.photo, card)
    except StripNotFound as error:
        raise ChartError(str(error)) from error
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])  # from pixel centres to edges at whole numbers
    to_picture = half @ to_working
    wide, high = card.card_size
    outline = apply_homography(to_picture, np.array([[0, 0], [wide, 0], [wide, high], [0, high]], float))
    sides = np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1)
    scale = min(_PX_PER_MM, float(sides.max()) / max(wide, high), _LARGEST_SIDE / max(wide, high))
    size = (round(wide * scale), round(high * scale))
    to_flat = np.diag([scale, scale, 1.0]) @ np.linalg.inv(to_picture)
    linear, clipped = picture.flattened(to_flat, size)
    corners = np.concatenate([card.corners, np.reshape([r.corners for r in card.references], (-1, 4, 2))])
    quads = corners * scale
    in_picture = apply_homography(to_picture, corners)
    smallest = np.linalg.norm(in_picture - np.roll(in_picture, 1, axis=1), axis=2).min()
    return FoundChart(
        linear=linear,
        clipped=clipped,
        quads=quads,
        plan=corners,
        seen=np.ones(len(corners), dtype=bool),
        layout=card.layout,
        extent=(0.0, 0.0, float(size[0]), float(size[1])),
        to_picture=np.linalg.inv(to_flat),
        is_flat=looks_like_a_card(picture),
        patch_px=float(smallest) * picture.photo.scale,
    )


def _only_patches(found: FoundChart, count: int) -> FoundChart:
    """Leave out the references: the preview shows patches."""
    return replace(found, quads=found.quads[:count], plan=found.plan[:count], seen=found.seen[:count])
