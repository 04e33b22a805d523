"""Learn how strongly the errors of two readings go together, on simulated scenes; check it on others.

    python tests/accuracy/fit_pair_correlation.py simulate WORK --scenes 1500 --seed 1
    python tests/accuracy/fit_pair_correlation.py simulate WORK --scenes 1500 --seed 2
    python tests/accuracy/fit_pair_correlation.py fit WORK [--write] [--write-table]

Each scene holds four tubes (two of equal pH, one up to 1 away, one anywhere), taken by two cameras,
and a second scene with the same card and indicator under another light. The first shards are fitted,
the last one is kept aside to count how often intervals of the change hold. --write replaces the
package's table, --write-table the one in DEVELOPERS.md. Run it again when the scorer's weights change.
"""

from __future__ import annotations

import argparse
import json
import pickle
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import tables
from run_photos import DEVELOPERS
from scipy.optimize import minimize
from train_scorer import scene_evidence

import hueph.comparing
from hueph._types import FloatArray
from hueph.buffering import HOLD_PH
from hueph.comparing.correlation import Tie, dye_load
from hueph.comparing.joint import joint_ph, normal_score
from hueph.estimating.posterior import estimate_posterior
from hueph.synthetic import Scene, draw_world, simulate_measurements
from hueph.synthetic.cameras import draw_camera
from hueph.white_balance import linear_srgb_to_lab

KIND_SHARES = {"sheet": 0.50, "bench": 0.25, "mixed": 0.12, "harsh": 0.13}
# Beyond this a score says that the world lies outside the model, not how errors go together.
MOST_SCORE = 3.5
KINDS_OF_PAIR = ("same picture", "same tube, two cameras", "two pictures, one scene", "two scenes, one card")
TABLE = Path(hueph.comparing.__file__).parent / "data" / "pair_correlation.json"


@dataclass(frozen=True, slots=True)
class Seen:
    """One simulated tube as read."""

    ph: float
    grid: FloatArray
    density: FloatArray
    load: float
    std: float
    score: float
    inside: bool


@dataclass(frozen=True, slots=True)
class Pair:
    """Two tubes; `kind` is an index of KINDS_OF_PAIR."""

    kind: int
    before: Seen
    after: Seen


# ---------------------------------------------------------------- simulate


def look(scene: Scene, rng: np.random.Generator) -> list[Seen]:
    """Photograph a scene and read every tube."""
    seen = []
    for evidence, ph in scene_evidence(scene, simulate_measurements(scene, rng), rng):
        posterior = estimate_posterior(evidence)
        lab = linear_srgb_to_lab(np.maximum(evidence.correction.apply(evidence.tube), 0.0))
        # The density is piecewise linear in steps of ten points; keep the knots.
        grid, density = posterior.grid[::10], posterior.density[::10]
        seen.append(
            Seen(
                ph=ph,
                grid=grid,
                density=density,
                load=dye_load((float(lab[0]), float(lab[1]), float(lab[2]))),
                std=posterior.std,
                score=normal_score(grid, density, ph),
                inside=posterior.chart_low <= ph <= posterior.chart_high,
            )
        )
    return seen


def draw_pairs(rng: np.random.Generator) -> list[Pair]:
    """Draw a world, photograph it three times and pair the tubes."""
    kind = str(rng.choice(list(KIND_SHARES), p=list(KIND_SHARES.values())))
    scene = draw_world(rng, kind=kind, tube_count=4)
    low, high = float(scene.card.ph[0]) - 1.0, float(scene.card.ph[-1]) + 1.0
    first = float(scene.tubes[0].ph or low)
    close = float(np.clip(first + rng.uniform(-1.0, 1.0), low, high))
    wanted = rng.permutation([first, first, close, float(scene.tubes[3].ph or low)])
    scene = _filled(scene, wanted)
    again = replace(scene, camera=draw_camera(rng, harsh=kind == "harsh"))
    other = draw_world(rng, kind=kind, indicator=scene.indicator, card=scene.card, tube_count=3)
    shifted = np.clip(first + rng.uniform(-1.0, 1.0, 3), low, high)
    own = [tube.ph or low for tube in other.tubes]
    wanted = np.array(
        [rng.choice([first, new, old]) for new, old in zip(shifted, own, strict=True)], dtype=np.float64
    )
    other = _filled(other, wanted)
    a, b, c = look(scene, rng), look(again, rng), look(other, rng)
    pairs = [Pair(0, shot[i], shot[j]) for shot in (a, b) for i in range(4) for j in range(i)]
    pairs += [Pair(1 if i == j else 2, a[i], b[j]) for i in range(4) for j in range(4)]
    pairs += [Pair(3, one, two) for one in a for two in c]
    return pairs


def _filled(scene: Scene, wanted: FloatArray) -> Scene:
    """Give the tubes these pH values."""
    tubes = tuple(replace(tube, ph=round(float(ph), 2)) for tube, ph in zip(scene.tubes, wanted, strict=True))
    return replace(scene, tubes=tubes)


def simulate(options: argparse.Namespace) -> None:
    """Write one shard of pairs."""
    rng = np.random.default_rng(options.seed)
    start = time.perf_counter()
    worlds = [draw_pairs(rng) for _ in range(options.scenes)]
    options.work.mkdir(parents=True, exist_ok=True)
    with (options.work / f"pairs{options.seed}.pkl").open("wb") as stream:
        pickle.dump(worlds, stream)
    print(f"{len(worlds)} worlds in {time.perf_counter() - start:.0f} s")


# ---------------------------------------------------------------- fit


def fit(options: argparse.Namespace) -> None:
    """Fit both ties on all shards but the last, check them on the last."""
    files = sorted(options.work.glob("pairs*.pkl"))
    if len(files) < 2:
        raise SystemExit(f"{options.work} needs two shards: one to fit, one to check")
    shards = []
    for file in files:
        with file.open("rb") as stream:
            shards.append([pair for world in pickle.load(stream) for pair in world])
    learned = [pair for shard in shards[:-1] for pair in shard]
    ties = {
        "same_picture": fit_tie([pair for pair in learned if pair.kind == 0]),
        # Without the same tube before two cameras, which shares glass and light as well: to be on the safe side.
        "other_picture": fit_tie([pair for pair in learned if pair.kind in (2, 3)]),
    }
    for name, tie in ties.items():
        print(name, tie)
    text = check(ties, shards[-1], options.pairs)
    print(text)
    if options.write:
        TABLE.parent.mkdir(exist_ok=True)
        numbers = {name: {key: round(getattr(tie, key), 3) for key in FIELDS} for name, tie in ties.items()}
        TABLE.write_text(json.dumps(numbers, indent=1) + "\n", encoding="utf-8")
    if options.write_table:
        tables.put_between(DEVELOPERS, "compare-simulated", text)


FIELDS = ("at_best", "reach_ph", "by_load", "by_width")


def fit_tie(pairs: Sequence[Pair]) -> Tie:
    """Maximise the likelihood of the scores of pairs whose true pH lie on the card.

    The scores' common scale is free, so that posteriors a little too wide or too narrow do not pass
    for correlation.
    """
    used = [pair for pair in pairs if pair.before.inside and pair.after.inside]
    z, w = (
        np.clip([getattr(pair, side).score for pair in used], -MOST_SCORE, MOST_SCORE)
        for side in ("before", "after")
    )
    change = np.array([pair.after.ph - pair.before.ph for pair in used])
    load = np.array([abs(np.log(pair.after.load / pair.before.load)) for pair in used])
    width = np.array([abs(np.log(pair.after.std / pair.before.std)) for pair in used])

    def surprise(p: FloatArray) -> float:
        r = np.tanh(p[0]) * np.exp(
            -((change / np.exp(p[1])) ** 2) - np.exp(p[2]) * load - np.exp(p[3]) * width
        )
        rest = 1.0 - np.clip(r, -0.98, 0.98) ** 2
        square = (z**2 - 2.0 * r * z * w + w**2) / rest
        return float(np.mean(0.5 * np.log(rest) + 0.5 * square * np.exp(-2.0 * p[4]) + 2.0 * p[4]))

    starts = ([1.5, 0.0, -1.0, -0.5, 0.0], [0.7, -0.5, -3.0, 0.5, 0.0])
    settings = {"maxiter": 4000, "maxfev": 4000}
    found = [minimize(surprise, start, method="Nelder-Mead", options=settings) for start in starts]
    best = min(found, key=lambda one: float(one.fun))
    at_best, reach, by_load, by_width, _ = best.x
    return Tie(float(np.tanh(at_best)), *(float(np.exp(value)) for value in (reach, by_load, by_width)))


# ---------------------------------------------------------------- check


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the joint interval did for one pair."""

    change: float
    held: bool
    width: float
    held_alone: bool
    width_alone: float
    excludes_zero: bool
    shifted: bool


def check(ties: dict[str, Tie], pairs: Sequence[Pair], count: int) -> str:
    """Return a table of coverage and width on pairs the fit has not seen."""
    rng = np.random.default_rng(0)
    bands: list[tuple[str, Callable[[float], bool]]] = [
        ("0", lambda change: change == 0.0),
        ("up to 0.5", lambda change: 0.0 < change <= 0.5),
        ("0.5 to 1", lambda change: 0.5 < change <= 1.0),
        ("above 1", lambda change: change > 1.0),
    ]
    rows = []
    for number, name in enumerate(KINDS_OF_PAIR):
        inside = [pair for pair in pairs if pair.kind == number and pair.before.inside and pair.after.inside]
        tie = ties["same_picture" if number == 0 else "other_picture"]
        chosen = rng.permutation(len(inside))[:count]
        outcomes = [outcome(inside[int(index)], tie) for index in chosen]
        for band, belongs in bands:
            some = [one for one in outcomes if belongs(abs(one.change))]
            if len(some) >= 20:
                rows.append([name, band, *cells(some)])
    head = ["pair", "true change", "n", "in 95 % interval", "the same, independent", "median width"]
    head += ["width / independent", "range without 0", "called shifted"]
    return tables.markdown(head, rows)


def outcome(pair: Pair, tie: Tie) -> Outcome:
    """Compare one pair with and without correlation."""
    load = pair.before.load / pair.after.load
    width = pair.before.std / pair.after.std
    ends = []
    moved = 0.0
    for correlation in (lambda change: tie.correlation(change, load, width), 0.0):
        joint = joint_ph(
            (pair.before.grid, pair.before.density), (pair.after.grid, pair.after.density), correlation
        )
        if not ends:
            up, down = joint.change > HOLD_PH, joint.change < -HOLD_PH
            moved = max(joint.probability(up), joint.probability(down))
        ends.append([joint.quantile(joint.change, share) for share in (0.025, 0.975)])
    (low, high), (low_alone, high_alone) = ends
    change = pair.after.ph - pair.before.ph
    return Outcome(
        round(change, 6),
        low <= change <= high,
        high - low,
        low_alone <= change <= high_alone,
        high_alone - low_alone,
        low > 0.0 or high < 0.0,
        moved >= 0.95,
    )


def cells(outcomes: Sequence[Outcome]) -> list[str]:
    """Return the cells of one row."""
    count = len(outcomes)
    return [
        str(count),
        f"{100 * sum(one.held for one in outcomes) / count:.1f} %",
        f"{100 * sum(one.held_alone for one in outcomes) / count:.1f} %",
        f"{np.median([one.width for one in outcomes]):.2f}",
        f"{np.median([one.width / one.width_alone for one in outcomes]):.2f}",
        f"{100 * sum(one.excludes_zero for one in outcomes) / count:.1f} %",
        f"{100 * sum(one.shifted for one in outcomes) / count:.1f} %",
    ]


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    commands = parser.add_subparsers(required=True)
    first = commands.add_parser("simulate", help="write one shard of simulated pairs")
    first.add_argument("work", type=Path)
    first.add_argument("--scenes", type=int, default=1500)
    first.add_argument("--seed", type=int, default=1)
    first.set_defaults(run=simulate)
    second = commands.add_parser("fit", help="fit the table and check it")
    second.add_argument("work", type=Path)
    second.add_argument("--pairs", type=int, default=1500, help="pairs of each kind to check")
    second.add_argument("--write", action="store_true", help="replace the table of the package")
    second.add_argument("--write-table", action="store_true", help="put the check into DEVELOPERS.md")
    second.set_defaults(run=fit)
    options: Any = parser.parse_args()
    options.run(options)


if __name__ == "__main__":
    main()
