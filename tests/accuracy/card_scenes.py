"""Photographs of tubes before a printed card of our own, through the whole program, beside a plain strip.

    python tests/accuracy/card_scenes.py --scenes 40 --seed 5 [--write] [--keep FOLDER]

Every scene is drawn twice with the same tubes, lamps and camera: with a plain strip where there is room, and
with the card of `hueph card` standing behind the tubes on the bench (markers, greys, colours and lettering drawn
through the same light and camera). Chart files hold the colours of the prints as a good scan gives them.
"""

from __future__ import annotations

import argparse
import math
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from card_gain import SCAN_STD, own_card
from PIL import Image
from scoring import exact_limits, match
from tables import markdown, put_between

from hueph.cards import plan_card
from hueph.cards.page import BLACK, Box, Page
from hueph.cards.write import FORMATS
from hueph.chart import Chart, Patch
from hueph.colour.lab import xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_xyz
from hueph.errors import HuephError
from hueph.photo import load_photo
from hueph.reading import read_photo
from hueph.synthetic import Scene, draw_world, encode_photo
from hueph.synthetic.card import reflectance_to_linear_srgb
from hueph.synthetic.layout import outline, patch_corners, project
from hueph.synthetic.paint import extent, paint_scene, paint_shelf, paint_wall
from hueph.synthetic.paint_tubes import liquid_corners, paint_caustic, paint_tube, shade_wall
from hueph.synthetic.palette import Palette, light_maps, polygon
from hueph.synthetic.shoot import shoot

MARKER = "card-scenes"
KINDS = {"mixed": "two lamps", "sheet": "one lamp, uneven", "harsh": "badly exposed, noisy, blurred"}
SIZE = (1600, 1200)
CARD_SHARE = 0.94  # of the picture's width
INK = 0.04  # reflectance of black print
WHITE = (255, 255, 255)


@dataclass
class Tally:
    """What became of the tubes of one kind of light with one kind of card."""

    photos: int = 0
    strips: int = 0
    tubes: int = 0
    found: int = 0
    false: int = 0
    errors: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)


def main() -> None:
    """Run as a script."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--scenes", type=int, default=40, help="of each kind of light")
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument(
        "--keep", type=Path, help="folder for the photographs of the first scene of each kind"
    )
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    options = parser.parse_args()
    rows = []
    for kind, words in KINDS.items():
        strip, card = Tally(), Tally()
        for number in range(options.scenes):
            seed = (options.seed, len(rows), number)
            keep = options.keep / f"{kind}-card.jpg" if options.keep is not None and number == 0 else None
            compare(seed, kind, strip, card, keep)
        rows += [row(words, "plain strip", strip), row(words, "own card", card)]
    head = ["light", "with", "photographs", "strip found", "tubes found", "false", "tubes on the card", "RMSE of the median",
            "median abs. error", "in 95 % range", "median width"]  # fmt: skip
    text = markdown(head, rows)
    print(text)
    if options.write:
        put_between(Path(__file__).parents[2] / "DEVELOPERS.md", MARKER, text)


def row(light: str, name: str, tally: Tally) -> list[str]:
    """One line of the table."""
    errors, hits, count = np.array(tally.errors), sum(tally.inside), len(tally.inside)
    low, high = exact_limits(hits, count)
    covered = f"{100 * hits / count:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"
    located = [str(tally.photos), str(tally.strips), f"{tally.found} of {tally.tubes}", str(tally.false)]
    figures = [np.sqrt(np.mean(errors**2)), np.median(np.abs(errors)), np.median(tally.widths)]
    rms, middle, width = (f"{value:.2f}" for value in figures)
    return [light, name, *located, str(count), rms, middle, covered, width]


def compare(seed: tuple[int, ...], kind: str, strip: Tally, card: Tally, keep: Path | None) -> None:
    """Draw and read one scene both ways."""
    rng = np.random.default_rng((*seed, 0))
    world = draw_world(rng, kind=kind, size=SIZE, tube_count=int(rng.integers(2, 5)))
    world = replace(world, tubes=tuple(smaller(tube, world) for tube in world.tubes), backing_name="white")
    behind, _ = own_card(world, np.random.default_rng((*seed, 1)))
    count = len(world.card.ph)
    behind = replace(behind, card_to_picture=standing(world, behind))
    inks = replace(world.card, reflectance=behind.card.reflectance[:count], paper=behind.card.paper)
    beside = replace(world, card=inks)
    scan = np.random.default_rng((*seed, 2))
    labs = as_scanned(behind.card.reflectance, scan)
    paper = as_scanned(behind.card.paper[None], scan)[0]
    plain = paint_scene(beside, np.random.default_rng((*seed, 3)))
    read(beside, plain, strip_chart(beside, labs[:count], paper), strip, seed, None)
    chart, print_ = printed_card(world, labs, paper)
    painted = paint_before_card(behind, print_, np.random.default_rng((*seed, 3)))
    read(behind, painted, chart, card, seed, keep)


def smaller(tube: Any, world: Scene) -> Any:
    """The same tube as wide as a 16 mm tube is before a card that fills the picture."""
    width = 16.0 * CARD_SHARE * SIZE[0] / 297.0
    # Farther from the camera, all of the row draws together about the middle.
    ratio = width / tube.width_px
    old = float(tube.position[1]) * SIZE[1] + 0.5 * tube.fill * tube.width_px
    y = old - 0.5 * tube.fill * width
    x = (0.5 + (float(tube.position[0]) - 0.5) * min(1.0, max(ratio, 0.7))) * SIZE[0]
    return replace(tube, width_px=width, position=np.array([x / SIZE[0], y / SIZE[1]]))


def standing(world: Scene, behind: Scene) -> Any:
    """Homography of the card standing where the tubes stand, turned by a degree or so."""
    bottoms = [tube.bottom_px(SIZE) for tube in world.tubes]
    scale = CARD_SHARE * SIZE[0] / behind.card.layout.size[0]
    left = 0.5 * (1 - CARD_SHARE) * SIZE[0]
    top = min(float(np.median(bottoms)) - scale * behind.card.layout.size[1], 0.05 * SIZE[1])
    return np.array([[scale, 0, left], [0, scale, max(top, 4.0)], [0, 0, 1.0]])


def as_scanned(reflectance: Any, rng: np.random.Generator) -> Any:
    """CIELAB of prints as a good scan gives it."""
    lab = xyz_to_lab(linear_rgb_to_xyz(np.maximum(reflectance_to_linear_srgb(reflectance), 1e-5)))
    return lab + rng.normal(0, SCAN_STD, lab.shape)


def triple(values: Any) -> tuple[float, float, float]:
    """Three plain numbers."""
    return float(values[0]), float(values[1]), float(values[2])


def strip_chart(scene: Scene, labs: Any, paper: Any) -> Chart:
    """Chart file of the plain strip."""
    patches = tuple(
        Patch(float(ph), triple(lab), 1.5, tuple((float(x), float(y)) for x, y in quad))
        for ph, lab, quad in zip(scene.card.ph, labs, patch_corners(scene.card.layout) * 60.0, strict=True)
    )
    wide, high = scene.card.layout.size
    return Chart("strip", patches, triple(paper), (60.0 * wide, 60.0 * high))


def printed_card(world: Scene, labs: Any, paper: Any) -> tuple[Chart, tuple[Any, Any]]:
    """Chart file of the printed card, and how much of each spot is black print and is left blank in a patch.

    Both maps have 10 pixels per millimetre.
    """
    square = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    linear = xyz_to_lab(linear_rgb_to_xyz(np.maximum(world.card.artwork_srgb, 0.0) ** 2.2))
    printed = tuple(
        Patch(float(ph), triple(lab), 1.0, square) for ph, lab in zip(world.card.ph, linear, strict=True)
    )
    drawn = Chart(world.indicator.name, printed, (94.0, 0.0, 0.0), (1.0, 1.0))
    plan = plan_card(drawn)
    count = len(drawn.patches)
    patches = tuple(
        replace(p, lab=triple(lab), delta_e_std=1.5) for p, lab in zip(plan.chart.patches, labs, strict=False)
    )
    references = tuple(
        replace(r, lab=triple(lab), delta_e_std=1.5)
        for r, lab in zip(plan.chart.references, labs[count:], strict=True)
    )
    chart = replace(plan.chart, patches=patches, references=references, paper_lab=triple(paper))
    black, blank = [], []
    for shape in plan.page.shapes:
        if isinstance(shape, Box):
            if (
                max(shape.fill) == 0 or min(shape.fill) == 255
            ):  # the markers; patches, greys and colours are inks
                black.append(shape)
        elif shape.colour == WHITE:  # the pH on a dark patch
            blank.append(replace(shape, colour=BLACK))
        else:
            black.append(shape)
    return chart, (coverage(plan.page, black), coverage(plan.page, blank))


def coverage(page: Page, shapes: list[Any]) -> Any:
    """How much of each spot of a page these shapes cover with black, 0 to 1, 10 pixels per millimetre."""
    drawn = FORMATS[".png"](replace(page, shapes=shapes))
    flat = cv2.imdecode(np.frombuffer(drawn, np.uint8), cv2.IMREAD_GRAYSCALE)
    ink = 1.0 - flat.astype(np.float32) / 255.0
    size = (round(10 * page.width), round(10 * page.height))
    return cv2.resize(ink, size, interpolation=cv2.INTER_AREA)


def paint_before_card(scene: Scene, print_: tuple[Any, Any], rng: np.random.Generator) -> Any:
    """Paint wall, card (its inks, its print), shelf, then the tubes before them; raw channels."""
    palette = Palette(scene, light_maps(scene))
    picture = paint_wall(palette, rng)
    homography = scene.card_to_picture
    surfaces = [(polygon(SIZE, project(homography, outline(scene.card.layout))), scene.card.paper)]
    corners = project(homography, patch_corners(scene.card.layout))
    surfaces += [(polygon(SIZE, quad), r) for quad, r in zip(corners, scene.card.reflectance, strict=True)]
    to_picture = homography @ np.diag([0.01, 0.01, 1.0])  # 100 pixels per centimetre
    for covered, reflectance in zip(
        print_, (np.full_like(scene.card.paper, INK), scene.card.paper), strict=True
    ):
        smooth = cv2.GaussianBlur(covered, (0, 0), 0.5 * 100.0 / float(homography[0, 0]))
        shown = cv2.warpPerspective(smooth, to_picture, SIZE, flags=cv2.INTER_LINEAR)
        surfaces.append((shown.astype(np.float32), reflectance))
    for mask, reflectance in surfaces:
        rows, cols = extent(mask)
        painted = palette.lit(palette.raw(reflectance), rows, cols)
        picture[rows, cols] += mask[rows, cols, None] * (painted - picture[rows, cols])
    for index in range(len(scene.tubes)):
        shade_wall(palette, picture, index)
    paint_shelf(palette, picture, rng)
    for paint in (paint_caustic, paint_tube):
        for index in range(len(scene.tubes)):
            paint(palette, picture, index, rng)
    white = np.ones_like(scene.shelf)
    picture *= (palette.raw(scene.tint()).sum(axis=0) / palette.raw(white).sum(axis=0)).astype(np.float32)
    return picture


def read(
    scene: Scene, radiance: Any, chart: Chart, tally: Tally, seed: tuple[int, ...], keep: Path | None
) -> None:
    """Take the photograph, read it, and add to the tally."""
    picture = shoot(scene, radiance, np.random.default_rng((*seed, 4)))
    data = encode_photo(picture, display_p3=scene.camera.display_p3, quality=scene.camera.quality)
    if keep is not None:
        keep.parent.mkdir(parents=True, exist_ok=True)
        Image.fromarray(picture).save(keep, quality=85)
    tally.photos += 1
    tally.tubes += len(scene.tubes)
    try:
        with tempfile.TemporaryDirectory() as scratch:
            file = Path(scratch) / "scene.jpg"
            file.write_bytes(data)
            result = read_photo(load_photo(file), chart)
    except HuephError:
        return
    tally.strips += bool(result.patches)
    found = [np.array(reading.liquid, dtype=float) for reading in result.tubes]
    partner = match([np.array(liquid_corners(scene, tube), dtype=float) for tube in scene.tubes], found)
    tally.found += len(partner)
    tally.false += len(found) - len(partner)
    low, high = float(chart.ph[0]), float(chart.ph[-1])
    for number, (index, _) in partner.items():
        reading, ph = result.tubes[index], scene.tubes[number].ph
        if ph is None or not low <= ph <= high or reading.interval is None or not len(reading.grid):
            continue
        share = np.cumsum(reading.posterior) / np.sum(reading.posterior)
        quantile = np.interp([0.025, 0.5, 0.975], share, reading.grid)
        tally.errors.append(float(quantile[1] - ph))
        tally.widths.append(float(quantile[2] - quantile[0]))
        bottom = -math.inf if reading.interval.low is None else reading.interval.low
        top = math.inf if reading.interval.high is None else reading.interval.high
        tally.inside.append(bottom <= ph <= top)


if __name__ == "__main__":
    main()
