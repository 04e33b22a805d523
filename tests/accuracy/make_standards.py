"""Draw samples/standards: a card, two photographs of buffers of known pH, and one of samples.

    python tests/accuracy/make_standards.py samples/standards [--seed 9]

One phone, lamp and card throughout, as in `workshop.py`. Nothing of the truth is an input of hueph; the
labels in known.csv are the buffers' nominal values, which is what their pH is here.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from workshop import draw_picture, draw_workshop, write_artwork, write_photo

from hueph.chart import write_chart
from hueph.charting import calibrate_picture
from hueph.standards import calibrate_with_standards, load_standards_table

SIZE = (1200, 900)
BUFFERS = {"buffers-1.jpg": (4.01, 5.50, 6.86, 8.00), "buffers-2.jpg": (5.00, 6.20, 7.40, 9.18)}
SAMPLES = {"feed.jpg": (5.62, 6.35, 7.12)}


def main() -> None:
    """Draw and write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=9)
    options = parser.parse_args()
    folder = options.folder
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(options.seed)
    place = draw_workshop(rng, "four-dye classical")
    write_artwork(place, folder / "card.png")
    chart = calibrate_picture(folder / "card.png", place.card.ph.tolist(), name="nutrient bench card")
    write_chart(chart, folder / "chart.toml", force=True)
    truth: list[dict[str, Any]] = []
    for name, ph in {**BUFFERS, **SAMPLES}.items():
        picture_of = draw_picture(place, rng, ph, size=SIZE)
        scene = replace(picture_of, camera=replace(picture_of.camera, quality=88))
        write_photo(scene, rng, folder / name)
        truth.append({"file": name, "ph": list(ph), "load": [round(tube.load, 3) for tube in scene.tubes]})
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    lines = ["photo,tube,ph,uncertainty"]
    for name, labels in BUFFERS.items():
        lines += [f"{name},{tube},{ph:.2f},0.02" for tube, ph in enumerate(labels, start=1)]
    (folder / "known.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    report = calibrate_with_standards(chart, load_standards_table(folder / "known.csv"))
    write_chart(report.chart, folder / "refined.toml", force=True)
    print(report)


if __name__ == "__main__":
    main()
