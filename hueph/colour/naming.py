"""Colours in plain words, so that no result rests on telling two hues apart by eye."""

from __future__ import annotations

import math
from collections.abc import Sequence

from hueph._checks import check_array

__all__ = ["colour_name"]

# CIELAB hue angle up to which each word is used, degrees (common practice, no source; checked against
# the named colours of CSS).
_HUES = (
    (20.0, "pink"),
    (50.0, "red"),
    (80.0, "orange"),
    (104.0, "yellow"),
    (125.0, "yellow-green"),
    (165.0, "green"),
    (215.0, "blue-green"),
    (308.0, "blue"),
    (322.0, "violet"),
    (345.0, "purple"),
    (360.0, "pink"),
)
# Below this chroma a colour has no hue to speak of; above that lightness it passes for clear or white.
_GREY_CHROMA, _CLEAR_LIGHTNESS, _BLACK_LIGHTNESS = 8.0, 80.0, 15.0
# Yellow that is both greenish and not light has a name of its own.
_OLIVE_LIGHTNESS, _OLIVE_HUE = 70.0, 95.0
_PALE_LIGHTNESS, _PALE_CHROMA, _DARK_LIGHTNESS = 75.0, 30.0, 35.0


def colour_name(lab: Sequence[float]) -> str:
    """Return a colour in one or two words.

    Parameters
    ----------
    lab : sequence of three float
        CIELAB, D65, 2 degree observer.

    Returns
    -------
    str

    Raises
    ------
    InputError
        Not three numbers.

    Examples
    --------
    >>> colour_name((53.2, 80.1, 67.2))
    'red'
    >>> colour_name((85.0, -3.0, 20.0))
    'pale yellow'
    """
    lightness, a, b = (float(value) for value in check_array(lab, "lab", (3,)))
    chroma, hue = math.hypot(a, b), math.degrees(math.atan2(b, a)) % 360.0
    if chroma < _GREY_CHROMA:
        if lightness < _BLACK_LIGHTNESS:
            return "black"
        return "colourless" if lightness > _CLEAR_LIGHTNESS else "grey"
    word = next(name for limit, name in _HUES if hue <= limit)
    if word == "yellow" and lightness < _OLIVE_LIGHTNESS and hue > _OLIVE_HUE:
        word = "olive"
    if lightness < _DARK_LIGHTNESS:
        return f"dark {word}"
    return f"pale {word}" if lightness > _PALE_LIGHTNESS and chroma < _PALE_CHROMA else word
