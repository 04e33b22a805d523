"""Change one thing at a time on rendered photographs and see what becomes of reading them.

    python tests/accuracy/sweep.py draw FOLDER --scenes 16 --seed 5
    python tests/accuracy/sweep.py read FOLDER [--jobs 2] [--write] [--figure samples/pictures/sweep.png]
    python tests/accuracy/sweep.py load [--scenes 200] [--write]

The first command draws the photographs (see `sweep_scenes.py`) and their truth; the second runs the
whole program on them, locating to reading, and prints a table for each thing that is changed. With
--write the tables go into DEVELOPERS.md. The third looks at dye load alone, on the colours of more scenes as a
perfect locator would measure them. Nothing of the truth but the pH printed on the card reaches
the program.
"""

from __future__ import annotations

import argparse
import json
import math
import pickle
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import tables
from PIL import Image
from run_photos import lost
from scipy import stats
from scoring import PhotoScore, exact_limits, score_photo, summarise
from sweep_scenes import all_levels, base_scene, draw_levels
from train_scorer import scene_evidence

from hueph._workers import map_ordered
from hueph.batch import read_photos
from hueph.chart import Chart
from hueph.charting import calibrate_picture
from hueph.errors import HuephError
from hueph.estimating.posterior import pool_tubes, spread, state
from hueph.results import PhotoReadings
from hueph.synthetic import Scene, encode_photo, render_artwork, simulate_measurements

DEVELOPERS = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
MARKER, LOAD_MARKER = "sweep", "sweep-load"
LOADS = (0.4, 0.5, 0.7, 1.4, 2.0, 2.5)
# Coverage falls where more tubes left their ranges than came into them, beyond chance (one-sided sign test).
CHANCE = 0.025
# The shift that a dye load from half to double may make, issue's aim.
LOAD_AIM = 0.1

Task = tuple[str, Chart]


@dataclass(frozen=True)
class Shot:
    """One photograph of one level and how it was read."""

    group: str
    level: str
    place: float
    scene: int
    score: PhotoScore


def main() -> None:
    """Draw, or read and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    commands = parser.add_subparsers(dest="command", required=True)
    draw = commands.add_parser("draw", help="draw the photographs")
    draw.add_argument("folder", type=Path)
    draw.add_argument("--scenes", type=int, default=16)
    draw.add_argument("--first", type=int, default=0, help="add scenes from this number to the folder")
    draw.add_argument("--seed", type=int, default=5)
    draw.add_argument("--only", action="append", help="a group (repeatable)")
    read = commands.add_parser("read", help="read the photographs and print the tables")
    read.add_argument("folder", type=Path)
    read.add_argument("--jobs", type=int, default=1)
    read.add_argument("--only", action="append", help="a group (repeatable)")
    read.add_argument("--scenes", type=int, help="only the first scenes")
    read.add_argument("--write", action="store_true", help="put the tables into DEVELOPERS.md")
    read.add_argument("--figure", type=Path, help="draw the figure into this file")
    read.add_argument("--keep", type=Path, help="keep every score in this file, for a closer look")
    load = commands.add_parser("load", help="dye load alone, on colours")
    load.add_argument("--scenes", type=int, default=200)
    load.add_argument("--seed", type=int, default=5)
    load.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    options = parser.parse_args()
    if options.command == "draw":
        draw_all(options)
        return
    if options.command == "load":
        table = shift_table(shifts_on_colours(options.seed, options.scenes))
        print(table)
        if options.write:
            tables.put_between(DEVELOPERS, LOAD_MARKER, table)
        return
    shots = read_all(options)
    if options.keep is not None:
        options.keep.write_bytes(pickle.dumps(shots))
    text = report(shots)
    print(text)
    if options.figure is not None:
        from sweep_figure import draw_figure

        draw_figure(shots, options.figure)
    if options.write:
        tables.put_between(DEVELOPERS, MARKER, text)


# ---------------------------------------------------------------- draw


def draw_all(options: argparse.Namespace) -> None:
    """Draw every level of every scene and write pictures, cards and truth."""
    folder: Path = options.folder
    folder.mkdir(parents=True, exist_ok=True)
    levels = tuple(
        level for level in all_levels() if not options.only or level.group in (*options.only, "unchanged")
    )
    known: list[dict[str, Any]] = []
    if options.first > 0:
        known = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    for number in range(options.first, options.scenes):
        Image.fromarray(render_artwork(base_scene(options.seed, number))).save(folder / f"card-{number}.png")
        for index, (level, picture, truth) in enumerate(draw_levels(options.seed, number, levels)):
            name = f"{number:02d}-{index:03d}.jpg"
            p3 = bool(truth["shot"]["p3"])
            (folder / name).write_bytes(encode_photo(picture, display_p3=p3, quality=level.quality))
            about = {"group": level.group, "level": level.name, "place": level.place, "scene": number}
            known.append({"file": name, "chart": f"card-{number}", **about, **truth})
        print(f"scene {number}: {len(levels)} photographs", flush=True)
    (folder / "truth.json").write_text(json.dumps(known), encoding="utf-8")


# ---------------------------------------------------------------- read


def read_all(options: argparse.Namespace) -> list[Shot]:
    """Read and score every photograph of a folder."""
    folder: Path = options.folder
    truths = [
        truth
        for truth in json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        if (not options.only or truth["group"] in (*options.only, "unchanged"))
        and (options.scenes is None or truth["scene"] < options.scenes)
    ]
    charts: dict[str, Chart] = {}
    for truth in truths:
        name = truth["chart"]
        if name not in charts:
            try:
                charts[name] = calibrate_picture(folder / f"{name}.png", truth["chart_ph"], name=name)
            except HuephError as error:
                raise SystemExit(f"{name}: {error}") from error
    tasks: list[Task] = [(str(folder / truth["file"]), charts[truth["chart"]]) for truth in truths]
    shots = []
    for truth, readings in zip(
        truths, map_ordered(read_one, tasks, jobs=options.jobs, crashed=crashed), strict=True
    ):
        score = score_photo(truth, truth["file"], readings, math.nan)
        shots.append(Shot(truth["group"], truth["level"], truth["place"], truth["scene"], score))
    return shots


def read_one(task: Task) -> PhotoReadings:
    """Read one photograph."""
    (readings,) = read_photos([task[0]], task[1])
    return readings


def crashed(task: Task) -> PhotoReadings:
    """Stand in for a photograph whose worker process died."""
    return lost(*task)


# ---------------------------------------------------------------- tables


def report(shots: Sequence[Shot]) -> str:
    """Return a table for each thing that is changed, and what follows from them."""
    head = (
        "level", "photos", "strip right", "tubes found", "false", "no pH", "one-sided", "RMSE",
        "in 95 % range", "exact limits", "out / in", "median width",
    )  # fmt: skip
    base = [shot for shot in shots if shot.group == "unchanged"]
    parts, low = [], []
    for group in dict.fromkeys(shot.group for shot in shots):
        if group == "unchanged":
            continue
        # The unchanged scene is a level of every group.
        rows = [("unchanged", *cells(base, base))]
        for level in dict.fromkeys(shot.level for shot in shots if shot.group == group):
            chosen = [shot for shot in shots if (shot.group, shot.level) == (group, level)]
            rows.append((level, *cells(chosen, base)))
            out, into = moves(chosen, base)
            if out + into and stats.binomtest(out, out + into, 0.5, alternative="greater").pvalue < CHANCE:
                low.append(f"{group}, {level} ({out} out, {into} in)")
        title = group[0].upper() + group[1:]
        parts.append(f"{title}:\n\n{tables.markdown(head, rows)}")
    said = "; ".join(low) if low else "nowhere"
    parts.append(
        '"Out / in": tubes whose truth left its range, or came into it, against the unchanged photograph. '
        f"Coverage falls beyond chance (one-sided sign test at {100 * CHANCE:g} %): {said}."
    )
    shift = load_shift(shots)
    if shift:
        parts.append(shift)
    return "\n\n".join(parts)


def cells(chosen: Sequence[Shot], base: Sequence[Shot]) -> list[str]:
    """Return the cells of one level."""
    tubes = [tube for shot in chosen for tube in shot.score.tubes]
    summary = summarise(tubes)
    low, high = exact_limits(summary.hits, summary.ranges) if summary.ranges else (0.0, 1.0)
    right = sum(shot.score.strip == "right" for shot in chosen)
    wrong = sum(shot.score.strip == "wrong" for shot in chosen)
    return [
        str(len(chosen)),
        f"{right}" + (f" ({wrong} wrong)" if wrong else ""),
        f"{summary.located}/{summary.tubes}",
        str(sum(len(shot.score.false_tubes) for shot in chosen)),
        str(summary.refused_samples),
        str(summary.inside_one_sided),
        tables.number(summary.rmse),
        f"{summary.hits}/{summary.ranges}"
        + (f" = {100 * summary.hits / summary.ranges:.0f} %" if summary.ranges else ""),
        f"{100 * low:.0f} to {100 * high:.0f} %" if summary.ranges else "-",
        "{} / {}".format(*moves(chosen, base)) if chosen is not base else "",
        tables.number(summary.width),
    ]


def moves(chosen: Sequence[Shot], base: Sequence[Shot]) -> tuple[int, int]:
    """Count tubes that left their ranges and tubes that came into them, against the unchanged scenes."""
    before, now = (
        {
            (shot.scene, tube.number): tube.covered
            for shot in shots
            for tube in shot.score.tubes
            if tube.covered is not None
        }
        for shots in (base, chosen)
    )
    both = [(before[key], now[key]) for key in now if key in before]
    return sum(old and not new for old, new in both), sum(new and not old for old, new in both)


def load_shift(shots: Sequence[Shot]) -> str:
    """Return a table of how the stated pH of one tube moves with its dye load."""
    base = stated([shot for shot in shots if shot.group == "unchanged"])
    found = {}
    for level in dict.fromkeys(shot.level for shot in shots if shot.group == "dye load"):
        moved = stated([shot for shot in shots if (shot.group, shot.level) == ("dye load", level)])
        found[level] = [moved[key] - base[key] for key in moved if key in base]
    return shift_table(found) if any(found.values()) else ""


def shifts_on_colours(seed: int, scenes: int) -> dict[str, list[float]]:
    """Return moves of stated pH by dye load over scenes measured without a pixel being drawn."""
    found: dict[str, list[float]] = {f"x {load:g}": [] for load in LOADS}
    for number in range(scenes):
        base = base_scene(seed, number)
        at_one = stated_on_colours(base, (seed, number, 4))
        for load in LOADS:
            tubes = tuple(replace(tube, load=load) for tube in base.tubes)
            moved = stated_on_colours(replace(base, tubes=tubes), (seed, number, 4))
            found[f"x {load:g}"] += [
                new - old
                for new, old in zip(moved, at_one, strict=True)
                if new is not None and old is not None
            ]
    return found


def stated_on_colours(scene: Scene, seed: tuple[int, int, int]) -> list[float | None]:
    """Return what would be stated of each tube of a scene, with the same chance for the same seed."""
    rng = np.random.default_rng(seed)
    found = scene_evidence(scene, simulate_measurements(scene, rng), rng)
    return [
        state(spread(pooled)).ph for pooled in pool_tubes([evidence for evidence, _ in found], together=True)
    ]


def shift_table(found: Mapping[str, Sequence[float]]) -> str:
    """Return the table of moves by level."""
    rows = []
    for level, values in found.items():
        shifts = np.array(values)
        if len(shifts) < 2:
            continue
        error = shifts.std(ddof=1) / len(shifts) ** 0.5
        rows.append((
            level, str(len(shifts)), f"{shifts.mean():+.3f} +- {2 * error:.3f}",
            f"{np.median(shifts):+.3f}", f"{np.median(np.abs(shifts)):.3f}",
            f"{100 * np.mean(np.abs(shifts) <= LOAD_AIM):.0f} %",
        ))  # fmt: skip
    head = ("dye load", "tubes with pH at both", "mean shift (k = 2)", "median shift", "median abs. shift",
            f"within {LOAD_AIM:g}")  # fmt: skip
    return "Stated pH against the same tube at load 1:\n\n" + tables.markdown(head, rows)


def stated(shots: Sequence[Shot]) -> dict[tuple[int, int], float]:
    """Return the stated pH by scene and tube."""
    found: dict[tuple[int, int], float] = {}
    for shot in shots:
        for tube in shot.score.tubes:
            if tube.reading is not None and tube.reading.ph is not None:
                found[shot.scene, tube.number] = tube.reading.ph
    return found


if __name__ == "__main__":
    main()
