"""Names of colours, against the named colours of CSS (CSS Color Module Level 4, section 6.1)."""

from __future__ import annotations

import numpy as np
import pytest

from hueph.colour.lab import xyz_to_lab
from hueph.colour.naming import colour_name
from hueph.colour.srgb import linear_rgb_to_xyz, srgb_to_linear_rgb


@pytest.mark.parametrize(
    ("code", "name"),
    [
        ("ff0000", "red"),
        ("ff6347", "red"),  # tomato
        ("ff8c00", "orange"),  # darkorange
        ("ffd700", "yellow"),  # gold
        ("ffff00", "yellow"),
        ("808000", "olive"),
        ("9acd32", "yellow-green"),
        ("228b22", "green"),  # forestgreen
        ("008080", "blue-green"),  # teal
        ("add8e6", "pale blue"),  # lightblue
        ("4169e1", "blue"),  # royalblue
        ("000080", "dark blue"),  # navy
        ("8a2be2", "violet"),  # blueviolet
        ("800080", "dark purple"),  # purple
        ("ffc0cb", "pale pink"),  # pink
        ("ff1493", "pink"),  # deeppink
        ("ffffff", "colourless"),
        ("808080", "grey"),
        ("000000", "black"),
    ],
)
def test_named_colours_get_their_names(code: str, name: str) -> None:
    codes = np.array([int(code[place : place + 2], 16) for place in (0, 2, 4)]) / 255.0
    lab = xyz_to_lab(linear_rgb_to_xyz(srgb_to_linear_rgb(codes)))
    assert colour_name([float(value) for value in lab]) == name
