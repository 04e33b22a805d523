"""Find a card of our own by its fiducial markers."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hueph._types import AnyArray, FloatArray, UInt8Array
from hueph.chart import Chart
from hueph.errors import InputError, StripNotFound
from hueph.locate.geometry import apply_homography, fit_homography, quad_area
from hueph.photo import Photo

__all__ = ["locate_card"]

# Longer side of the pictures searched: small first for speed and calm, then large for small markers.
_SIDES = (1000, 2000, 600)
# A marker's corners lie within this share of its side of where the others put them.
_MISFIT = 0.15
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
            "retake with the corners of the card free and in focus",
            reason="too-few-patches" if seen else "not-seen",
        )
    homography = _pose(seen, printed)
    if homography is None:
        raise StripNotFound(
            f"{what}: the corner markers do not fit one flat card; flatten it, or check that {chart.name} is its file",
            reason="not-seen",
        )
    return homography


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
