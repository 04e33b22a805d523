"""Measure how surely tubes are found, and how well their edges lie, on photographs with known truth.

    python tests/accuracy/locate_tubes.py FOLDER [--only TEXT] [--part NAME ...] [--list]

FOLDER holds truth.json and the photographs it names. The true patch corners stand in for the strip
that another stage finds; outlines of the tubes only score. Parts: plain, no-strip, turned, half,
dark, bright, blurred, flipped, recoloured, no-tubes, cut, blank.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scoring import overlap

from hueph.errors import TubesNotFound
from hueph.locate.tubes import locate_tubes
from hueph.locate.types import StripLocation, TubeLocation
from hueph.photo import Photo, load_photo, photo_from_array

# A tube counts as found when its outline overlaps the true one by more than this (area of both / either).
OVERLAP = 0.5
# The core has to keep this share of the true width away from the walls.
WALL_SHARE = 0.08


@dataclass
class Shot:
    """One photograph: picture, corners of the card's patches, true outlines."""

    file: str
    scene: str
    kind: str
    photo: Photo
    card: Any
    tubes: list[Any]
    partial: list[Any]
    what: list[str]


@dataclass
class Tally:
    """What came out in one part."""

    tubes: int = 0
    found: int = 0
    core_right: int = 0
    false: int = 0
    order_wrong: int = 0
    edges: list[Any] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def add(self, shot: Shot, strip: StripLocation | None) -> None:
        """Locate and score."""
        start = time.process_time()
        try:
            located = locate_tubes(shot.photo, strip)
        except TubesNotFound:
            located = ()
        self.seconds.append(time.process_time() - start)
        self.tubes += len(shot.tubes)
        taken: dict[int, TubeLocation] = {}
        for tube in located:
            shares = [overlap(tube.liquid, truth) for truth in shot.tubes]
            best = int(np.argmax(shares)) if shares else -1
            if best >= 0 and shares[best] > OVERLAP and best not in taken:
                taken[best] = tube
            elif not any(overlap(tube.liquid, truth) > 0.2 for truth in shot.partial):
                self.false += 1
                self.notes.append(f"{shot.file}: false tube {np.round(tube.liquid).astype(int).tolist()}")
        order = list(taken)
        true_order = sorted(order, key=lambda index: float(np.mean(np.asarray(shot.tubes[index])[:, 0])))
        self.order_wrong += order != true_order
        for index, truth in enumerate(shot.tubes):
            if index not in taken:
                self.notes.append(
                    f"{shot.file}: missed {shot.what[index]} {np.round(truth).astype(int).tolist()}"
                )
                continue
            self.found += 1
            inside = core_inside(taken[index].core, truth)
            self.core_right += inside
            if not inside:
                self.notes.append(f"{shot.file}: core of tube {index + 1} touches the walls or ends")
            self.edges.append(edge_errors(taken[index].liquid, truth))

    def line(self, title: str) -> str:
        """One line of the table."""
        text = f"{title:<22}{self.tubes:5d} tubes  found {self.found:4d}"
        if self.tubes:
            text += f" ({100 * self.found / self.tubes:5.1f} %)  core right {self.core_right:4d}"
        text += f"  false {self.false:3d}  order wrong {self.order_wrong}"
        if self.edges:
            away = np.abs(np.array(self.edges))
            for name, column in zip(("left", "right", "top", "bottom"), away.T, strict=True):
                text += f"  {name} {np.median(column):.1f}/{np.percentile(column, 95):.1f}"
        if self.seconds:
            text += f"  {1000 * np.median(self.seconds):.0f} ms"
        return text


def core_inside(core: Any, truth: Any) -> bool:
    """Tell whether a core lies in the true column, away from walls and ends."""
    truth = np.asarray(truth, np.float32)
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    to_unit = cv2.getPerspectiveTransform(truth, unit)
    shares = cv2.perspectiveTransform(np.asarray(core, np.float32)[None], to_unit)[0]
    across, along = shares[:, 0], shares[:, 1]
    return bool(
        across.min() > WALL_SHARE
        and across.max() < 1 - WALL_SHARE
        and along.min() > 0.02
        and along.max() < 0.98
    )


def edge_errors(liquid: Any, truth: Any) -> list[float]:
    """Return the distances of the middles of left, right, top and bottom edge, pixels."""
    errors = []
    truth = np.asarray(truth, float)
    across = truth[1] - truth[0] + truth[2] - truth[3]
    along = truth[3] - truth[0] + truth[2] - truth[1]
    for first, second, axis in ((0, 3, across), (1, 2, across), (0, 1, along), (3, 2, along)):
        moved = (liquid[first] + liquid[second] - truth[first] - truth[second]) / 2
        errors.append(float(moved @ axis / np.linalg.norm(axis)))
    return errors


def shots(folder: Path, only: str) -> Iterator[Shot]:
    """Yield every photograph of a folder."""
    for scene in json.loads((folder / "truth.json").read_text(encoding="utf-8")):
        for shot in scene["shots"]:
            if only not in shot["file"]:
                continue
            photo = load_photo(folder / shot["file"])
            card = scene.get("patches")
            yield Shot(
                shot["file"],
                str(scene["id"]),
                scene["kind"],
                photo,
                None if card is None else np.asarray(card, float),
                [photo.to_working(tube["liquid"]) for tube in scene["tubes"]],
                [photo.to_working(tube["liquid"]) for tube in scene.get("partial", [])],
                [tube["what"] for tube in scene["tubes"]],
            )


def strip_of(card: Any) -> StripLocation | None:
    """Wrap patch corners as another stage would hand them on."""
    if card is None:
        return None
    return StripLocation(np.asarray(card, float), np.eye(3), (True,) * len(card), 1.0)


def moved(shot: Shot, matrix: Any, size: tuple[int, int], filler: str = "edge") -> Shot:
    """Return the photograph and all its points under an affine map (2, 3)."""
    border = cv2.BORDER_REPLICATE if filler == "edge" else cv2.BORDER_REFLECT_101
    picture = cv2.warpAffine(shot.photo.encoded, matrix, size, flags=cv2.INTER_AREA, borderMode=border)

    def points(values: Any) -> Any:
        return np.asarray(values) @ matrix[:, :2].T + matrix[:, 2]

    tubes, partial = ([ordered(points(quad)) for quad in quads] for quads in (shot.tubes, shot.partial))
    card = None if shot.card is None else points(shot.card)
    return Shot(shot.file, shot.scene, shot.kind, photo_from_array(picture), card, tubes, partial, shot.what)


def ordered(quad: Any) -> Any:
    """Put the left corners first again after a flip."""
    return quad[[1, 0, 3, 2]] if quad[0, 0] > quad[1, 0] else quad


def turned(shot: Shot, degrees: float) -> Shot:
    """Turn the picture in its plane, everything still in view."""
    height, width = shot.photo.encoded.shape[:2]
    matrix = cv2.getRotationMatrix2D((width / 2, height / 2), degrees, 0.85)
    return moved(shot, matrix, (width, height))


def half(shot: Shot) -> Shot:
    """Halve the picture."""
    height, width = shot.photo.encoded.shape[:2]
    matrix = np.array([[0.5, 0, -0.25], [0, 0.5, -0.25]])
    small = moved(shot, matrix, (width // 2, height // 2))
    picture = cv2.resize(shot.photo.encoded, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    small.photo = photo_from_array(picture)
    return small


def flipped(shot: Shot) -> Shot:
    """Mirror left and right."""
    height, width = shot.photo.encoded.shape[:2]
    return moved(shot, np.array([[-1.0, 0, width - 1], [0, 1, 0]]), (width, height))


def repainted(shot: Shot, paint: Callable[[Any], Any]) -> Shot:
    """Change the code values (0..255, floats) only."""
    values = np.clip(paint(shot.photo.encoded.astype(np.float32)), 0, 255).astype(np.uint8)
    photo = photo_from_array(values)
    return Shot(shot.file, shot.scene, shot.kind, photo, shot.card, shot.tubes, shot.partial, shot.what)


def recoloured(shot: Shot, turn: int) -> Shot:
    """Swap the channels: other dyes, other backings, other lights, the same shapes."""
    return repainted(shot, lambda values: values[..., np.roll([0, 1, 2], turn)])


def without_tubes(shot: Shot) -> Iterator[Shot]:
    """Yield the card alone, and the part of the picture above the tubes' liquid."""
    height, width = shot.photo.encoded.shape[:2]
    every = shot.tubes + shot.partial
    if shot.card is not None:
        points = shot.card.reshape(-1, 2)
        side = float(np.median(np.linalg.norm(shot.card - np.roll(shot.card, 1, axis=1), axis=2)))
        low = np.maximum(points.min(axis=0) - 1.2 * side, 0).astype(int)
        high = np.minimum(points.max(axis=0) + 1.2 * side, [width, height]).astype(int)
        crop = np.ascontiguousarray(shot.photo.encoded[low[1] : max(high[1], 0), low[0] : max(high[0], 0)])
        if min(crop.shape[:2]) > 60:
            photo = photo_from_array(crop)
            yield Shot(shot.file + " card", shot.scene, shot.kind, photo, shot.card - low, [], [], [])
    if every:
        top = int(min(np.asarray(quad)[:, 1].min() for quad in every) - 0.02 * height)
        if top > 0.25 * height:
            crop = np.ascontiguousarray(shot.photo.encoded[:top])
            yield Shot(
                shot.file + " above", shot.scene, shot.kind, photo_from_array(crop), shot.card, [], [], []
            )


def cut(shot: Shot) -> Iterator[Shot]:
    """Yield the picture cut off 1.1, 1.5 and 2.2 bores below the surface of a liquid, other tubes as they come.

    Of a liquid with less than a bore in view nothing is asked.
    """
    turn = sum(map(ord, shot.scene)) % max(len(shot.tubes), 1)
    for bores in (1.1, 1.5, 2.2):
        chosen = np.asarray(shot.tubes[turn], float)
        edge = int(chosen[:2, 1].mean() + bores * np.linalg.norm(chosen[1] - chosen[0]))
        if edge >= chosen[2:, 1].mean():
            continue
        tubes, partial, what = [], [], []
        for quad, name in zip(shot.tubes, shot.what, strict=True):
            part = np.array(quad, float)
            sides = part[[3, 2]] - part[:2]
            part[[3, 2]] -= sides * np.clip((part[[3, 2], 1] - edge + 1) / sides[:, 1], 0, 1)[:, None]
            if (part[[3, 2], 1] - part[:2, 1]).min() >= np.linalg.norm(part[1] - part[0]):
                tubes.append(part)
                what.append(name)
            else:
                partial.append(part)
        photo = photo_from_array(np.ascontiguousarray(shot.photo.encoded[:edge]))
        yield Shot(shot.file, shot.scene, shot.kind, photo, shot.card, tubes, partial, what)


def blanks() -> Iterator[Shot]:
    """Yield pictures of nothing."""
    rng = np.random.default_rng(5)
    size = (900, 1200, 3)
    pictures = {"black": np.zeros(size), "white": np.full(size, 255), "grey": np.full(size, 119)}
    for spread in (2, 12, 60):
        pictures[f"noise {spread}"] = 128 + spread * rng.standard_normal(size)
    for blur in (3, 12):
        soft = cv2.GaussianBlur(rng.standard_normal(size), (0, 0), blur)
        pictures[f"clouds {blur}"] = 128 + 40 * soft / soft.std()
    pictures["slope"] = np.broadcast_to(np.linspace(20, 240, 1200)[None, :, None], size)
    pictures["stripes"] = np.broadcast_to(
        128 + 90 * np.sign(np.sin(np.arange(1200) / 20))[None, :, None], size
    )
    for name, values in pictures.items():
        photo = photo_from_array(np.clip(values, 0, 255).astype(np.uint8))
        yield Shot(name, name, "blank", photo, None, [], [], [])


def variants(part: str, shot: Shot) -> Iterator[tuple[Shot, bool]]:
    """Yield the pictures of a part, with whether the strip is handed in."""
    if part == "plain":
        yield shot, True
    elif part == "no-strip":
        yield shot, False
    elif part == "turned":
        for degrees in (-10, -5, 5, 10):
            yield turned(shot, degrees), True
    elif part == "half":
        yield half(shot), True
    elif part == "dark":
        yield repainted(shot, lambda values: 0.5 * values), True
    elif part == "bright":
        yield repainted(shot, lambda values: 1.5 * values), True
    elif part == "blurred":
        yield repainted(shot, lambda values: cv2.GaussianBlur(values, (0, 0), 4.0)), True
    elif part == "flipped":
        yield flipped(shot), True
    elif part == "recoloured":
        for turn in (1, 2):
            yield recoloured(shot, turn), True
    elif part == "no-tubes":
        for crop in without_tubes(shot):
            yield crop, True
    elif part == "cut":
        for crop in cut(shot):
            yield crop, True


PARTS = (
    "plain", "no-strip", "turned", "half", "dark", "bright", "blurred", "flipped", "recoloured", "no-tubes", "cut",
    "blank",
)  # fmt: skip


def main() -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", default="", help="only files with this text in their name")
    parser.add_argument("--part", action="append", choices=PARTS, help="default: all")
    parser.add_argument("--list", action="store_true", help="name every miss and every false tube")
    options = parser.parse_args()
    tallies: dict[str, Tally] = {}
    for part in options.part or PARTS:
        if part == "blank":
            for blank in blanks():
                tallies.setdefault(part, Tally()).add(blank, None)
            continue
        for shot in shots(options.folder, options.only):
            for variant, with_strip in variants(part, shot):
                strip = strip_of(variant.card) if with_strip else None
                names = [part] if part != "plain" else [part, f"  {shot.kind}"]
                first = tallies.setdefault(names[0], Tally())
                first.add(variant, strip)
                for name in names[1:]:
                    tallies.setdefault(name, Tally()).add(variant, strip)
    for name, tally in tallies.items():
        print(tally.line(name))
        if options.list and not name.startswith(" "):
            print("\n".join(f"    {note}" for note in tally.notes))
    return 0


if __name__ == "__main__":
    sys.exit(main())
