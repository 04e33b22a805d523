"""Path-trace photographs with known truth into a folder that the accuracy scripts read.

    python tests/accuracy/path_trace.py FOLDER --scenes 40 --seed 902 [--shots 2] [--width 1600]
    python tests/accuracy/path_trace.py FOLDER --workshops 12 --seed 905 [--width 1600]

Writes truth.json, one flat artwork chart-<name>.png per card, and --shots photographs of each scene,
each by another camera from the same place. The same seed draws the same scenes; scenes that truth.json
in the folder already holds are kept, so that an interrupted run goes on. With --workshops, one phone
photographs each workshop five times, two pictures of standards and three of samples
(`traced_workshop.py` says what stays and what changes); every picture is an entry of truth.json, with
"workshop" (its number) and "role" ("standards" or "samples") beside what entries have otherwise.

Dyes, samples, printed card, lamps' spectra and the cameras are those of `hueph.synthetic`; only how
the picture comes about is another thing: real glass, liquid, meniscus, shadows and coloured caustics in
three dimensions (`traced_world.py` stands them up, `traced_light.py` carries the light and says how).
Needs the package mitsuba, which hueph and its tests do without, and an LLVM library of version 16 or
newer (15 fails on processors with AVX-512); DRJIT_LIBLLVM_PATH names it if it is not found.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from render_folder import ORIENTATIONS, with_other_camera
from traced_light import Tracer
from traced_paths import NODES_NM, mitsuba
from traced_workshop import INDICATORS, ROLES, draw_ph, draw_picture, draw_workshop
from traced_world import Setting, draw_setting, kind_of

from hueph._types import Float32Array, FloatArray
from hueph.synthetic import Scene, encode_photo, render_artwork
from hueph.synthetic.lights import Light
from hueph.synthetic.render import scene_truth
from hueph.synthetic.shoot import shoot
from hueph.synthetic.spectra import WAVELENGTHS_NM
from hueph.synthetic.surroundings import Illumination


def main() -> None:
    """Draw, trace and write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--scenes", type=int, default=40)
    parser.add_argument("--seed", type=int, default=902)
    parser.add_argument("--shots", type=int, default=2, help="photographs of each scene")
    parser.add_argument("--workshops", type=int, default=0, help="draw so many workshops, no scenes")
    parser.add_argument("--width", type=int, default=1600, help="longer side of the pictures, pixels")
    parser.add_argument("--samples", type=int, default=1024, help="paths a texel of the light maps")
    parser.add_argument("--tent", action="store_true", help="a room as bright all round as a light tent")
    parser.add_argument("--threads", type=int, default=1)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    _, dr = mitsuba()
    dr.set_thread_count(options.threads)
    kept = options.folder / "truth.json"
    entries = json.loads(kept.read_text(encoding="utf-8")) if kept.exists() else []
    if any(("workshop" in entry) != bool(options.workshops) for entry in entries):
        parser.error(
            f"{options.folder} holds scenes or workshops already: draw the others into another folder"
        )
    done = {entry["id"] for entry in entries}
    for number in range(options.workshops or options.scenes):
        first = 10000 * options.seed + number * (len(ROLES) if options.workshops else 1)
        if first in done:
            continue
        start = time.perf_counter()
        entries += (draw_workshop_pictures if options.workshops else draw_scene)(options, number)
        # Put in place at once, so that somebody may read while the next are drawn.
        part = kept.with_suffix(".part")
        part.write_text(json.dumps(entries, indent=1), encoding="utf-8")
        part.replace(kept)
        what = f"workshop {number}" if options.workshops else f"scene {number} ({entries[-1]['kind']})"
        print(f"{what}: {time.perf_counter() - start:.0f} s", flush=True)
    print(f"{len(entries)} entries, {sum(len(entry['shots']) for entry in entries)} photographs")


def draw_scene(options: argparse.Namespace, number: int) -> list[dict[str, Any]]:
    """Draw and trace one scene, write its photographs and return its truth, the only entry."""
    rng = np.random.default_rng((options.seed, number, 77))
    kind, first = kind_of(number)
    setting = draw_setting(rng, kind, options.width, first=first, tent=options.tent)
    seed = int(rng.integers(1 << 30))
    worlds = [setting.scene]
    worlds += [with_other_camera(setting.scene, rng) for _ in range(options.shots - 1)]
    identity = 10000 * options.seed + number
    truth = photograph(options, setting, worlds, identity, seed, rng)
    return [{"id": identity, "chart": write_chart(options, setting, identity), **truth}]


def draw_workshop_pictures(options: argparse.Namespace, number: int) -> list[dict[str, Any]]:
    """Draw and trace one workshop, write its photographs and return their truth, an entry each."""
    first = 10000 * options.seed + number * len(ROLES)
    rng = np.random.default_rng((options.seed, number, 78))
    indicator = INDICATORS[number % len(INDICATORS)]
    workshop = draw_workshop(rng, indicator, options.width, tent=options.tent)
    entries: list[dict[str, Any]] = []
    for index, (role, ph) in enumerate(zip(ROLES, draw_ph(rng, workshop.scene.card.ph), strict=True)):
        setting = draw_picture(rng, workshop, ph)
        seed = int(rng.integers(1 << 30))
        truth = photograph(options, setting, [setting.scene], first + index, seed, rng)
        chart = write_chart(options, setting, first) if index == 0 else entries[0]["chart"]
        entries.append({"id": first + index, "workshop": number, "role": role, "chart": chart, **truth})
    return entries


def write_chart(options: argparse.Namespace, setting: Setting, identity: int) -> str:
    """Write the flat artwork of a setting's card and return the name it goes by."""
    chart = f"{identity}-{setting.scene.card.layout.kind}"
    Image.fromarray(render_artwork(setting.scene)).save(options.folder / f"chart-{chart}.png")
    return chart


def photograph(
    options: argparse.Namespace,
    setting: Setting,
    worlds: list[Scene],
    identity: int,
    seed: int,
    rng: np.random.Generator,
) -> dict[str, Any]:
    """Trace a setting, write a photograph by the camera of each of `worlds`, and return its truth."""
    tracer = Tracer(setting.vessels, setting.liquids, setting.plates, setting.lamps, setting.room, seed)
    start = time.perf_counter()
    tracer.gather(samples=options.samples)
    gathered = time.perf_counter() - start
    weights = np.concatenate([channel_weights(world) for world in worlds])
    picture = tracer.look(setting.eye, weights)
    print(
        f"{tracer.map_starts[-1]} texels in {gathered:.0f} s, eye {time.perf_counter() - start - gathered:.0f} s"
    )
    reference, brightest = white_light(setting, tracer)
    entry: dict[str, Any] = {}
    taken = []
    for shot, world in enumerate(worlds):
        lit = Illumination((reference,), np.ones(1), np.zeros((1, 5)))
        radiance: Float32Array = np.ascontiguousarray(picture[..., 3 * shot : 3 * shot + 3])
        radiance *= np.float32(np.pi / brightest)
        developed = shoot(replace(world, illumination=lit), radiance, rng)
        orientation = int(rng.choice(ORIENTATIONS, p=[0.5, 0.17, 0.17, 0.16]))
        data = encode_photo(
            developed,
            display_p3=world.camera.display_p3,
            orientation=orientation,
            quality=world.camera.quality,
        )
        name = f"{identity}{chr(ord('a') + shot)}.jpg"
        (options.folder / name).write_bytes(data)
        entry = traced_truth(world, setting)
        taken.append({"file": name, "orientation": orientation, **entry.pop("shot")})
    return {**entry, "shots": taken}


def traced_truth(world: Scene, setting: Setting) -> dict[str, Any]:
    """Return the truth of a photograph: as of a drawn one, the liquid where it stands in space."""
    truth = scene_truth(world)
    for tube, corners in zip(truth["tubes"], setting.liquid_corners, strict=True):
        tube["liquid"] = corners.tolist()
    return truth


def channel_weights(world: Scene) -> FloatArray:
    """Return what raw channels make of unit radiance of each lamp at the tracer's nodes, (3, lamps, nodes).

    What reaches the camera is taken to run straight between nodes, lamps and sensor as fine as they are.
    """
    share = np.stack([np.interp(WAVELENGTHS_NM, NODES_NM, unit) for unit in np.eye(len(NODES_NM))])
    lamps = np.stack([light.power for light in world.illumination.lights])
    weights: FloatArray = np.einsum("cw,lw,nw->cln", world.camera.sensitivities, lamps, share)
    return weights


def white_light(setting: Setting, tracer: Tracer) -> tuple[Light, float]:
    """Return the mean light on card and backing, and the brightness of the brightest place in sight."""
    spectra, strengths = [], []
    lights = setting.scene.illumination.lights
    for plate in (setting.card_plate, setting.wall_plate):
        start, end = (int(tracer.map_starts[plate + more]) for more in (0, 1))
        light = tracer.light[start:end].astype(np.float64)
        fine = np.zeros((len(light), len(WAVELENGTHS_NM)))
        for lamp, source in enumerate(lights):
            factors = np.stack([np.interp(WAVELENGTHS_NM, NODES_NM, texel) for texel in light[:, lamp]])
            fine += factors * source.power
        spectra.append(fine.mean(axis=0))
        strengths.append(fine.mean(axis=1))
    mean = 0.5 * (spectra[0] + spectra[1])
    bright = float(np.quantile(np.concatenate([strengths[0], strengths[1]]), 0.98))
    return Light("traced", mean / mean.mean()), bright


if __name__ == "__main__":
    main()
