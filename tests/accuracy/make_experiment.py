"""Draw the photographs, the chart and the truth of samples/experiment with the synthetic renderer.

    python tests/accuracy/make_experiment.py samples/experiment [--seed 5]

The pH in each tube is what exact chemistry gives for the experiment's recipe when every drop is 0.047 mL
instead of the nominal 0.050 mL, as it might be at a bench. Same phone and rack throughout; exposure and
white balance differ from picture to picture. Nothing of the truth is an input of hueph.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from hueph.chart import write_chart
from hueph.charting import calibrate_picture
from hueph.chemistry.recipe import load_recipe
from hueph.comparing.experiment import Experiment, load_experiment
from hueph.comparing.on_paper import expected_course
from hueph.synthetic import Scene, draw_world, encode_photo, render_artwork, render_photo
from hueph.synthetic.card import card_from_artwork, draw_artwork
from hueph.synthetic.dyes import named_indicator
from hueph.synthetic.layout import draw_layout
from hueph.synthetic.tubes import with_truth

DROP_ML = 0.047
DYE_DROPS, SAMPLE_ML = 4.0, 4.0
CARD_PH = np.arange(3.0, 10.01, 0.5)


def main() -> None:
    """Draw and write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=5)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    indicator = named_indicator("four-dye from 3")
    card = card_from_artwork(
        rng, CARD_PH, draw_artwork(rng, indicator, CARD_PH), layout=draw_layout(rng, len(CARD_PH), "touching")
    )
    scene = draw_world(rng, kind="sheet", indicator=indicator, card=card, tube_count=4, size=(1200, 900))
    artwork = options.folder / "card.png"
    Image.fromarray(render_artwork(scene)).save(artwork, optimize=True)
    chart = calibrate_picture(artwork, [float(ph) for ph in CARD_PH], name="feed line card")
    write_chart(chart, options.folder / "chart.toml", force=True)
    truth = draw_photos(options.folder, scene, rng)
    (options.folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def draw_photos(folder: Path, scene: Scene, rng: np.random.Generator) -> list[dict[str, Any]]:
    """Draw every photograph of the experiment; return the truth."""
    plan = load_experiment(folder / "experiment.toml")
    course = true_course(plan)
    lengths = {"start": 0, "start-again": 0, "acid-5": 1, "acid-20": 2}
    # One pipetteful of dye per tube is never quite the other's.
    drops = [round(float(DYE_DROPS * np.exp(rng.normal(0.0, 0.06))), 2) for _ in scene.tubes]
    truth = []
    for name, stage in lengths.items():
        volume = SAMPLE_ML + DROP_ML * (0, 5, 20)[stage]
        tubes = tuple(
            with_truth(tube, ph=course[sample.name][stage], drops=dye, volume_ml=volume)
            for tube, sample, dye in zip(scene.tubes, plan.samples, drops, strict=True)
        )
        camera = replace(
            scene.camera,
            level=float(rng.uniform(0.7, 0.9)),
            wb_error=scene.camera.wb_error * np.exp(rng.normal(0.0, [0.03, 0.0, 0.03])),
            blur_px=0.5,
            quality=82,
        )
        picture, seen = render_photo(replace(scene, tubes=tubes, camera=camera), rng)
        data = encode_photo(picture, display_p3=camera.display_p3, quality=camera.quality)
        (folder / f"{name}.jpg").write_bytes(data)
        truth.append(
            {
                "file": f"{name}.jpg",
                "tubes": [
                    {
                        "sample": sample.name,
                        "ph": round(course[sample.name][stage], 3),
                        "liquid": tube["liquid"],
                    }
                    for sample, tube in zip(plan.samples, seen["tubes"], strict=True)
                ],
            }
        )
    return truth


def true_course(plan: Experiment) -> dict[str, list[float]]:
    """PH of every sample at the start and after each addition, with the true size of a drop."""
    assert plan.recipe is not None  # the sample experiment has one
    recipe = replace(load_recipe(plan.recipe), drop_ml=DROP_ML)
    return {name: [step.ph for step in steps] for name, steps in expected_course(plan, recipe).items()}


if __name__ == "__main__":
    main()
