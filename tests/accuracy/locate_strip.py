"""Measure how surely the strip is found, and in the right order, on photographs with known truth.

    python tests/accuracy/locate_strip.py FOLDER [--only TEXT] [--every N] [--part NAME ...] [--drawn 60]

FOLDER holds truth.json, the photographs it names and the flat artwork chart-<name>.png of every
card. Of the truth, the program gets the name of the card; the rest only scores. Parts: plain,
wrong-chart, no-strip, mirrored, turned, cut, cropped, covered, harder, by-hand, drawn.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "locate"))
import scenes

from hueph.chart import Chart
from hueph.charting import calibrate_picture
from hueph.errors import StripNotFound
from hueph.locate.geometry import bounding_corners, fit_homography, quad_overlap
from hueph.locate.strip import locate_strip
from hueph.locate.types import StripLocation
from hueph.photo import Photo, load_photo


@dataclass(frozen=True)
class Shot:
    """One photograph with its chart and true patch corners."""

    file: str
    photo: Photo
    chart: Chart
    truth: Any
    kind: str


@dataclass
class Tally:
    """What came out in one part."""

    right: int = 0
    wrong: list[str] = field(default_factory=list)
    refused: list[tuple[str, str]] = field(default_factory=list)
    corner_px: list[float] = field(default_factory=list)
    overlap: list[float] = field(default_factory=list)
    margin: list[float] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    hidden_right: int = 0
    hidden: int = 0

    def add(
        self, name: str, photo: Photo, chart: Chart, truth: Any, corners: Any = None
    ) -> StripLocation | None:
        """Locate and score; `truth` None means that nothing may be accepted."""
        start = time.process_time()
        try:
            found = locate_strip(photo, chart, corners=corners)
        except StripNotFound as miss:
            self.seconds.append(time.process_time() - start)
            self.refused.append((name, miss.reason))
            return None
        self.seconds.append(time.process_time() - start)
        if truth is None or not well_placed(found, truth):
            self.wrong.append(name)
            return found
        self.right += 1
        self.corner_px += list(np.linalg.norm(found.patches - truth, axis=2).ravel())
        self.overlap.append(median_overlap(found, truth))
        self.margin.append(found.margin)
        return found

    def line(self, title: str) -> str:
        """One line of the table."""
        reasons = Counter(reason for _, reason in self.refused)
        text = (
            f"{title:<34} right {self.right:4d}  wrong {len(self.wrong):3d}  refused {len(self.refused):4d}"
        )
        if self.corner_px:
            text += f"  corners {np.median(self.corner_px):.2f} / {np.percentile(self.corner_px, 95):.2f} px"
            text += f"  overlap {np.median(self.overlap):.3f} (least {min(self.overlap):.3f})"
            text += f"  margin {min(self.margin):.1f}"
        text += f"  {1000 * np.median(self.seconds):.0f} ms"
        if reasons:
            text += "  " + ", ".join(f"{reason} {count}" for reason, count in reasons.most_common())
        if self.hidden:
            text += f"  hidden patches marked {self.hidden_right} of {self.hidden}"
        return text


def median_overlap(found: StripLocation, truth: Any) -> float:
    """Median intersection over union of the patches."""
    return float(np.median([quad_overlap(a, b) for a, b in zip(found.patches, truth, strict=True)]))


def well_placed(found: StripLocation, truth: Any) -> bool:
    """All centres within half a patch of the truth and the median overlap above 0.6."""
    size = np.linalg.norm(np.roll(truth, -1, axis=1) - truth, axis=2).min(axis=1)
    off = np.linalg.norm(found.patches.mean(axis=1) - truth.mean(axis=1), axis=1)
    return bool((off < 0.5 * size).all()) and median_overlap(found, truth) > 0.6


def shots_of(folder: Path, only: str | None) -> list[Shot]:
    """Load the photographs and make the charts from their artwork."""
    charts: dict[str, Chart] = {}
    shots: list[Shot] = []
    for scene in json.loads((folder / "truth.json").read_text(encoding="utf-8")):
        name = scene["chart"]
        if name not in charts:
            charts[name] = calibrate_picture(folder / f"chart-{name}.png", scene["chart_ph"], name=name)
        for shot in scene["shots"]:
            if only and only not in shot["file"]:
                continue
            photo = load_photo(folder / shot["file"])
            truth = np.array(scene["patches"]) / photo.scale
            shots.append(Shot(shot["file"], photo, charts[name], truth, scene["kind"]))
    return shots


def with_picture(photo: Photo, picture: Any) -> Photo:
    """The same photograph with other pixels."""
    return replace(
        photo, encoded=np.ascontiguousarray(picture), width=picture.shape[1], height=picture.shape[0]
    )


def moved(points: Any, matrix: Any) -> Any:
    """Points (..., 2) through an affine matrix (2, 3)."""
    return np.asarray(points) @ matrix[:, :2].T + matrix[:, 2]


def plain(shots: list[Shot]) -> Iterator[str]:
    """As they are."""
    tally = Tally()
    for shot in shots:
        tally.add(shot.file, shot.photo, shot.chart, shot.truth)
    yield tally.line("as they are")
    yield from details(tally)


def details(tally: Tally) -> Iterator[str]:
    """Name the failures."""
    if tally.wrong:
        yield f"    wrong: {', '.join(tally.wrong)}"
    if tally.refused and len(tally.refused) <= 12:
        yield "    refused: " + ", ".join(f"{name} ({reason})" for name, reason in tally.refused)


def wrong_chart(shots: list[Shot]) -> Iterator[str]:
    """Read with every other chart: another indicator, or another layout of the same one."""
    charts = {shot.chart.name: shot.chart for shot in shots}
    other_dye, other_layout, other_count = Tally(), Tally(), Tally()
    for shot in shots:
        dye = shot.chart.name.split("-")[0]
        for name, chart in charts.items():
            if name == shot.chart.name:
                continue
            label = f"{shot.file} with {name}"
            if name.split("-")[0] != dye:
                other_dye.add(label, shot.photo, chart, None)
            elif len(chart.patches) != len(shot.chart.patches):
                other_count.add(label, shot.photo, chart, None)
            else:
                other_layout.add(label, shot.photo, chart, None)
    for tally, title in (
        (other_dye, "chart of another indicator"),
        (other_count, "same indicator, other count"),
        (other_layout, "same indicator and count, other layout"),
    ):
        if tally.seconds:
            yield tally.line(title)
            yield from details(tally)


def no_strip(shots: list[Shot]) -> Iterator[str]:
    """The part of each photograph below the card, and beside it."""
    tally = Tally()
    for shot in shots:
        picture = shot.photo.encoded.copy()
        low, high = shot.truth.reshape(-1, 2).min(axis=0), shot.truth.reshape(-1, 2).max(axis=0)
        pad = 0.35 * (high - low) + 25
        x0, y0 = np.maximum(low - pad, 0).astype(int)
        x1, y1 = (high + pad).astype(int)
        mask = np.zeros(picture.shape[:2], np.uint8)
        mask[y0:y1, x0:x1] = 255
        small = cv2.resize(picture, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        hole = cv2.resize(mask, (small.shape[1], small.shape[0]), interpolation=cv2.INTER_NEAREST)
        filled = cv2.resize(
            cv2.inpaint(small, hole, 3, cv2.INPAINT_TELEA), (picture.shape[1], picture.shape[0])
        )
        picture[mask > 0] = filled[mask > 0]
        tally.add(shot.file, with_picture(shot.photo, picture), shot.chart, None)
    yield tally.line("card painted over")
    yield from details(tally)


def mirrored(shots: list[Shot]) -> Iterator[str]:
    """Left and right swapped: must be refused, or at least not taken in a wrong order."""
    tally, misread = Tally(), Tally()
    for shot in shots:
        flipped = shot.photo.encoded[:, ::-1]
        truth = shot.truth.copy()
        truth[..., 0] = flipped.shape[1] - 1 - truth[..., 0]
        found = tally.add(shot.file, with_picture(shot.photo, flipped), shot.chart, None)
        if found is not None:
            size = np.linalg.norm(truth[:, 1] - truth[:, 0], axis=1)
            off = np.linalg.norm(found.patches.mean(axis=1) - truth.mean(axis=1), axis=1)
            misread.right += bool((off < 0.5 * size).all())
            if (off >= 0.5 * size).any():
                misread.wrong.append(shot.file)
    yield tally.line("mirrored")
    yield from details(tally)
    yield f"    of the accepted, patches in right order {misread.right}, in wrong order {len(misread.wrong)}"


def turned(shots: list[Shot]) -> Iterator[str]:
    """Quarter turns, and two oblique turns."""
    for turn in (90, 180, 270, 17, 133, 248):
        tally = Tally()
        for shot in shots:
            high, wide = shot.photo.encoded.shape[:2]
            matrix = cv2.getRotationMatrix2D(((wide - 1) / 2, (high - 1) / 2), turn, 1.0)
            box = np.abs(matrix[:, :2]) @ [wide, high]
            size = (round(box[0]), round(box[1]))
            matrix[:, 2] += [(size[0] - wide) / 2, (size[1] - high) / 2]
            picture = cv2.warpAffine(
                shot.photo.encoded, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )
            tally.add(shot.file, with_picture(shot.photo, picture), shot.chart, moved(shot.truth, matrix))
        yield tally.line(f"turned by {turn} degrees")
        yield from details(tally)


def cut(shots: list[Shot]) -> Iterator[str]:
    """The picture ends inside the strip, from either end."""
    for share in (0.12, 0.25, 0.5):
        for end in ("first", "last"):
            tally = Tally()
            for shot in shots:
                points = shot.truth.reshape(-1, 2)
                low, high = points.min(axis=0), points.max(axis=0)
                axis = 0 if high[0] - low[0] >= high[1] - low[1] else 1
                at = int(low[axis] + share * (high[axis] - low[axis]))
                if end == "last":
                    at = int(high[axis] - share * (high[axis] - low[axis]))
                kept = [slice(None), slice(None)]
                kept[1 - axis] = slice(at, None) if end == "first" else slice(0, at)
                picture = shot.photo.encoded[tuple(kept)]
                shift = np.zeros(2)
                shift[axis] = at if end == "first" else 0
                tally.add(shot.file, with_picture(shot.photo, picture), shot.chart, shot.truth - shift)
            yield tally.line(f"cut off by {share:.0%} at the {end} end")
            yield from details(tally)


def cropped(shots: list[Shot]) -> Iterator[str]:
    """The picture ends a share of a patch beside the patches: above them, to the left, or all round."""
    for share in (0.15, 0.08, 0.03):
        for name, around in (
            ("above", (0, 1, 0, 0)),
            ("on the left", (1, 0, 0, 0)),
            ("all round", (1, 1, 1, 1)),
        ):
            tally = Tally()
            for shot in shots:
                height, width = shot.photo.encoded.shape[:2]
                points = shot.truth.reshape(-1, 2)
                sides = np.linalg.norm(shot.truth - np.roll(shot.truth, 1, axis=1), axis=2).min(axis=1)
                paper = share * float(np.median(sides))
                near = np.concatenate([points.min(axis=0) - paper, np.ceil(points.max(axis=0) + paper)])
                x0, y0, x1, y1 = np.where(around, near, [0, 0, width, height]).astype(int)
                picture = shot.photo.encoded[max(y0, 0) : y1, max(x0, 0) : x1]
                shift = np.maximum([x0, y0], 0)
                tally.add(shot.file, with_picture(shot.photo, picture), shot.chart, shot.truth - shift)
            yield tally.line(f"{share:.0%} of a patch of paper {name}")
            yield from details(tally)


def cover(picture: Any, patches: Any, along: Any, what: str) -> Any:
    """Lay a finger, a pen or a reflection over neighbouring patches (k, 4, 2) of a line `along`."""
    short = float(np.linalg.norm(np.roll(patches[0], -1, axis=0) - patches[0], axis=1).min())
    first, last = patches[0].mean(axis=0), patches[-1].mean(axis=0)
    along = along / np.linalg.norm(along)
    across = np.array([-along[1], along[0]])
    points = patches.reshape(-1, 2) - (first + last) / 2
    wide, high = np.ptp(points @ along), np.ptp(points @ across)
    middle = (first + last) / 2
    blob = np.zeros(picture.shape[:2], np.float32)
    if what == "glare":
        size = (round(0.62 * wide + 0.1 * short), round(0.62 * high + 0.1 * short))
        turn = float(np.degrees(np.arctan2(along[1], along[0])))
        cv2.ellipse(blob, tuple(int(v) for v in middle), size, turn, 0, 360, 1.0, -1)
        blob, colour, soft = np.clip(blob * 1.2, 0, 1), (255, 255, 255), 0.15 * short
    else:
        colour, soft = ((196, 148, 122), 0.06 * short) if what == "finger" else ((40, 38, 42), 1.0)
        lean = across + 0.15 * along
        ends = [middle - 0.35 * high * lean, middle + (0.7 * high + 4 * short) * lean]
        cv2.line(blob, *(tuple(int(v) for v in end) for end in ends), 1.0, max(3, round(1.15 * wide)))
    blob = np.clip(cv2.GaussianBlur(blob, (0, 0), soft), 0, 1)[..., None]
    return (picture * (1 - blob) + blob * np.array(colour)).astype(np.uint8)


def covered(shots: list[Shot]) -> Iterator[str]:
    """One to three neighbouring patches under a finger, a pen, a reflection."""
    rng = np.random.default_rng(5)
    for count in (1, 2, 3):
        for what in ("finger", "pen", "glare"):
            tally = Tally()
            for shot in shots:
                first = int(rng.integers(0, len(shot.truth) - count + 1))
                hidden = list(range(first, first + count))
                picture = cover(
                    shot.photo.encoded, shot.truth[hidden], (shot.truth[1] - shot.truth[0]).mean(axis=0), what
                )
                found = tally.add(shot.file, with_picture(shot.photo, picture), shot.chart, shot.truth)
                if found is not None:
                    tally.hidden += count
                    tally.hidden_right += sum(not found.seen[k] for k in hidden)
            yield tally.line(f"{count} covered, {what}")
            yield from details(tally)


def harder(shots: list[Shot]) -> Iterator[str]:
    """Blur, darker, brighter, smaller, noisier, stronger compression."""

    def blurred(sigma: float) -> Callable[[Any], Any]:
        return lambda picture: cv2.GaussianBlur(picture, (0, 0), sigma)

    def lit(factor: float) -> Callable[[Any], Any]:
        table = np.clip(255 * (np.arange(256) / 255) * factor, 0, 255).astype(np.uint8)
        return lambda picture: cv2.LUT(picture, table)

    def tinted(*gains: float) -> Callable[[Any], Any]:
        return lambda picture: np.clip(picture * np.array(gains), 0, 255).astype(np.uint8)

    def packed(quality: int) -> Callable[[Any], Any]:
        return lambda picture: cv2.imdecode(
            cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_COLOR
        )

    changes: dict[str, Callable[[Any], Any]] = {
        "blur 2 px": blurred(2.0),
        "blur 4 px": blurred(4.0),
        "blur 8 px": blurred(8.0),
        "half as bright (code)": lit(0.5),
        "30 % brighter (code)": lit(1.3),
        "orange light": tinted(1.0, 0.8, 0.55),
        "blue light": tinted(0.65, 0.85, 1.0),
        "JPEG quality 20": packed(20),
    }
    for title, change in changes.items():
        tally = Tally()
        for shot in shots:
            tally.add(shot.file, with_picture(shot.photo, change(shot.photo.encoded)), shot.chart, shot.truth)
        yield tally.line(title)
        yield from details(tally)
    for factor in (2, 3, 4, 6):
        tally = Tally()
        for shot in shots:
            small = cv2.resize(
                shot.photo.encoded, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA
            )
            truth = (shot.truth + 0.5) / factor - 0.5
            tally.add(shot.file, with_picture(shot.photo, small), shot.chart, truth)
        yield tally.line(f"{factor} times smaller")
        yield from details(tally)


def by_hand(shots: list[Shot]) -> Iterator[str]:
    """Four corner points with an error of a fifth of a patch; then given a half turn wrong."""
    rng = np.random.default_rng(3)
    tally, turned_round = Tally(), Tally()
    for shot in shots:
        card = shot.chart.corners
        pose = fit_homography(card.reshape(-1, 2), shot.truth.reshape(-1, 2))
        box = bounding_corners(card) @ pose[:, :2].T + pose[:, 2]
        points = box[:, :2] / box[:, 2:]
        size = float(np.linalg.norm(np.roll(shot.truth[0], -1, axis=0) - shot.truth[0], axis=1).min())
        rough = points + rng.uniform(-0.2, 0.2, (4, 2)) * size
        tally.add(shot.file, shot.photo, shot.chart, shot.truth, rough)
        turned_round.add(shot.file, shot.photo, shot.chart, None, np.roll(rough, 2, axis=0))
    yield tally.line("corners by hand, off by 0.2 patch")
    yield from details(tally)
    yield turned_round.line("corners by hand, upside down")
    yield from details(turned_round)


def drawn(count: int, grounds: list[Shot]) -> Iterator[str]:
    """Invented cards of other layouts, drawn into drawn pictures and into photographs."""
    for title, pictures in (("drawn cards, drawn pictures", []), ("drawn cards in photographs", grounds)):
        tally = Tally()
        for seed in range(count):
            rng = np.random.default_rng(1000 + seed)
            ground = pictures[seed % len(pictures)].photo.encoded if pictures else None
            size = (ground.shape[1], ground.shape[0]) if ground is not None else (1600, 1200)
            scene = scenes.random_scene(rng, size=size, ground=ground)
            tally.add(f"seed {1000 + seed}", scene.photo, scene.chart, scene.patches)
        yield tally.line(title)
        yield from details(tally)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", help="part of a file name")
    parser.add_argument("--every", type=int, default=1, help="only every so-manyth photograph")
    parser.add_argument("--part", action="append", help="one part (repeatable)")
    parser.add_argument("--drawn", type=int, default=60, help="how many drawn cards")
    options = parser.parse_args()
    shots = shots_of(options.folder, options.only)[:: options.every]
    parts: dict[str, Callable[[], Iterator[str]]] = {
        "plain": lambda: plain(shots),
        "wrong-chart": lambda: wrong_chart(shots),
        "no-strip": lambda: no_strip(shots),
        "mirrored": lambda: mirrored(shots),
        "turned": lambda: turned(shots),
        "cut": lambda: cut(shots),
        "cropped": lambda: cropped(shots),
        "covered": lambda: covered(shots),
        "harder": lambda: harder(shots),
        "by-hand": lambda: by_hand(shots),
        "drawn": lambda: drawn(options.drawn, shots),
    }
    cv2.setNumThreads(1)
    for name, part in parts.items():
        if options.part is None or name in options.part:
            for line in part():
                print(line, flush=True)


if __name__ == "__main__":
    main()
