"""Run the whole program on rendered photographs with known truth and print how well it did.

    python tests/accuracy/run_photos.py FOLDER [--jobs 2] [--csv tubes.csv] [--short] [--write] [--marker NAME]

FOLDER holds truth.json, the photographs it names and the flat artwork chart-<name>.png of every
card (or <name> is a shipped chart, as in samples/). Charts are made from the artwork with hueph's own
calibration; of the truth, the program gets the pH printed on the card and nothing else. --write puts
the tables into DEVELOPERS.md, --short those of the whole only.
"""

from __future__ import annotations

import argparse
import csv
import json
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import tables
from scoring import PhotoScore, Summary, TubeScore, exact_limits, score_photo, summarise

from hueph._workers import map_ordered
from hueph.batch import read_photos
from hueph.chart import Chart, load_chart
from hueph.charting import calibrate_picture
from hueph.results import PhotoReadings
from hueph.shipped import find_chart

DEVELOPERS = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
KINDS = ("sheet", "bench", "mixed", "harsh", "odd")
BANDS = ((-1.0, 4.0), (4.0, 5.0), (5.0, 6.0), (6.0, 7.0), (7.0, 8.0), (8.0, 9.0), (9.0, 10.0), (10.0, 15.0))

Task = tuple[str, Chart, float, str | None]
Outcome = tuple[PhotoReadings, float]


def main() -> None:
    """Read, score, print."""
    options = parse()
    folder: Path = options.folder
    scenes = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    shots = [(scene, shot["file"]) for scene in scenes for shot in scene["shots"]]
    if options.only:
        shots = [(scene, file) for scene, file in shots if wanted(scene, file, options.only)]
    charts = make_charts(folder, [scene for scene, _ in shots])
    tasks: list[Task] = [
        (str(folder / file), charts[scene["chart"]], options.coverage, options.overlay)
        for scene, file in shots
    ]
    start = time.perf_counter()
    scores = []
    outcomes = map_ordered(read_one, tasks, jobs=options.jobs, crashed=crashed)
    for (scene, file), (readings, seconds) in zip(shots, outcomes, strict=True):
        scores.append(score_photo(scene, file, readings, seconds))
        if sys.stderr.isatty():
            print(f"\r{len(scores)} of {len(shots)}", end="\r", file=sys.stderr)
    text = report(scores, options.coverage, short=options.short)
    print(text)
    print(f"\n{len(shots)} photographs in {time.perf_counter() - start:.0f} s, {options.jobs} worker(s)")
    if not options.quiet:
        print_problems(scores)
    if options.csv:
        write_csv(options.csv, scores)
    if options.write:
        tables.put_between(DEVELOPERS, options.marker, text)


def parse() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=1, help="worker processes")
    parser.add_argument("--coverage", type=float, default=0.95)
    parser.add_argument(
        "--only", action="append", help="kind, indicator, chart, or part of a file name (repeatable)"
    )
    parser.add_argument("--csv", type=Path, help="write a row a true tube, for analysis")
    parser.add_argument("--overlay", help="also write annotated pictures into this folder")
    parser.add_argument("--quiet", action="store_true", help="no list of problems")
    parser.add_argument("--short", action="store_true", help="leave out the tables by pH and by indicator")
    parser.add_argument("--write", action="store_true", help="put the tables into DEVELOPERS.md")
    parser.add_argument("--marker", default="accuracy-photos", help="which place in DEVELOPERS.md")
    return parser.parse_args()


def wanted(scene: dict[str, Any], file: str, words: Sequence[str]) -> bool:
    """Say whether a photograph was asked for."""
    return any(word in (scene["kind"], scene["indicator"], scene["chart"]) or word in file for word in words)


def make_charts(folder: Path, scenes: Sequence[dict[str, Any]]) -> dict[str, Chart]:
    """Calibrate every card from its artwork."""
    charts: dict[str, Chart] = {}
    for scene in scenes:
        name = scene["chart"]
        if name not in charts:
            artwork = folder / f"chart-{name}.png"
            charts[name] = (
                calibrate_picture(artwork, scene["chart_ph"], name=name)
                if artwork.exists()
                else load_chart(find_chart(name))
            )
    return charts


def read_one(task: Task) -> Outcome:
    """Read one photograph (in a worker process)."""
    path, chart, coverage, overlay = task
    start = time.perf_counter()
    (readings,) = read_photos([path], chart, coverage=coverage, overlay_dir=overlay)
    return readings, time.perf_counter() - start


def crashed(task: Task) -> Outcome:
    """Stand in for a photograph whose worker process died."""
    return lost(task[0], task[1]), float("nan")


def lost(file: str, chart: Chart) -> PhotoReadings:
    """Return what a photograph leaves whose worker process died."""
    return PhotoReadings(file, "", 0, 0, chart.name, "", error=("WorkerCrash", "the worker process died"))


def report(scores: Sequence[PhotoScore], coverage: float, *, short: bool = False) -> str:
    """Return the tables; when `short`, only the whole and by kind."""
    percent = f"{100 * coverage:g} %"
    kinds = [kind for kind in KINDS if any(score.kind == kind for score in scores)]
    kinds += sorted({score.kind for score in scores} - set(KINDS))
    groups = [(kind, [score for score in scores if score.kind == kind]) for kind in kinds]
    groups.append(("all", list(scores)))
    located = tables.markdown(
        (
            "kind",
            "photos",
            "strip right",
            "order wrong",
            "not found",
            "corners off, px",
            "tubes",
            "found",
            "false",
        ),
        [(name, *location_cells(group)) for name, group in groups],
    )
    head = (
        "n", "with pH", "RMSE", "on the card", "median abs. error", "bias",
        f"in {percent} range", "exact limits", "median width",
        "beyond card: one-sided", "inside: one-sided", "samples refused", "not samples: given pH",
    )  # fmt: skip
    everything = tubes_of(scores)
    by_kind = tables.markdown(
        ("kind", *head), [(name, *reading_cells(summarise(tubes_of(group)))) for name, group in groups]
    )
    if short:
        return f"Located:\n\n{located}\n\nRead, by kind:\n\n{by_kind}"
    bands = [(band_name(band), [tube for tube in everything if in_band(tube, band)]) for band in BANDS]
    by_band = tables.markdown(
        ("true pH", *head), [(name, *reading_cells(summarise(group))) for name, group in bands if group]
    )
    by_indicator = group_table("indicator", head, everything, lambda tube: tube.indicator)
    return "\n\n".join(
        [f"Located:\n\n{located}", f"Read, by kind:\n\n{by_kind}", f"By pH band:\n\n{by_band}",
         f"By indicator:\n\n{by_indicator}"]
    )  # fmt: skip


def group_table(
    title: str, head: Sequence[str], tubes: Sequence[TubeScore], key: Callable[[TubeScore], str]
) -> str:
    """Return a table with a row for each value of a property of the tubes."""
    rows = []
    for name in sorted({key(tube) for tube in tubes}):
        rows.append((name, *reading_cells(summarise([tube for tube in tubes if key(tube) == name]))))
    return tables.markdown((title, *head), rows)


def tubes_of(scores: Sequence[PhotoScore]) -> list[TubeScore]:
    """Return all true tubes of some photographs."""
    return [tube for score in scores for tube in score.tubes]


def in_band(tube: TubeScore, band: tuple[float, float]) -> bool:
    """Say whether a tube's true pH lies in a band."""
    return tube.true_ph is not None and band[0] <= tube.true_ph < band[1]


def band_name(band: tuple[float, float]) -> str:
    """Return the name of a band."""
    low, high = band
    return f"below {high:g}" if low < 0 else f"{low:g} and above" if high > 14 else f"{low:g} to {high:g}"


def location_cells(group: Sequence[PhotoScore]) -> list[str]:
    """Return the cells about strips and tubes found."""
    strips = Counter(score.strip for score in group)
    tubes = tubes_of(group)
    found = sum(tube.reading is not None for tube in tubes)
    false = sum(len(score.false_tubes) for score in group)
    corners = sorted(score.corner_px for score in group if score.strip == "right")
    return [
        str(len(group)),
        str(strips["right"]),
        str(strips["wrong"]),
        str(strips["missing"]),
        f"{corners[len(corners) // 2]:.1f}" if corners else "-",
        str(len(tubes)),
        f"{found} ({100 * found / max(len(tubes), 1):.1f} %)",
        f"{false} ({100 * false / max(found + false, 1):.1f} %)",
    ]


def reading_cells(summary: Summary) -> list[str]:
    """Return the cells about readings."""
    low, high = exact_limits(summary.hits, summary.ranges) if summary.ranges else (0.0, 1.0)
    share = f"{summary.hits}/{summary.ranges}"
    if summary.ranges:
        share += f" = {100 * summary.hits / summary.ranges:.1f} %"
    return [
        str(summary.tubes),
        str(summary.stated),
        tables.number(summary.rmse, 3),
        tables.number(summary.rmse_on_card, 3),
        tables.number(summary.median_error, 3),
        tables.number(summary.bias, 3),
        share,
        f"{100 * low:.0f} to {100 * high:.0f} %" if summary.ranges else "-",
        tables.number(summary.width),
        f"{summary.beyond_one_sided}/{summary.beyond}",
        str(summary.inside_one_sided),
        str(summary.refused_samples),
        f"{summary.other_stated}/{summary.other}",
    ]


def print_problems(scores: Sequence[PhotoScore]) -> None:
    """List what went wrong, one line a problem."""
    print("\nProblems:")
    for score in scores:
        if score.strip != "right":
            print(f"  {score.file}: strip {score.strip}; {score.error or ', '.join(score.flags)}")
        elif score.error:
            print(f"  {score.file}: {score.error}")
        for reading in score.false_tubes:
            middle = [sum(axis) / len(axis) for axis in zip(*reading.liquid, strict=True)]
            print(f"  {score.file}: false tube at {middle[0]:.0f}, {middle[1]:.0f}: {reading}")
        for tube in score.tubes:
            problem = what_is_wrong(tube)
            if problem:
                true = "no sample" if tube.true_ph is None else f"pH {tube.true_ph:g}"
                print(f"  {score.file} ({score.kind}) tube {tube.number} ({tube.what}, {true}): {problem}")
    times = sorted(score.seconds for score in scores)
    print(f"Median time a photograph {times[len(times) // 2]:.2f} s, longest {times[-1]:.2f} s.")


def what_is_wrong(tube: TubeScore) -> str:
    """Return what is wrong with a tube's answer, "" when nothing is."""
    reading = tube.reading
    if reading is None:
        return "not found"
    said = f"{reading} [{', '.join(reading.flags)}]"
    if not tube.is_sample:
        return "" if tube.refused else f"must not be given a pH: {said}"
    if tube.refused:
        return f"refused: {said}"
    if tube.covered is False:
        return f"outside: {said}"
    if tube.beyond is not None and reading.bound != tube.beyond:
        return f"not one-sided: {said}"
    if tube.error is not None and abs(tube.error) > 0.5:
        return f"far off: {said}"
    return ""


def write_csv(path: Path, scores: Sequence[PhotoScore]) -> None:
    """Write one row a true tube and one a false tube."""
    columns = (
        "file", "kind", "indicator", "chart", "strip", "tube", "what", "true_ph", "drops_per_ml", "overlap",
        "ph", "ph_std", "low", "high", "bound", "flags", "delta_e", "l", "a", "b", "error",
    )  # fmt: skip
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns)
        writer.writeheader()
        for score in scores:
            common = {"file": score.file, "kind": score.kind, "strip": score.strip, "error": score.error}
            for tube in score.tubes:
                own = {
                    "indicator": tube.indicator,
                    "chart": tube.chart,
                    "tube": tube.number,
                    "what": tube.what,
                    "true_ph": tube.true_ph,
                    "drops_per_ml": round(tube.drops_per_ml, 3),
                    "overlap": round(tube.overlap, 3),
                }
                writer.writerow(common | own | said_cells(tube))
            for reading in score.false_tubes:
                false = TubeScore(score.file, score.kind, "", "", 0, "false", None, 0.0, (0, 14), reading)
                writer.writerow(common | {"what": "false"} | said_cells(false))


def said_cells(tube: TubeScore) -> dict[str, Any]:
    """Return the cells about what was said."""
    reading = tube.reading
    if reading is None:
        return {}
    said = reading.to_dict()
    low, high = said["range"] or (None, None)
    lab = dict(zip("lab", said["lab"], strict=True))
    return lab | {
        "ph": said["ph"],
        "ph_std": None if reading.ph_std is None else round(reading.ph_std, 4),
        "low": low,
        "high": high,
        "bound": said["bound"],
        "flags": " ".join(reading.flags),
        "delta_e": said["delta_e"],
    }


if __name__ == "__main__":
    main()
