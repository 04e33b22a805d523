"""Read photographs of known truth again after altering them: another size, roll, balance, contrast, noise ...

    python tests/accuracy/altered_photos.py FOLDER [--jobs 2] [--only NAME ...] [--write]

FOLDER as for run_photos.py. Each photograph is turned upright, altered as another phone, another place of the
camera or another program would have it, and stored as a JPEG of quality 93 with the profile it had; truth
follows where corners move. These are no new scenes: what is asked is whether anything is lost, and whether ranges
still hold. Altered light, contrast and colour act on strip and tubes alike, as a camera's would.
With --write the table goes into DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import copy
import io
import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tables
from PIL import Image, ImageOps
from run_photos import DEVELOPERS, lost, make_charts
from scoring import PhotoScore, exact_limits, score_photo, summarise

from hueph._types import AnyArray, FloatArray
from hueph._workers import map_ordered
from hueph.batch import read_photos
from hueph.chart import Chart
from hueph.colour.srgb import linear_rgb_to_srgb, srgb_to_linear_rgb
from hueph.results import PhotoReadings

QUALITY = 93
Altered = tuple[AnyArray, FloatArray]
Alteration = Callable[[AnyArray], Altered]
Task = tuple[Path, Chart, str, dict[str, Any]]


@dataclass(frozen=True)
class Outcome:
    """One altered photograph: what was read, and the truth moved along."""

    scene: dict[str, Any]
    readings: PhotoReadings


def scaled(factor: float) -> Alteration:
    """Another number of pixels."""

    def alter(picture: AnyArray) -> Altered:
        how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
        return cv2.resize(picture, None, fx=factor, fy=factor, interpolation=how), np.diag(
            [factor, factor, 1.0]
        )

    return alter


def rolled(degrees: float) -> Alteration:
    """A camera rolled about its axis; the corners are filled with the picture's edge."""

    def alter(picture: AnyArray) -> Altered:
        height, width = picture.shape[:2]
        turn = cv2.getRotationMatrix2D((width / 2, height / 2), degrees, 1.0)
        return _warped(picture, np.vstack([turn, [0.0, 0.0, 1.0]]))

    return alter


def aslant(share: float) -> Alteration:
    """A camera further to the side: the left edge is shorter by twice this share."""

    def alter(picture: AnyArray) -> Altered:
        height, width = picture.shape[:2]
        corners = np.array([(0, 0), (width, 0), (width, height), (0, height)], dtype=np.float32)
        moved = corners + np.array(
            [(0, share * height), (0, 0), (0, 0), (0, -share * height)], dtype=np.float32
        )
        return _warped(picture, cv2.getPerspectiveTransform(corners, moved))

    return alter


def _warped(picture: AnyArray, matrix: AnyArray) -> Altered:
    height, width = picture.shape[:2]
    moved = cv2.warpPerspective(
        picture, matrix, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return moved, np.asarray(matrix, dtype=np.float64)


def relit(change: Callable[[FloatArray], FloatArray]) -> Alteration:
    """Another light or processing: `change` acts on linear light (h, w, 3), white 1."""

    def alter(picture: AnyArray) -> Altered:
        light = change(srgb_to_linear_rgb(picture / 255.0))
        return _codes(255.0 * linear_rgb_to_srgb(np.clip(light, 0.0, 1.0))), np.eye(3)

    return alter


def _codes(values: FloatArray) -> AnyArray:
    return np.clip(np.round(values), 0, 255).astype(np.uint8)


def _saturated(factor: float) -> Callable[[FloatArray], FloatArray]:
    def change(light: FloatArray) -> FloatArray:
        grey = light.mean(axis=-1, keepdims=True)
        return np.asarray(grey + factor * (light - grey))

    return change


def _falling(left: FloatArray, right: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """Light of one strength (3,) at the left edge and another at the right."""

    def change(light: FloatArray) -> FloatArray:
        across = np.linspace(0.0, 1.0, light.shape[1])[:, None]
        return np.asarray(light * ((1.0 - across) * left + across * right))

    return change


def blurred(std_px: float) -> Alteration:
    """Out of focus."""
    return lambda picture: (cv2.GaussianBlur(picture, (0, 0), std_px), np.eye(3))


def noisy(std: float) -> Alteration:
    """Noise of so many codes."""

    def alter(picture: AnyArray) -> Altered:
        return _codes(picture + np.random.default_rng(1).normal(0.0, std, picture.shape)), np.eye(3)

    return alter


def compressed(quality: int) -> Alteration:
    """Stored once more, by a messenger."""

    def alter(picture: AnyArray) -> Altered:
        _, packed = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        return np.ascontiguousarray(cv2.imdecode(packed, cv2.IMREAD_COLOR)[..., ::-1]), np.eye(3)

    return alter


CROSSTALK = np.array([[0.85, 0.12, 0.03], [0.05, 0.85, 0.10], [0.02, 0.16, 0.82]])
ALTERATIONS: dict[str, Alteration] = {
    "as it is": lambda picture: (picture, np.eye(3)),
    "0.6 times the pixels a side": scaled(0.6),
    "1.7 times the pixels a side": scaled(1.7),
    "rolled by 8 degrees": rolled(8.0),
    "rolled by -15 degrees": rolled(-15.0),
    "aslant: left edge 24 % shorter": aslant(0.12),
    "warmer: red x 1.3, blue x 0.7": relit(lambda light: light * [1.3, 1.0, 0.7]),
    "cooler: red x 0.75, blue x 1.25": relit(lambda light: light * [0.75, 1.0, 1.25]),
    "light x 0.45": relit(lambda light: light * 0.45),
    "light x 1.25, clipping": relit(lambda light: light * 1.25),
    "light falls to half across": relit(_falling(np.ones(3), np.full(3, 0.5))),
    "light warm left, cool right": relit(_falling(np.array([1.1, 1.0, 0.85]), np.array([0.9, 1.0, 1.15]))),
    "more contrast: exponent 1.2": relit(lambda light: np.maximum(light, 0.0) ** 1.2),
    "less contrast: exponent 0.85": relit(lambda light: np.maximum(light, 0.0) ** 0.85),
    "more colour: saturation 1.35": relit(_saturated(1.35)),
    "less colour: saturation 0.75": relit(_saturated(0.75)),
    "channels mixed by up to 16 %": relit(lambda light: light @ CROSSTALK.T),
    "blurred by 2 pixels (std)": blurred(2.0),
    "noise of 8 codes": noisy(8.0),
    "JPEG of quality 35": compressed(35),
}


def main() -> None:
    """Alter, read, score, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=1, help="worker processes")
    parser.add_argument("--only", nargs="*", help="begins of the names of alterations")
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    options = parser.parse_args()
    scenes = json.loads((options.folder / "truth.json").read_text(encoding="utf-8"))
    charts = make_charts(options.folder, scenes)
    rows = []
    for name in ALTERATIONS:
        if options.only and not any(name.startswith(begin) for begin in options.only):
            continue
        tasks: list[Task] = [
            (options.folder / shot["file"], charts[scene["chart"]], name, scene)
            for scene in scenes
            for shot in scene["shots"]
        ]
        outcomes = map_ordered(alter_and_read, tasks, jobs=options.jobs, crashed=crashed)
        scores = [
            score_photo(outcome.scene, str(task[0]), outcome.readings, 0.0)
            for task, outcome in zip(tasks, outcomes, strict=True)
        ]
        rows.append(row(name, scores))
        print(" | ".join(rows[-1]), flush=True)
    if options.write:
        tables.put_between(DEVELOPERS, "altered", tables.markdown(HEAD, rows))


def alter_and_read(task: Task) -> Outcome:
    """Alter one photograph and read it."""
    path, chart, name, scene = task
    with Image.open(path) as stored:
        profile = stored.info.get("icc_profile")
        upright = np.asarray(ImageOps.exif_transpose(stored).convert("RGB"))
    picture, matrix = ALTERATIONS[name](upright)
    packed = io.BytesIO()
    Image.fromarray(picture).save(packed, "JPEG", quality=QUALITY, icc_profile=profile)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / path.with_suffix(".jpg").name
        file.write_bytes(packed.getvalue())
        (readings,) = read_photos([file], chart)
    return Outcome(moved_truth(scene, matrix, (picture.shape[1], picture.shape[0])), readings)


def moved_truth(scene: dict[str, Any], matrix: FloatArray, size: tuple[int, int]) -> dict[str, Any]:
    """Return a scene whose corners are where `matrix` (3, 3) takes them."""
    moved = copy.deepcopy(scene)
    moved["size"] = list(size)
    moved["patches"] = [_moved(patch, matrix) for patch in scene["patches"]]
    for tube in moved["tubes"]:
        tube["liquid"] = _moved(tube["liquid"], matrix)
    return moved


def _moved(corners: Any, matrix: FloatArray) -> Any:
    points = np.asarray(corners, dtype=np.float64)[None]
    return cv2.perspectiveTransform(points, matrix)[0].tolist()


def crashed(task: Task) -> Outcome:
    """Stand in for a photograph whose worker process died."""
    path, chart, _, scene = task
    return Outcome(scene, lost(str(path), chart))


HEAD = (
    "alteration",
    "strips right",
    "order wrong",
    "tubes found",
    "false",
    "with pH",
    "RMSE on the card",
    "median abs. error",
    "bias",
    "in 95 % range",
    "exact limits",
    "median width",
    "beyond card: one-sided",
    "not samples: given pH",
)


def row(name: str, scores: list[PhotoScore]) -> list[str]:
    """Return the figures of one alteration."""
    found = summarise([tube for score in scores for tube in score.tubes])
    low, high = exact_limits(found.hits, found.ranges)
    strips = [score.strip for score in scores]
    return [
        name,
        f"{strips.count('right')}/{len(strips)}",
        str(strips.count("wrong")),
        f"{found.located}/{found.tubes}",
        str(sum(len(score.false_tubes) for score in scores)),
        str(found.stated),
        tables.number(found.rmse_on_card, 3),
        tables.number(found.median_error, 3),
        tables.number(found.bias, 3),
        f"{found.hits}/{found.ranges} = {100 * found.hits / max(found.ranges, 1):.1f} %",
        f"{100 * low:.0f} to {100 * high:.0f} %",
        tables.number(found.width),
        f"{found.beyond_one_sided}/{found.beyond}",
        f"{found.other_stated}/{found.other}",
    ]


if __name__ == "__main__":
    main()
