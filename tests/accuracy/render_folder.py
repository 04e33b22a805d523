"""Draw photographs with known truth into a folder that the accuracy scripts read.

    python tests/accuracy/render_folder.py FOLDER --scenes 100 --seed 1 [--shots 2] [--heic]

Writes truth.json, one flat artwork chart-<name>.png per card, and --shots photographs of each scene,
each by another camera. The same seed draws the same scenes.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from hueph.synthetic import Scene, draw_world, encode_photo, render_artwork, render_photo
from hueph.synthetic.cameras import draw_camera

ORIENTATIONS = (1, 3, 6, 8)


def main() -> None:
    """Draw and write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--scenes", type=int, default=100)
    parser.add_argument("--shots", type=int, default=2, help="photographs of each scene")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--heic", action="store_true", help="store every other photograph as HEIC")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    scenes = [
        draw_scene(options.folder, number, options.seed, options.shots, heic=options.heic)
        for number in range(options.scenes)
    ]
    (options.folder / "truth.json").write_text(json.dumps(scenes, indent=1), encoding="utf-8")
    print(f"{len(scenes)} scenes, {options.shots * len(scenes)} photographs in {options.folder}")


def draw_scene(folder: Path, number: int, seed: int, shots: int, *, heic: bool) -> dict[str, Any]:
    """Draw one scene and its photographs; return its truth."""
    # Each scene has a stream of its own, so that scene 7 is the same in a run of 10 and of 1,000.
    rng = np.random.default_rng((seed, number))
    world = draw_world(rng)
    identity = 10000 * seed + number
    chart = f"{identity}-{world.card.layout.kind}"
    Image.fromarray(render_artwork(world)).save(folder / f"chart-{chart}.png")
    entry: dict[str, Any] = {}
    taken = []
    for shot in range(shots):
        file_format = "HEIC" if heic and shot % 2 else "JPEG"
        name = f"{identity}{chr(ord('a') + shot)}.{'heic' if file_format == 'HEIC' else 'jpg'}"
        scene = world if shot == 0 else with_other_camera(world, rng)
        picture, truth = render_photo(scene, rng)
        orientation = int(rng.choice(ORIENTATIONS, p=[0.5, 0.17, 0.17, 0.16]))
        data = encode_photo(
            picture,
            display_p3=scene.camera.display_p3,
            orientation=orientation,
            file_format=file_format,
            quality=scene.camera.quality,
        )
        (folder / name).write_bytes(data)
        taken.append({"file": name, "orientation": orientation, **truth.pop("shot")})
        entry = truth
    return {"id": identity, "chart": chart, **entry, "shots": taken}


def with_other_camera(world: Scene, rng: np.random.Generator) -> Scene:
    """Return the scene before another camera."""
    return replace(world, camera=draw_camera(rng, harsh=world.kind == "harsh"))


if __name__ == "__main__":
    main()
