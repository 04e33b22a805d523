"""Calibrate every chart of a folder from its photographs, and compare with the flat artwork.

The folder holds `truth.json`, the photographs and the artwork of each card (`chart-NAME.png`), as `samples/`
does. A photograph is calibrated as a user would: the number of patches and their pH come from the card.
True corners and artwork are looked at afterwards, to score. Three figures: one photograph alone; the same
after a colour correction learned from the chart's other patches (what reading does; it uses the artwork); all
accepted photographs of a chart merged.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
from tables import markdown, number, put_between

from hueph.chart import Chart
from hueph.charting import Calibration, calibrate_picture, calibrate_pictures
from hueph.charting.measure import light_of
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import lab_to_xyz
from hueph.colour.srgb import xyz_to_linear_rgb
from hueph.errors import HuephError
from hueph.white_balance import choose_correction

MARKER = "calibrate-photos"
# A patch whose centre lies further off than this, in patches, is another patch or none.
SAME_PATCH = 0.5


def main() -> None:
    """Run as a script."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="folder with truth.json, photographs and artwork")
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    parser.add_argument("--only", default="", help="only charts whose name holds this")
    options = parser.parse_args()
    scenes = json.loads((options.folder / "truth.json").read_text())
    by_chart: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for scene in scenes:
        if options.only in scene["chart"]:
            by_chart[scene["chart"]].append(scene)
    rows = [score_chart(options.folder, name, by_chart[name]) for name in sorted(by_chart)]
    text = report(rows)
    print(text)
    if options.write:
        put_between(Path(__file__).parents[2] / "DEVELOPERS.md", MARKER, text)


def score_chart(folder: Path, name: str, scenes: list[dict[str, Any]]) -> dict[str, Any]:
    """Calibrate each photograph of a chart alone, then all accepted ones together."""
    ph = scenes[0]["chart_ph"]
    artwork = calibrate_picture(folder / f"chart-{name}.png", ph, allow_alike=True)
    accepted: list[Path] = []
    wrong, refused = 0, 0
    errors: list[Any] = []
    corrected: list[float] = []
    for scene in scenes:
        for shot in scene["shots"]:
            file = folder / shot["file"]
            try:
                made = calibrate_pictures([file], ph, allow_alike=True)
            except HuephError as error:
                refused += 1
                print(f"{shot['file']}: {error}".replace(str(folder), "."), flush=True)
                continue
            if centre_error(made, scene["patches"]) > SAME_PATCH:
                wrong += 1
                print(f"{shot['file']}: patches in the wrong place", flush=True)
                continue
            accepted.append(file)
            errors.append(delta_e_cie2000(made.chart.lab, artwork.lab))
            corrected.append(residual(made, artwork))
    merged = np.full(len(ph), np.nan)
    if len(accepted) > 1:
        together = calibrate_pictures(accepted, ph, allow_alike=True)
        merged = delta_e_cie2000(together.chart.lab, artwork.lab)
    print(
        name,
        len(accepted),
        "median of single photographs",
        [round(float(np.median(e)), 1) for e in errors],
        flush=True,
    )
    return {"name": name, "photos": sum(len(s["shots"]) for s in scenes), "accepted": len(accepted),
            "wrong": wrong, "refused": refused, "single": np.concatenate(errors) if errors else np.zeros(0),
            "corrected": np.array(corrected), "merged": merged}  # fmt: skip


def residual(made: Calibration, artwork: Chart) -> float:
    """Median CIEDE2000 of patches corrected by a transform learned from the others."""
    known = xyz_to_linear_rgb(lab_to_xyz(artwork.lab))
    paper = np.asarray(xyz_to_linear_rgb(lab_to_xyz(np.array(artwork.paper_lab))))
    seen = light_of(made.found[0]).ratio * paper
    return choose_correction(seen, np.asarray(known), paper, np.eye(3))[1]


def centre_error(made: Calibration, patches: Any) -> float:
    """Largest distance of a patch's centre from the true one of its place in the order, in patches."""
    true = np.array(patches, dtype=float)
    found = made.found[0].picture_quads()
    corners = made.pictures[0].to_full(found.reshape(-1, 2)).reshape(found.shape)
    size = np.linalg.norm(np.roll(true, 1, axis=1) - true, axis=2).min(axis=1)
    return float((np.linalg.norm(corners.mean(axis=1) - true.mean(axis=1), axis=1) / size).max())


def report(rows: list[dict[str, Any]]) -> str:
    """One row a chart, and all together."""
    head = ["chart", "photographs", "accepted", "wrong order or place", "refused",
            "one photograph: median", "rms", "90 % below", "corrected: median of photographs",
            "all merged: median"]  # fmt: skip
    table = [cells(row["name"], [row]) for row in rows]
    table.append(cells("all", rows))
    return markdown(head, table)


def cells(name: str, rows: list[dict[str, Any]]) -> list[str]:
    """Counts and CIEDE2000 of one line."""
    single = np.concatenate([row["single"] for row in rows])
    merged = np.concatenate([row["merged"] for row in rows])
    merged = merged[np.isfinite(merged)]

    def value(function: Any, values: Any) -> str:
        return number(float(function(values)) if len(values) else float("nan"), 1)

    return [name, *(str(sum(row[key] for row in rows)) for key in ("photos", "accepted", "wrong", "refused")),
            value(np.median, single), value(lambda v: np.sqrt(np.mean(v**2)), single),
            value(lambda v: np.percentile(v, 90), single),
            value(np.median, np.concatenate([row["corrected"] for row in rows])), value(np.median, merged)]  # fmt: skip


if __name__ == "__main__":
    main()
