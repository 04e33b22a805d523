"""Measure how strip and tubes are found in photographs turned, and shown within other pictures.

    python tests/accuracy/locate_views.py FOLDER [--every 3] [--only VIEW ...] [--write]

FOLDER holds truth.json, the photographs it names and the flat artwork chart-<name>.png of every card.
Each photograph is looked at as it is, turned by quarter turns, and laid into a telephone's screen,
between bars, into a page of text, into a frame, and with a date stamped into it. --write puts the
table into DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tables
from run_photos import DEVELOPERS, make_charts
from scoring import match

from hueph._photo.upright import quarter_turned, quarter_turned_points
from hueph.errors import StripNotFound, TubesNotFound
from hueph.locate.whole import locate_all
from hueph.photo import load_photo, photo_from_array

Mapped = Callable[[Any], Any]


@dataclass
class Tally:
    """What came out in one view."""

    photos: int = 0
    strips: int = 0
    wrong: int = 0
    tubes: int = 0
    found: int = 0
    false: int = 0
    unordered: int = 0

    def row(self, name: str) -> list[str]:
        """Return the row of the table."""
        counts = (
            self.photos,
            self.strips,
            self.wrong,
            f"{self.found}/{self.tubes}",
            self.false,
            self.unordered,
        )
        return [name, *map(str, counts)]


def turn(quarters: int) -> Callable[[Any], tuple[Any, Mapped]]:
    """Return the view of a picture stored turned clockwise by quarter turns."""
    return lambda picture: (
        quarter_turned(picture, quarters),
        lambda points: quarter_turned_points(np.asarray(points, float), quarters, picture.shape),
    )


def laid(ground: Any, picture: Any, scale: float, at: tuple[float, float]) -> tuple[Any, Mapped]:
    """Lay a scaled picture on the ground; return that, and where points of the picture go."""
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    x, y = (int(place) for place in at)
    ground[y : y + small.shape[0], x : x + small.shape[1]] = small
    return ground, lambda points: np.asarray(points, float) * scale + [x, y]


def screen(level: int) -> Callable[[Any], tuple[Any, Mapped]]:
    """Return the view on a telephone's upright screen."""

    def view(picture: Any) -> tuple[Any, Mapped]:
        canvas = np.full((2532, 1170, 3), level, np.uint8)
        scale = 1170 / picture.shape[1]
        return laid(canvas, picture, scale, (0, min(700, 2532 - picture.shape[0] * scale)))

    return view


def between_bars(picture: Any) -> tuple[Any, Mapped]:
    """Return the view on a telephone's screen held sideways."""
    scale = min(1170 / picture.shape[0], 2532 / picture.shape[1])
    place = ((2532 - picture.shape[1] * scale) // 2, (1170 - picture.shape[0] * scale) // 2)
    return laid(np.full((1170, 2532, 3), 12, np.uint8), picture, scale, place)


def page(picture: Any) -> tuple[Any, Mapped]:
    """Return the view in a page of text."""
    ground = np.full((2339, 1654, 3), 255, np.uint8)
    scale = 1060 / max(picture.shape[:2])
    below = int(700 + picture.shape[0] * scale)
    for y in [*range(120, 640, 45), *range(below, 2250, 45)]:
        cv2.putText(
            ground, f"tank {y}: citrate and phosphate, as every week", (150, y), 0, 1.1, (20, 20, 20), 2
        )
    return laid(ground, picture, scale, (270, 660))


def frame(picture: Any) -> tuple[Any, Mapped]:
    """Return the view as a print with a white margin in a dark frame."""
    height, width = picture.shape[:2]
    wall = np.full((height + 380, width + 380, 3), 245, np.uint8)
    wall[95:-95, 95:-95] = 30
    wall[178:-178, 178:-178] = 250
    return laid(wall, picture, 1.0, (190, 190))


def stamped(picture: Any) -> tuple[Any, Mapped]:
    """Return the view with a date in it."""
    height, width = picture.shape[:2]
    stamp = picture.copy()
    cv2.putText(stamp, "26 11 25  08:14", (width - 520, height - 50), 0, 1.8, (255, 140, 30), 4)
    return stamp, lambda points: np.asarray(points, float)


VIEWS: dict[str, Callable[[Any], tuple[Any, Mapped]]] = {
    "as it is": turn(0),
    "turned a quarter clockwise": turn(1),
    "turned upside down": turn(2),
    "turned a quarter anticlockwise": turn(3),
    "telephone's screen, dark": screen(18),
    "telephone's screen, white": screen(250),
    "between dark bars": between_bars,
    "in a page of text": page,
    "in a frame": frame,
    "with a date stamped in": stamped,
}


def look(tally: Tally, picture: Any, chart: Any, liquids: list[Any], patches: Any) -> None:
    """Locate in one picture and score against the places of liquids and patches in it."""
    tally.photos += 1
    tally.tubes += len(liquids)
    try:
        located = locate_all(photo_from_array(picture), chart)
    except (StripNotFound, TubesNotFound) as error:
        tally.strips += isinstance(error, TubesNotFound)
        return
    if located.strip is not None:
        side = float(np.linalg.norm(patches[:, 1] - patches[:, 0], axis=1).mean())
        off = np.abs(located.photo.to_full(located.strip.patches) - patches).max()
        tally.strips += bool(off < 0.5 * side)
        tally.wrong += bool(off >= 0.5 * side)
    partners = match(liquids, [located.photo.to_full(tube.liquid) for tube in located.tubes])
    numbers = [number for _, (number, _) in sorted(partners.items())]
    tally.found += len(partners)
    tally.false += len(located.tubes) - len(partners)
    tally.unordered += numbers != sorted(numbers)


def main() -> int:
    """Look, score, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--every", type=int, default=1, help="only every so manieth photograph")
    parser.add_argument("--only", action="append", choices=list(VIEWS), help="default: all")
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    options = parser.parse_args()
    truth = json.loads((options.folder / "truth.json").read_text(encoding="utf-8"))
    shots = [(scene, shot["file"]) for scene in truth for shot in scene["shots"]][:: options.every]
    charts = make_charts(options.folder, [scene for scene, _ in shots])
    tallies = {name: Tally() for name in options.only or VIEWS}
    for scene, file in shots:
        photo = load_photo(options.folder / file)
        liquids = [photo.to_working(tube["liquid"]) for tube in scene["tubes"]]
        liquids.sort(key=lambda quad: float(quad[:, 0].mean()))
        patches = photo.to_working(scene["patches"])
        for name, tally in tallies.items():
            picture, place = VIEWS[name](photo.encoded)
            look(tally, picture, charts[scene["chart"]], [place(quad) for quad in liquids], place(patches))
    head = ["view", "photos", "strip right", "order wrong", "tubes found", "false", "numbered out of order"]
    text = tables.markdown(head, [tally.row(name) for name, tally in tallies.items()])
    print(text)
    if options.write:
        tables.put_between(DEVELOPERS, "locate-views", text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
