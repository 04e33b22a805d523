"""Compare tubes of rendered photographs with known truth and print how well the changes hold.

    python tests/accuracy/compare_photos.py FOLDER [--write] [--keep readings.pkl]

FOLDER is laid out as for run_photos.py. Every ordered pair of tubes read against the same chart is
compared: tubes of one picture, the same tube in the two photographs of its scene (true change 0), other
tubes of one scene, tubes of two scenes. --write puts the tables into DEVELOPERS.md between the markers
compare-photos; --keep keeps the readings for another run.
"""

from __future__ import annotations

import argparse
import json
import pickle
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tables
from run_photos import DEVELOPERS, make_charts
from scoring import exact_limits, score_photo

from hueph.batch import read_photos
from hueph.buffering import HOLD_PH, judge_change
from hueph.colour.difference import delta_e_cie2000
from hueph.comparing.change import Observation, compare_tubes, observe
from hueph.comparing.colours import COLOUR_CHANGE_DELTA_E, read_colours
from hueph.photo import load_photo

KINDS = (
    "one picture",
    "one tube, two photographs",
    "one scene, two photographs, other tubes",
    "two scenes, one card",
)
REAL = Path(__file__).resolve().parents[1] / "data" / "real" / "beakers_methyl_orange_cmyk.jpg"


@dataclass(frozen=True)
class Tube:
    """One tube as read, with its truth."""

    scene: int
    file: str
    number: int
    ph: float
    seen: Observation


@dataclass(frozen=True)
class Outcome:
    """What was said of one ordered pair; `kind` is an index of KINDS."""

    kind: int
    true: float
    delta: float | None
    covered: bool | None
    covered_alone: bool | None
    width: float
    width_alone: float
    verdict: str
    visible: bool


def read_tubes(folder: Path) -> list[Tube]:
    """Read every photograph and match tubes to the truth."""
    scenes = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    charts = make_charts(folder, scenes)
    tubes = []
    for index, scene in enumerate(scenes):
        for shot in scene["shots"]:
            (readings,) = read_photos([folder / shot["file"]], charts[scene["chart"]])
            for tube in score_photo(scene, shot["file"], readings, 0.0).tubes:
                if tube.reading is None or tube.true_ph is None:
                    continue
                seen = observe(readings, tube.reading.tube)
                if seen.has_ph:
                    tubes.append(Tube(index, shot["file"], tube.number, tube.true_ph, seen))
    return tubes


def ordered_pairs(tubes: Sequence[Tube]) -> Iterator[Outcome]:
    """Compare every ordered pair of tubes of one chart."""
    for before in tubes:
        for after in tubes:
            if before is after or before.seen.chart_sha256 != after.seen.chart_sha256:
                continue
            yield outcome(before, after)


def outcome(before: Tube, after: Tube) -> Outcome:
    """Compare one pair and set it beside the truth."""
    if before.file == after.file:
        kind = 0
    elif before.scene == after.scene:
        kind = 1 if before.number == after.number else 2
    else:
        kind = 3
    change = compare_tubes(before.seen, after.seen)
    true = round(after.ph - before.ph, 6)
    nan = float("nan")
    return Outcome(
        kind,
        true,
        change.delta_ph,
        None if change.interval is None else change.interval.contains(true),
        None if change.independent is None else change.independent.contains(true),
        nan if change.interval is None else change.interval.width,
        nan if change.independent is None else change.independent.width,
        judge_change(change).verdict,
        change.visible,
    )


def report(outcomes: Sequence[Outcome]) -> str:
    """Return the tables."""
    size: list[tuple[str, Callable[[Outcome], bool]]] = [
        ("0", lambda one: one.true == 0.0),
        (f"up to {HOLD_PH:g}", lambda one: 0.0 < abs(one.true) <= HOLD_PH),
        (f"{HOLD_PH:g} to 1", lambda one: HOLD_PH < abs(one.true) <= 1.0),
        ("above 1", lambda one: abs(one.true) > 1.0),
        ("all", lambda one: True),
    ]
    changes, verdicts = [], []
    for number, name in enumerate(KINDS):
        for band, belongs in size:
            some = [one for one in outcomes if one.kind == number and belongs(one)]
            if not some or (number == 1 and band == "all"):
                continue
            changes.append((name, band, *change_cells(some)))
            verdicts.append((name, band, *verdict_cells(some)))
    head = (
        "pair", "true change", "n", "with change", "RMSE", "median abs. error", "in 95 % range",
        "exact limits", "the same, independent", "median width", "width / independent",
    )  # fmt: skip
    said = ("pair", "true change", "n", "held", "shifted or exhausted", "undecided", "range without 0")
    return f"{tables.markdown(head, changes)}\n\nVerdicts (held: up to {HOLD_PH:g}):\n\n" + tables.markdown(
        said, verdicts
    )


def change_cells(some: Sequence[Outcome]) -> list[str]:
    """Return the cells about changes and ranges."""
    errors = np.array([one.delta - one.true for one in some if one.delta is not None])
    ranges = [one for one in some if one.covered is not None]
    hits = sum(bool(one.covered) for one in ranges)
    closed = [one for one in ranges if np.isfinite(one.width) and np.isfinite(one.width_alone)]
    alone = [one.covered_alone for one in some if one.covered_alone is not None]
    low, high = exact_limits(hits, len(ranges)) if ranges else (0.0, 1.0)
    nan = float("nan")
    return [
        str(len(some)),
        str(len(errors)),
        tables.number(float(np.sqrt((errors**2).mean())) if len(errors) else nan),
        tables.number(float(np.median(np.abs(errors))) if len(errors) else nan),
        f"{hits}/{len(ranges)} = {100 * hits / len(ranges):.1f} %" if ranges else "-",
        f"{100 * low:.0f} to {100 * high:.0f} %" if ranges else "-",
        f"{100 * sum(map(bool, alone)) / len(alone):.1f} %" if alone else "-",
        tables.number(float(np.median([one.width for one in closed])) if closed else nan),
        tables.number(float(np.median([one.width / one.width_alone for one in closed])) if closed else nan),
    ]


def verdict_cells(some: Sequence[Outcome]) -> list[str]:
    """Return the cells about verdicts."""
    count = len(some)
    moved = sum(one.verdict in ("shifted", "exhausted") for one in some)
    return [
        str(count),
        *(
            f"{number} ({100 * number / count:.1f} %)"
            for number in (
                sum(one.verdict == "held" for one in some),
                moved,
                sum(one.verdict == "undecided" for one in some),
                sum(one.visible for one in some),
            )
        ),
    ]


def colours_alone(folder: Path) -> str:
    """Return the table of colour differences without a strip; outlines come from the truth."""
    scenes = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    differences = []
    for scene in scenes:
        shots = [lab_of(folder / shot["file"], scene) for shot in scene["shots"]]
        differences += [float(delta_e_cie2000(one, two)) for one, two in zip(*shots, strict=True)]
    levels = np.quantile(differences, [0.5, 0.9, 0.97, 1.0])
    rows = [
        (
            "one liquid, two cameras",
            str(len(differences)),
            *(f"{level:.1f}" for level in levels),
            str(sum(value > COLOUR_CHANGE_DELTA_E for value in differences)),
        )
    ]
    beakers = [np.array(reading.lab) for reading in read_colours(REAL)]
    for name, one, two in (("real: unbuffered, a to b", 0, 2), ("real: buffered, a to b", 1, 3)):
        value = float(delta_e_cie2000(beakers[one], beakers[two]))
        rows.append((name, "1", f"{value:.1f}", "", "", "", str(int(value > COLOUR_CHANGE_DELTA_E))))
    head = (
        "liquids",
        "n",
        "median CIEDE2000",
        "90 %",
        "97 %",
        "most",
        f"above {COLOUR_CHANGE_DELTA_E:g}: changed",
    )
    return tables.markdown(head, rows)


def lab_of(file: Path, scene: dict[str, Any]) -> list[Any]:
    """Measure the liquids of a photograph without its strip."""
    photo = load_photo(file)
    scale = photo.width / scene["size"][0]
    boxes = []
    for tube in scene["tubes"]:
        corners = np.array(tube["liquid"], dtype=float) * scale
        left, top = corners.min(axis=0)
        wide, high = np.ptp(corners, axis=0)
        boxes.append((float(left), float(top), float(wide), float(high)))
    return [np.array(reading.lab) for reading in read_colours(photo, tubes=boxes)]


def main() -> None:
    """Read, compare, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--write", action="store_true", help="put the tables into DEVELOPERS.md")
    parser.add_argument("--keep", type=Path, help="file to keep the readings in, or to take them from")
    options = parser.parse_args()
    if options.keep is not None and options.keep.exists():
        tubes = pickle.loads(options.keep.read_bytes())
    else:
        tubes = read_tubes(options.folder)
        if options.keep is not None:
            options.keep.write_bytes(pickle.dumps(tubes))
    text = report(list(ordered_pairs(tubes)))
    text += f"\n\nColours alone, without a strip:\n\n{colours_alone(options.folder)}"
    print(text)
    if options.write:
        tables.put_between(DEVELOPERS, "compare-photos", text)


if __name__ == "__main__":
    main()
