"""Draw scenes with known cameras and lamps and keep what bears on each tube, with its truth.

    python tests/accuracy/draw_evidence.py WORK --scenes 6000 --seed 1
    python tests/accuracy/draw_evidence.py WORK --scenes 800 --seed 2 --pixels
    python tests/accuracy/draw_evidence.py WORK --folder FOLDER

Every scene is taken by one of 24 cameras under one of 24 lamps (the same for every seed, none of them
used in training), so that whole cameras and lamps can be left out afterwards. By default the fast path
gives the colours a perfect locator would measure; with --pixels the photograph is drawn, stored, and goes
through decoding, locating and measuring. --folder gathers the same from photographs with truth.json.
Each run writes one file of `DrawnTube`s into WORK; `fit_widening.py` and `limit.py` read them.
"""

from __future__ import annotations

import argparse
import json
import pickle
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from scoring import match
from train_scorer import SRGB_TO_P3, scene_evidence

from hueph.chart import Chart
from hueph.charting import calibrate_picture
from hueph.colour.srgb import srgb_to_linear_rgb
from hueph.errors import HuephError
from hueph.estimating.features import TubeEvidence, all_finite
from hueph.judging import distance_from_chart, quality_flags
from hueph.locate.strip import locate_strip
from hueph.locate.tubes import locate_tubes
from hueph.measuring import measure_strip, measure_tubes
from hueph.photo import load_photo
from hueph.reading import tube_evidence
from hueph.synthetic import (
    Scene,
    SceneMeasurements,
    draw_world,
    encode_photo,
    render_artwork,
    render_photo,
    simulate_measurements,
)
from hueph.synthetic.cameras import Camera, draw_camera
from hueph.synthetic.lights import Light, draw_light
from hueph.synthetic.surroundings import draw_illumination
from hueph.white_balance import balance_picture, choose_correction

CAMERAS, LAMPS = 24, 24
# The stream the cameras and lamps come from; training used streams 1, 2, 3 ... of whole scenes.
EQUIPMENT_SEED = 20_251
# What of a camera stays when it takes another photograph; the rest is drawn anew for each.
CAMERA_PARTS = (
    "sensitivities", "matrix_reflectances", "saturation", "contrast", "boost_on_linear", "tone_on_linear",
    "power_curve", "sharpen", "bayer", "display_p3", "vignette",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class DrawnTube:
    """One tube of one photograph: what was measured, and the truth. The estimator has not seen it yet."""

    photo: str
    camera: int
    lamps: tuple[int, ...]
    kind: str
    indicator: str
    true_ph: float  # nan: no indicator sample
    load: float
    evidence: TubeEvidence
    residual: float  # of the colour correction, CIEDE2000
    # Only where photographs were read; for judging whether a pH may be stated.
    chart: Chart | None = None
    lab: Any = None
    delta_e: float = 0.0
    flags: tuple[str, ...] = ()


def equipment() -> tuple[list[Camera], list[Light]]:
    """Return the cameras and lamps of every drawn scene."""
    rng = np.random.default_rng(EQUIPMENT_SEED)
    return [draw_camera(rng) for _ in range(CAMERAS)], [draw_light(rng) for _ in range(LAMPS)]


def draw_known_scene(
    rng: np.random.Generator, cameras: list[Camera], lamps: list[Light]
) -> tuple[Scene, int, tuple[int, ...]]:
    """Return a random scene with one of the cameras and one (or two) of the lamps."""
    scene = draw_world(rng)
    camera = int(rng.integers(len(cameras)))
    body = {name: getattr(cameras[camera], name) for name in CAMERA_PARTS}
    taken = draw_camera(rng, harsh=scene.kind == "harsh")
    light = draw_illumination(rng, mixed=scene.kind == "mixed")
    chosen = tuple(int(item) for item in rng.choice(len(lamps), len(light.lights), replace=False))
    light = replace(light, lights=tuple(lamps[item] for item in chosen))
    return replace(scene, camera=replace(taken, **body), illumination=light), camera, chosen


def main() -> None:
    """Draw and keep."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("work", type=Path)
    parser.add_argument("--scenes", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pixels", action="store_true", help="draw photographs and run the whole program")
    parser.add_argument("--folder", type=Path, help="photographs with truth.json instead of drawn scenes")
    options = parser.parse_args()
    options.work.mkdir(parents=True, exist_ok=True)
    start = time.perf_counter()
    if options.folder is not None:
        name, source = f"photos-{options.folder.name}", from_folder(options.folder)
    elif options.pixels:
        name, source = f"pixels-{options.seed}", from_pixels(options.seed, options.scenes)
    else:
        name, source = f"fast-{options.seed}", from_fast_path(options.seed, options.scenes)
    tubes = list(source)
    with (options.work / f"{name}.pkl").open("wb") as stream:
        pickle.dump(tubes, stream)
    photos = len({tube.photo for tube in tubes})
    print(f"{name}: {len(tubes)} tubes of {photos} photographs in {time.perf_counter() - start:.0f} s")


def load_tubes(path: Path) -> list[DrawnTube]:
    """Return the indicator samples of a file that this script wrote."""
    # They were pickled by a script, whose classes lie in __main__.
    sys.modules["__main__"].DrawnTube = DrawnTube  # type: ignore[attr-defined]
    with path.open("rb") as stream:
        tubes: list[DrawnTube] = pickle.load(stream)
    return [tube for tube in tubes if np.isfinite(tube.true_ph)]


def from_fast_path(seed: int, scenes: int) -> Iterator[DrawnTube]:
    """Yield the tubes of scenes measured without a pixel being drawn."""
    cameras, lamps = equipment()
    for number in range(scenes):
        rng = np.random.default_rng((seed, number))
        scene, camera, chosen = draw_known_scene(rng, cameras, lamps)
        seen = simulate_measurements(scene, rng)
        found = scene_evidence(scene, seen, rng)
        residual = residual_of(found[0][0], seen)
        for tube, (evidence, ph) in zip(scene.tubes, found, strict=True):
            yield DrawnTube(
                photo=f"fast-{seed}-{number}",
                camera=camera,
                lamps=chosen,
                kind=scene.kind,
                indicator=scene.indicator.name,
                true_ph=ph,
                load=tube.load,
                evidence=evidence,
                residual=residual,
            )


def from_pixels(seed: int, scenes: int) -> Iterator[DrawnTube]:
    """Yield the tubes of drawn photographs as the whole program finds and measures them."""
    cameras, lamps = equipment()
    with tempfile.TemporaryDirectory() as scratch:
        for number in range(scenes):
            rng = np.random.default_rng((seed, number))
            scene, camera, chosen = draw_known_scene(rng, cameras, lamps)
            picture, truth = render_photo(scene, rng)
            data = encode_photo(picture, display_p3=scene.camera.display_p3, quality=scene.camera.quality)
            photo, card = Path(scratch) / f"{seed}-{number}.jpg", Path(scratch) / "card.png"
            photo.write_bytes(data)
            Image.fromarray(render_artwork(scene)).save(card)
            try:
                chart = calibrate_picture(card, truth["chart_ph"], name=f"{seed}-{number}")
                yield from measured(photo, chart, truth, camera, chosen)
            except HuephError as error:
                print(f"{photo.name}: {error}", file=sys.stderr)
            photo.unlink()


def from_folder(folder: Path) -> Iterator[DrawnTube]:
    """Yield the tubes of photographs with known truth; every pair of shots counts as cameras 0 and 1."""
    charts: dict[str, Chart] = {}
    for scene in json.loads((folder / "truth.json").read_text(encoding="utf-8")):
        name = scene["chart"]
        if name not in charts:
            charts[name] = calibrate_picture(folder / f"chart-{name}.png", scene["chart_ph"], name=name)
        for index, shot in enumerate(scene["shots"]):
            try:
                yield from measured(folder / shot["file"], charts[name], scene, index, ())
            except HuephError as error:
                print(f"{shot['file']}: {error}", file=sys.stderr)


def measured(
    path: Path, chart: Chart, truth: dict[str, Any], camera: int, lamps: tuple[int, ...]
) -> Iterator[DrawnTube]:
    """Yield the tubes of one photograph that were found and belong to a true one."""
    photo = load_photo(path)
    strip = locate_strip(photo, chart)
    locations = locate_tubes(photo, strip)
    colours = balance_picture(photo, chart, measure_strip(photo, chart, strip))
    tubes = measure_tubes(photo, strip, chart, locations)
    shrink = np.array(truth["size"], dtype=float) / [photo.width, photo.height]
    partner = match(
        [np.array(tube["liquid"], dtype=float) for tube in truth["tubes"]],
        [photo.to_full(location.liquid) * shrink for location in locations],
    )
    every = tube_evidence(colours, tubes, locations)
    for number, (index, _) in partner.items():
        evidence, true = every[index], truth["tubes"][number]
        if not all_finite(evidence):
            continue
        yield DrawnTube(
            photo=path.name,
            camera=camera,
            lamps=lamps,
            kind=truth["kind"],
            indicator=truth["indicator"],
            true_ph=float("nan") if true["ph"] is None else float(true["ph"]),
            load=float(true.get("load", float("nan"))),
            evidence=evidence,
            residual=colours.residual_delta_e,
            chart=chart,
            lab=colours.corrected_lab(evidence.tube),
            delta_e=distance_from_chart(colours, evidence),
            flags=tuple(sorted(quality_flags(colours, locations[index], tubes[index], evidence))),
        )


def residual_of(evidence: TubeEvidence, seen: SceneMeasurements) -> float:
    """Return what a patch is off when the colour correction was fitted without it, CIEDE2000."""
    paper, to_srgb = srgb_to_linear_rgb(seen.paper_srgb), np.eye(3)
    if seen.display_p3:
        paper, to_srgb = paper @ SRGB_TO_P3.T, np.linalg.inv(SRGB_TO_P3)
    return choose_correction(evidence.patches, evidence.artwork, paper, to_srgb)[1]


if __name__ == "__main__":
    main()
