"""Find a card of our own by its fiducial markers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from hueph._types import AnyArray, FloatArray, UInt8Array
from hueph.chart import Chart
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import lab_to_xyz, xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_xyz
from hueph.errors import InputError, StripNotFound
from hueph.locate.geometry import apply_homography, fit_homography, quad_area
from hueph.locate.types import StripLocation
from hueph.photo import Photo

__all__ = ["locate_card", "locate_card_strip", "printed_parts", "without_print"]

# Longer side of the pictures searched: small first for speed and calm, then large for small markers.
_SIDES = (1000, 2000, 600)
# A marker's corners lie within this share of its side of where the others put them.
_MISFIT = 0.15
_FEWEST_PATCHES, _SMALLEST_PATCH = 3, 6.0  # pixels
# Patches of the right card lie within about 5 of their chart in the median photograph, 10 in a bad one;
# cards of two indicators much farther apart: CIEDE2000, over the paper.
_ANOTHER_CARD = 16.0
_SAMPLES, _FEWEST_SAMPLES = (22, 16), 20  # places of the white area where the paper is looked at
_INNER = 0.5  # share of a patch's sides that is looked at
_FEWEST = 2  # one marker alone gives a pose too shaky to measure by


def locate_card(photo: Photo, chart: Chart) -> FloatArray:
    """Find a printed card of our own by its corner markers.

    Parameters
    ----------
    photo : Photo
        Upright picture at working resolution.
    chart : Chart
        Chart file of the card, with markers.

    Returns
    -------
    array, shape (3, 3)
        Homography from card units to working-picture pixels.

    Raises
    ------
    StripNotFound
        Fewer than two of the card's markers are seen, they do not fit together, or the picture is mirrored.
    InputError
        The chart has no markers.

    Notes
    -----
    Detection is OpenCV's (Garrido-Jurado et al. 2014, Pattern Recognition 47, 2280, doi:10.1016/j.patcog.2014.01.005;
    memory), in grey values as they are and with levelled contrast, at several sizes; markers found at any of them
    are pooled.

    Examples
    --------
    >>> locate_card(load_photo("bench.jpg"), load_chart("card.toml")).shape  # doctest: +SKIP
    (3, 3)
    """
    if not chart.markers:
        raise InputError(
            f"{chart.name} has no markers; a card is found by its markers, a plain chart by its patches"
        )
    printed = {marker.id: np.array(marker.corners) for marker in chart.markers}
    seen: dict[int, FloatArray] = {}
    for grey, factor in _views(photo):
        for number, corners in _detected(grey, chart.dictionary).items():
            if number in printed and number not in seen:
                seen[number] = (corners + 0.5) * factor - 0.5
        if len(seen) == len(printed):
            break
    what = f"no reference card found in {photo.file}"
    if len(seen) < _FEWEST and _is_mirrored(photo, chart, printed):
        raise StripNotFound(f"{what}: the picture is mirrored; use the picture as the camera took it",
                            reason="order-ambiguous")  # fmt: skip
    if len(seen) < _FEWEST:
        raise StripNotFound(
            f"{what}: {len(seen)} of {len(printed)} corner markers of {chart.name} seen, at least {_FEWEST} are needed; "
            "retake with the corners of the card free and in focus, or, if another card or strip is shown, name its chart "
            "(hueph calibrate makes one)",
            reason="too-few-patches" if seen else "not-seen",
        )
    homography = _pose(seen, printed)
    if homography is None:
        raise StripNotFound(
            f"{what}: the corner markers do not fit one flat card; flatten it, or check that {chart.name} is its file",
            reason="not-seen",
        )
    return homography


def locate_card_strip(photo: Photo, chart: Chart) -> StripLocation:
    """Find the patches of a printed card of our own through its corner markers.

    Parameters
    ----------
    photo : Photo
        Upright picture at working resolution.
    chart : Chart
        Chart file of the card, with markers.

    Returns
    -------
    StripLocation
        A patch with something in front of it, or outside the picture, counts as not seen.

    Raises
    ------
    StripNotFound
        As `locate_card`, or fewer than 3 patches are free, they are too small, or their colours are not the chart's
        (every card carries the same markers).
    InputError
        The chart has no markers.

    Examples
    --------
    >>> locate_card_strip(load_photo("bench.jpg"), load_chart("card.toml")).seen  # doctest: +SKIP
    (True, True, True, True, True)
    """
    homography = locate_card(photo, chart)
    patches = np.stack([apply_homography(homography, quad) for quad in chart.corners])
    side = float(np.linalg.norm(np.roll(patches, 1, axis=1) - patches, axis=2).min())
    if side < _SMALLEST_PATCH:
        raise StripNotFound(
            f"the patches of {chart.name} in {photo.file} are {side:.0f} pixels wide, at least {_SMALLEST_PATCH:.0f} "
            "are needed; go nearer",
            reason="too-small",
        )
    seen, colours = _patch_colours(photo, patches)
    if int(seen.sum()) < _FEWEST_PATCHES:
        raise StripNotFound(
            f"{int(seen.sum())} of {len(seen)} patches of {chart.name} are free in {photo.file}, at least "
            f"{_FEWEST_PATCHES} are needed; retake with nothing before the patches",
            reason="too-few-patches",
        )
    apart = _apart(photo, chart, homography, seen, colours)
    if apart > _ANOTHER_CARD:
        raise StripNotFound(
            f"the card in {photo.file} does not show the colours of {chart.name} (median difference {apart:.0f} "
            "CIEDE2000): name the chart file of the card that was printed",
            reason="not-seen",
        )
    return StripLocation(patches, homography, tuple(bool(item) for item in seen), margin=1.0)


def printed_parts(chart: Chart) -> list[tuple[FloatArray, float]]:
    """Return the parts of a card that are no backing for tubes.

    A plain card is none at all. A card of our own is white in the middle, between greys on the left, saturated
    colours on the right and all other print above, and tubes are meant to stand before that.

    Parameters
    ----------
    chart : Chart

    Returns
    -------
    list of (array of shape (4, 2), float)
        Corner points in card units, and by how much a part is to be enlarged about its centre.
    """
    wide, high = chart.card_size
    if not chart.markers or not chart.references:
        return [(_rectangle(0.0, 0.0, wide, high), 1.12)]
    x0, y0, x1 = _white_area(chart)
    return [
        (_rectangle(0.0, 0.0, wide, y0), 1.0),
        (_rectangle(0.0, 0.0, x0, high), 1.0),
        (_rectangle(x1, 0.0, wide, high), 1.0),
    ]


def without_print(photo: Photo, chart: Chart, strip: StripLocation) -> Photo:
    """Return the picture with all print of a card of our own painted over in the colour of its paper.

    Markers, greys and saturated colours have edges stronger than any tube's and would be taken for vessels, or keep
    real ones from standing out. Only for finding tubes; colours are measured in the picture as it is.

    Parameters
    ----------
    photo : Photo
    chart : Chart
    strip : StripLocation
        Where the card is.

    Returns
    -------
    Photo
        The same picture for a plain chart, or when too little of the white area is in view.
    """
    if not chart.markers or not chart.references:
        return photo
    left, top, right = _white_area(chart)
    across = np.linspace(left, right, _SAMPLES[0] + 2)[1:-1]
    down = np.linspace(top, chart.card_size[1], _SAMPLES[1] + 2)[1:-1]
    grid = np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 2)
    height, width = photo.encoded.shape[:2]
    points = np.rint(apply_homography(strip.homography, grid)).astype(int)
    inside = (points >= 0).all(axis=1) & (points < [width, height]).all(axis=1)
    points = points[inside]
    if len(points) < _FEWEST_SAMPLES:
        return photo
    plane = _paper_plane(
        points / [width, height], photo.encoded[points[:, 1], points[:, 0]].astype(np.float64)
    )
    mask = np.zeros((height, width), np.uint8)
    for part, _ in printed_parts(chart):
        _fill(mask, apply_homography(strip.homography, part))
    rows, columns = np.nonzero(mask)
    colours = np.stack([np.ones(len(rows)), columns / width, rows / height], axis=1) @ plane
    bare = photo.encoded.copy()
    bare[rows, columns] = np.clip(np.rint(colours), 0, np.iinfo(bare.dtype).max).astype(bare.dtype)
    return replace(photo, encoded=bare)


def _paper_plane(places: FloatArray, codes: FloatArray) -> FloatArray:
    """Fit encoded paper colour as a plane over the picture, leaving out tubes before it; shape (3, 3)."""
    design = np.concatenate([np.ones((len(places), 1)), places], axis=1)
    level = codes.sum(axis=1)
    paper = level >= 0.9 * np.median(level)  # tubes are darker, and fill less than half of it
    plane = np.zeros((3, 3))
    for _ in range(4):
        plane = np.linalg.lstsq(design[paper], codes[paper], rcond=None)[0]
        apart = np.abs((codes - design @ plane).sum(axis=1))
        paper = apart <= 3.0 * (1.4826 * np.median(apart[paper]) + 0.004 * np.median(level))
    return np.asarray(plane)


def _fill(mask: UInt8Array, quad: FloatArray) -> None:
    """Mark the pixels of a quadrilateral."""
    import cv2

    cv2.fillConvexPoly(mask, np.rint(quad * 16).astype(np.int32), 1, shift=4)


def _white_area(chart: Chart) -> tuple[float, float, float]:
    """Left, top and right of the white middle of a card of our own, which reaches to its lower edge, card units."""
    wide = chart.card_size[0]
    side = float(np.ptp(np.array(chart.markers[0].corners)[:, 0]))
    references = np.array([item.corners for item in chart.references])
    on_left = references[:, :, 0].mean(axis=1) < wide / 2
    left = references[on_left][..., 0].max() if on_left.any() else 0.0
    right = references[~on_left][..., 0].min() if (~on_left).any() else wide
    # Below the patches stands a line of print.
    top = float(chart.corners[..., 1].max()) + 0.5 * side
    return float(left + 0.15 * side), top, float(right - 0.15 * side)


def _rectangle(x0: float, y0: float, x1: float, y1: float) -> FloatArray:
    return np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], dtype=np.float64)


def _patch_colours(photo: Photo, patches: FloatArray) -> tuple[AnyArray, FloatArray]:
    """Say which patches are free, and their median light, linear, file primaries, shape (n, 3)."""
    height, width = photo.encoded.shape[:2]
    colours = np.full((len(patches), 3), np.nan)
    free = np.zeros(len(patches), dtype=bool)
    for index, quad in enumerate(patches):
        if quad.min() < 0 or quad[:, 0].max() > width - 1 or quad[:, 1].max() > height - 1:
            continue
        light = _inside(photo, quad)
        colours[index] = np.median(light, axis=0)
        level = light.sum(axis=1)
        low, middle, high = np.percentile(level, [15, 50, 85])
        # An even colour, noise allowed for; an edge of something before it makes it uneven.
        free[index] = high - low < 0.35 * middle + 0.06
    return free, colours


def _inside(photo: Photo, quad: FloatArray) -> FloatArray:
    """Linear light on a grid of points in the inner part of a patch, shape (k, 3)."""
    share = 0.5 + _INNER * (np.linspace(0.0, 1.0, 12) - 0.5)
    across, down = (values[..., None] for values in np.meshgrid(share, share))
    upper = quad[0] + across * (quad[1] - quad[0])
    lower = quad[3] + across * (quad[2] - quad[3])
    points = np.rint(upper + down * (lower - upper)).astype(int).reshape(-1, 2)
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    light = photo.linear(slice(int(y0), int(y1) + 1), slice(int(x0), int(x1) + 1))
    return np.asarray(light[points[:, 1] - y0, points[:, 0] - x0], dtype=np.float64)


def _apart(photo: Photo, chart: Chart, homography: FloatArray, seen: AnyArray, colours: FloatArray) -> float:
    """Median CIEDE2000 between patches over the paper as seen and as the chart has them."""
    # Paper beside the markers: their quiet zone, between marker and patches.
    corners = np.array([marker.corners for marker in chart.markers])
    centre = np.array(chart.card_size) / 2.0
    side = float(np.linalg.norm(corners[0, 1] - corners[0, 0]))
    toward = np.sign(centre - corners.mean(axis=1)) * [0.5 * side + 0.12 * side, 0.0]
    spots = apply_homography(homography, corners.mean(axis=1) + toward)
    height, width = photo.encoded.shape[:2]
    paper = [
        photo.linear(slice(y, y + 1), slice(x, x + 1)).reshape(3)
        for x, y in np.rint(spots).astype(int).tolist()
        if 0 <= x < width and 0 <= y < height
    ]
    if not paper:
        return 0.0
    white = np.maximum(np.median(np.array(paper, dtype=np.float64), axis=0), 1e-3)
    ratio = np.clip((colours[seen] / white) @ photo.to_linear_srgb.T, 1e-4, None)
    shown = xyz_to_lab(linear_rgb_to_xyz(ratio))
    printed = lab_to_xyz(chart.lab[seen]) / lab_to_xyz(np.array(chart.paper_lab))
    known = xyz_to_lab(printed * lab_to_xyz(np.array([100.0, 0.0, 0.0])))
    return float(np.median(delta_e_cie2000(shown, known)))


def _views(photo: Photo) -> Iterator[tuple[UInt8Array, float]]:
    """Grey pictures to search, each as it is and with contrast levelled, and working pixels per pixel."""
    import cv2

    level = cv2.createCLAHE(clipLimit=3.0, tileGridSize=(8, 8))
    for side in _SIDES:
        picture, factor = photo.reduced(side)
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        yield np.asarray(grey, dtype=np.uint8), factor
        yield np.asarray(level.apply(grey), dtype=np.uint8), factor


def _detected(grey: UInt8Array, dictionary: str) -> dict[int, FloatArray]:
    """Markers of a grey picture: number to corners (x, y), shape (4, 2)."""
    import cv2

    known = getattr(cv2.aruco, dictionary, None) if dictionary.startswith("DICT_") else None
    if known is None:
        raise InputError(
            f"the markers' dictionary must be one of OpenCV's, such as DICT_4X4_50, got {dictionary!r}"
        )
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    # Small cells: windows from 3 pixels; markers down to one hundredth of the picture's longer side.
    settings.adaptiveThreshWinSizeMin, settings.adaptiveThreshWinSizeMax = 3, 33
    settings.adaptiveThreshWinSizeStep = 6
    settings.minMarkerPerimeterRate = 0.02
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(known), settings)
    corners, numbers, _ = detector.detectMarkers(grey)
    if numbers is None:
        return {}
    found: dict[int, FloatArray] = {}
    for quad, number in zip(corners, numbers.ravel().tolist(), strict=True):
        found.setdefault(int(number), np.asarray(quad, dtype=np.float64).reshape(4, 2))
    return found


def _is_mirrored(photo: Photo, chart: Chart, printed: dict[int, FloatArray]) -> bool:
    """Say whether the markers are seen when the picture is turned round left to right."""
    for grey, _ in _views(photo):
        flipped = np.ascontiguousarray(grey[:, ::-1])
        if sum(number in printed for number in _detected(flipped, chart.dictionary)) >= _FEWEST:
            return True
    return False


def _pose(seen: dict[int, FloatArray], printed: dict[int, FloatArray]) -> FloatArray | None:
    """Homography through all markers, after leaving out one that does not fit; None when they disagree."""
    numbers = list(seen)
    while len(numbers) >= _FEWEST:
        source = np.concatenate([printed[number] for number in numbers])
        target = np.concatenate([seen[number] for number in numbers])
        homography = fit_homography(source, target)
        misfit = np.array([_misfit(homography, printed[number], seen[number]) for number in numbers])
        if misfit.max() <= _MISFIT:
            outline = apply_homography(homography, printed[numbers[0]])
            return homography if float(quad_area(outline)) > 0 else None
        if len(numbers) == _FEWEST:
            break
        del numbers[int(np.argmax(misfit))]
    return None


def _misfit(homography: FloatArray, printed: FloatArray, seen: FloatArray) -> float:
    """Largest distance of a marker's corners from their place, in sides of the marker."""
    side = float(np.linalg.norm(np.roll(seen, 1, axis=0) - seen, axis=1).mean())
    apart: AnyArray = np.linalg.norm(apply_homography(homography, printed) - seen, axis=1)
    return float(apart.max()) / side
