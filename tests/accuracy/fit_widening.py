"""Fit how far posteriors are widened, situation by situation, and check it on cameras and lamps left out.

    python tests/accuracy/draw_evidence.py WORK --scenes 9000 --seed 1
    python tests/accuracy/draw_evidence.py WORK --scenes 400 --seed 2 --pixels
    python tests/accuracy/draw_evidence.py WORK --folder FOLDER
    python tests/accuracy/fit_widening.py WORK --write

Conformal risk control (Angelopoulos et al. 2022) with the photograph as the unit: the risk of a photograph is
the share of its tubes outside their ranges; the temperature of a situation is the smallest at which the mean
risk, with one more photograph counted as missed, stays below what the coverage allows. Situations that cannot
be told apart by their coverage share a temperature (LIKE): each has too few photographs for one of its own.
The three sources (scenes measured without a pixel, drawn photographs, path-traced photographs of FOLDERs) weigh
the same: the renderer's worlds are wider than path-traced photographs, but there are many more of them, and a
quantile of a hundred photographs hangs on one or two of them. --write stores the table in the package and puts
the figures into DEVELOPERS.md between the markers widening. Coverage below is that of ranges and bounds together.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tables
from draw_evidence import DrawnTube, load_tubes
from scipy import stats

import hueph.estimating
from hueph._types import BoolArray, FloatArray, IntArray
from hueph.estimating.posterior import PooledEvidence, pool_tubes, spread, state
from hueph.estimating.widening import (
    COVERAGE,
    PLACES,
    TABLE_VERSION,
    Situation,
    WideningTable,
    find_situation,
)
from hueph.judging import backing_is_coloured, glass_shines

ROOT = Path(__file__).resolve().parents[2]
# Situations fitted together.
LIKE = {
    Situation("inside", strange=False): "usual",
    Situation("coloured-backing", strange=False): "usual",
    Situation("bad-light", strange=False): "bad light",
    Situation("near-end", strange=False): "usual, near an end",
}
STRANGE = "strange"
# Below 1 a posterior would be sharpened: no table may do that on the word of few photographs.
TEMPERATURES = np.round(np.geomspace(1.0, 4.0, 31), 3)
OTHER_COVERAGES = (0.5, 0.68, 0.8, 0.9, 0.95, 0.99)


@dataclass(frozen=True, slots=True)
class Case:
    """One tube with what the fit needs."""

    tube: DrawnTube
    source: str
    pooled: PooledEvidence
    situation: Situation
    holds: BoolArray  # at each of TEMPERATURES

    @property
    def group(self) -> str:
        """The photograph."""
        return f"{self.source}:{self.tube.photo}"


def load_cases(work: Path) -> list[Case]:
    """Return every indicator sample of the files of `draw_evidence.py`."""
    cases = []
    for path in sorted(work.glob("*.pkl")):
        source = path.stem.split("-")[0]
        tubes = load_tubes(path)
        pooled = pool_tubes([tube.evidence for tube in tubes], together=True)
        cases.extend(make_case(tube, one, source) for tube, one in zip(tubes, pooled, strict=True))
        print(f"{path.name}: {len(tubes)} tubes", flush=True)
    return cases


def make_case(tube: DrawnTube, pooled: PooledEvidence, source: str) -> Case:
    """Work out at which temperatures the range holds the truth."""
    flags = set(tube.flags)
    if source == "fast":
        # Scenes without a pixel show no bad light. Glass shines in three of ten of their tubes, and these are covered
        # like the others (94 % before widening).
        if backing_is_coloured(tube.evidence.backing, np.eye(3)):
            flags.add("coloured-backing")
    elif glass_shines(tube.evidence.glass):
        flags.add("bright-glass")
    holds = np.array([covers(pooled, tube.true_ph, value, COVERAGE) for value in TEMPERATURES])
    return Case(tube, source, pooled, find_situation(pooled, flags, tube.residual), holds)


def covers(pooled: PooledEvidence, ph: float, temperature: float, coverage: float) -> bool:
    """Say whether what would be stated at this temperature holds the true pH."""
    return state(spread(pooled, widen=temperature), coverage=coverage).interval.contains(ph)


def weights(cases: Sequence[Case]) -> FloatArray:
    """Weight of each tube: photographs share theirs among their tubes, sources theirs among photographs."""
    sizes: dict[str, int] = {}
    for case in cases:
        sizes[case.group] = sizes.get(case.group, 0) + 1
    single = np.array([1.0 / sizes[case.group] for case in cases])
    sources = np.array([case.source for case in cases])
    for source in np.unique(sources):
        single[sources == source] /= single[sources == source].sum()
    return single


def fit(cases: Sequence[Case]) -> WideningTable:
    """Return the temperature of every situation."""
    weight = weights(cases)
    holds = np.array([case.holds for case in cases])
    kinds = np.array([LIKE.get(case.situation, STRANGE) for case in cases])
    units = np.unique([case.group for case in cases], return_inverse=True)[1]
    found = {
        kind: least_temperature(holds[kinds == kind], weight[kinds == kind], units[kinds == kind])
        for kind in (*set(LIKE.values()), STRANGE)
    }
    temperatures = {}
    for place in PLACES:
        usual = found[LIKE[Situation(place, strange=False)]]
        temperatures[Situation(place, strange=False).name] = usual
        # What is strange is widened at least as much.
        temperatures[Situation(place, strange=True).name] = max(usual, found[STRANGE])
    return WideningTable(temperatures)


def least_temperature(holds: BoolArray, weight: FloatArray, units: IntArray) -> float:
    """Return the lowest temperature with enough coverage, one more photograph counted as missed.

    Parameters
    ----------
    holds : array, shape (n, len(TEMPERATURES))
        Whether the range of each tube holds the truth.
    weight : array, shape (n,)
    units : array, shape (n,)
        Photograph of each tube.
    """
    if not len(holds):
        return 1.0
    per_photo = np.bincount(units, weight)
    count = per_photo.sum() ** 2 / (per_photo**2).sum()  # effective number of photographs
    risk = 1.0 - (weight @ holds) / weight.sum()
    enough = np.flatnonzero((count * risk + 1.0) / (count + 1.0) <= 1.0 - COVERAGE)
    return float(TEMPERATURES[enough[0] if len(enough) else -1])


def coverage_of(cases: Sequence[Case], table: WideningTable, coverage: float = COVERAGE) -> tuple[int, int]:
    """How many of the tubes are covered, of how many."""
    hits = sum(
        covers(case.pooled, case.tube.true_ph, table.temperature(case.situation), coverage) for case in cases
    )
    return hits, len(cases)


def text_of(hits: int, count: int) -> str:
    """Share with exact binomial limits."""
    if not count:
        return "-"
    low = stats.beta.ppf(0.025, hits, count - hits + 1) if hits else 0.0
    high = stats.beta.ppf(0.975, hits + 1, count - hits) if hits < count else 1.0
    return f"{100 * hits / count:.1f} % ({100 * low:.0f} to {100 * high:.0f} %)"


def situations_table(cases: Sequence[Case], table: WideningTable) -> str:
    """A row a situation: how often seen, temperature, coverage before and after, by source."""
    raw = WideningTable(dict.fromkeys(table.temperatures, 1.0))
    rows = []
    for name in [*table.temperatures, "all"]:
        row = [name, "-" if name == "all" else f"{table.temperatures[name]:.2f}"]
        for real in (True, False):
            some = [
                case
                for case in cases
                if (case.source == "photos") == real and name in ("all", case.situation.name)
            ]
            row += [str(len(some)), *(text_of(*coverage_of(some, which)) for which in (raw, table))]
        rows.append(row)
    head = ["situation", "temperature"]
    for source in ("photographs", "rendered"):
        head += [f"{source}: tubes", "in range, raw", "in range, widened"]
    return tables.markdown(head, rows)


def bands_table(cases: Sequence[Case], table: WideningTable) -> str:
    """A row a band of true pH, one unit wide, wherever the card ends."""
    bands: dict[int, list[Case]] = {}
    for case in cases:
        bands.setdefault(int(np.floor(case.tube.true_ph)), []).append(case)
    rows = []
    for low, inside in sorted(bands.items()):
        row = [f"{low} to {low + 1}"]
        for real in (True, False):
            some = [case for case in inside if (case.source == "photos") == real]
            row += [str(len(some)), text_of(*coverage_of(some, table))]
        rows.append(row)
    head = ("true pH", "photographs: tubes", "in range", "rendered: tubes", "in range")
    return tables.markdown(head, rows)


def levels_table(cases: Sequence[Case], table: WideningTable) -> str:
    """A row a coverage other than the one fitted."""
    rows = []
    for level in OTHER_COVERAGES:
        row = [f"{100 * level:g} %"]
        for real in (True, False):
            row.append(
                text_of(*coverage_of([c for c in cases if (c.source == "photos") == real], table, level))
            )
        rows.append(row)
    return tables.markdown(["asked", "photographs", "rendered"], rows)


def left_out_table(cases: Sequence[Case]) -> str:
    """Coverage on each camera, lamp and half of the photographs by a table that has not seen it."""
    rendered = [case for case in cases if case.source != "photos"]
    rows = []
    ways: tuple[tuple[str, Callable[[Case], tuple[int, ...]]], ...] = (
        ("camera", lambda case: (case.tube.camera,)),
        ("lamp", lambda case: case.tube.lamps),
    )
    for name, members in ways:
        hits, counts = [], []
        for one in sorted({member for case in rendered for member in members(case)}):
            table = fit([case for case in cases if case.source == "photos" or one not in members(case)])
            held = [case for case in rendered if one in members(case)]
            hit, count = coverage_of(held, table)
            hits.append(hit)
            counts.append(count)
        shares = [hit / count for hit, count in zip(hits, counts, strict=True) if count >= 60]
        rows.append(
            [
                f"one {name} of {len(counts)}",
                text_of(sum(hits), sum(counts)),
                f"{100 * min(shares):.1f} % to {100 * max(shares):.1f} %" if shares else "-",
            ]
        )
    photos = [case for case in cases if case.source == "photos"]
    if photos:
        names = sorted({case.group[:-5] for case in photos})  # both shots of a scene stay together
        hit, count = 0, 0
        for part in range(5):
            out = set(names[part::5])
            table = fit([case for case in cases if case.source != "photos" or case.group[:-5] not in out])
            some = coverage_of([case for case in photos if case.group[:-5] in out], table)
            hit, count = hit + some[0], count + some[1]
        rows.append(["a fifth of the photographed scenes", text_of(hit, count), "-"])
    return tables.markdown(["left out of the fit", "in 95 % range", "lowest and highest"], rows)


def main() -> None:
    """Fit, check, print and store."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("work", type=Path)
    parser.add_argument("--write", action="store_true", help="store the table and the figures")
    options = parser.parse_args()
    cases = load_cases(options.work)
    table = fit(cases)
    parts = [
        situations_table(cases, table),
        left_out_table(cases),
        bands_table(cases, table),
        levels_table(cases, table),
    ]
    text = "\n\n".join(parts)
    print(text)
    if options.write:
        content = {"version": TABLE_VERSION, "coverage": COVERAGE, "temperatures": table.temperatures}
        target = Path(hueph.estimating.__file__).parent / "data" / "widening.json"
        target.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
        tables.put_between(ROOT / "DEVELOPERS.md", "widening", text)


if __name__ == "__main__":
    main()
