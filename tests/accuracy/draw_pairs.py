"""Draw small worlds whose tubes are compared with each other, and read them.

    python tests/accuracy/draw_pairs.py draw WORK --worlds 1000 --seed 1
    python tests/accuracy/draw_pairs.py read WORK

Each world is photographed four times: a scene of four tubes (two of equal pH, one up to 1 away, one
anywhere); the same scene by another camera; another scene with the same card and indicator under another
light; and the first scene by the first camera once more, after something was added to its tubes. `draw`
keeps what bears on each tube, `read` makes posteriors of it: only the second has to run again when the
networks or the widening change. `fit_pair_correlation.py` uses the result.
"""

from __future__ import annotations

import argparse
import pickle
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from draw_evidence import CAMERA_PARTS, SRGB_TO_P3, residual_of
from train_scorer import scene_evidence

from hueph._types import FloatArray
from hueph.comparing.joint import normal_score
from hueph.comparing.likeness import chart_distance
from hueph.estimating.features import TubeEvidence
from hueph.estimating.posterior import Posterior, pool_tubes, spread
from hueph.estimating.widening import find_situation, load_widening
from hueph.judging import backing_is_coloured
from hueph.synthetic import Scene, draw_world, simulate_measurements
from hueph.synthetic.cameras import draw_camera
from hueph.white_balance import linear_srgb_to_lab

KIND_SHARES = {"sheet": 0.50, "bench": 0.25, "mixed": 0.12, "harsh": 0.13}
KINDS_OF_PAIR = (
    "one picture",
    "same tube, another camera",
    "same scene, another camera",
    "another scene, same card",
    "same camera and light, after an addition",
)


@dataclass(frozen=True, slots=True)
class Drawn:
    """One tube as measured, with its truth; not yet read."""

    ph: float
    evidence: TubeEvidence
    residual: float
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Seen:
    """One tube as read, with its truth."""

    ph: float
    grid: FloatArray
    density: FloatArray
    lab: tuple[float, float, float]
    score: float
    inside: bool


@dataclass(frozen=True, slots=True)
class Pair:
    """Two tubes; `kind` is an index of KINDS_OF_PAIR, `distance` says how unlike the pictures are."""

    kind: int
    before: Seen
    after: Seen
    distance: float


Shot = list[Drawn]
World = tuple[Shot, Shot, Shot, Shot]


# ---------------------------------------------------------------- draw


def draw(rng: np.random.Generator) -> World:
    """Draw a world and photograph it four times."""
    kind = str(rng.choice(list(KIND_SHARES), p=list(KIND_SHARES.values())))
    scene = draw_world(rng, kind=kind, tube_count=4)
    low, high = float(scene.card.ph[0]) - 1.0, float(scene.card.ph[-1]) + 1.0
    first = float(scene.tubes[0].ph or low)
    close = float(np.clip(first + rng.uniform(-1.0, 1.0), low, high))
    scene = filled(scene, rng.permutation([first, first, close, float(scene.tubes[3].ph or low)]))
    again = replace(scene, camera=draw_camera(rng, harsh=kind == "harsh"))
    other = draw_world(rng, kind=kind, indicator=scene.indicator, card=scene.card, tube_count=3)
    shifted = np.clip(first + rng.uniform(-1.0, 1.0, 3), low, high)
    own = [tube.ph or low for tube in other.tubes]
    other = filled(
        other,
        np.array([rng.choice([first, new, old]) for new, old in zip(shifted, own, strict=True)]),
    )
    body = {name: getattr(scene.camera, name) for name in CAMERA_PARTS}
    later = replace(scene, camera=replace(draw_camera(rng, harsh=kind == "harsh"), **body))
    before = np.array([tube.ph or low for tube in scene.tubes])
    moved = rng.choice([0.0, 1.0, 4.0], size=4, p=[0.4, 0.4, 0.2]) * rng.uniform(-1.0, 1.0, 4)
    later = filled(later, np.clip(before + moved, low, high))
    return shoot(scene, rng), shoot(again, rng), shoot(other, rng), shoot(later, rng)


def filled(scene: Scene, wanted: FloatArray) -> Scene:
    """Give the tubes these pH values."""
    tubes = tuple(replace(tube, ph=round(float(ph), 2)) for tube, ph in zip(scene.tubes, wanted, strict=True))
    return replace(scene, tubes=tubes)


def shoot(scene: Scene, rng: np.random.Generator) -> Shot:
    """Photograph a scene and keep what bears on each tube."""
    seen = simulate_measurements(scene, rng)
    found = scene_evidence(scene, seen, rng)
    residual = residual_of(found[0][0], seen)
    to_srgb = np.linalg.inv(SRGB_TO_P3) if seen.display_p3 else np.eye(3)
    shot = []
    for evidence, ph in found:
        flags = ("coloured-backing",) if backing_is_coloured(evidence.backing, to_srgb) else ()
        shot.append(Drawn(ph, evidence, residual, flags))
    return shot


# ---------------------------------------------------------------- read


def posteriors_of(shot: Shot) -> list[Posterior]:
    """Read the tubes of a picture as `hueph read` does."""
    posteriors = []
    for tube, pooled in zip(shot, pool_tubes([tube.evidence for tube in shot], together=True), strict=True):
        situation = find_situation(pooled, tube.flags, tube.residual)
        posteriors.append(spread(pooled, widen=load_widening().temperature(situation)))
    return posteriors


def lab_of(tube: Drawn) -> tuple[float, float, float]:
    """Return the corrected colour of a tube."""
    light = np.maximum(tube.evidence.correction.apply(tube.evidence.tube), 0.0)
    lightness, a, b = linear_srgb_to_lab(light)
    return float(lightness), float(a), float(b)


def read(tube: Drawn, posterior: Posterior) -> Seen:
    """Keep of a reading what ties are worked out from."""
    # The density is piecewise linear in steps of ten points; keep the knots.
    grid, density = posterior.grid[::10], posterior.density[::10]
    return Seen(
        ph=tube.ph,
        grid=grid,
        density=density,
        lab=lab_of(tube),
        score=normal_score(grid, density, tube.ph),
        inside=posterior.chart_low <= tube.ph <= posterior.chart_high,
    )


def pairs_of(world: World) -> list[Pair]:
    """Read a world and pair its tubes."""
    a, b, c, d = (
        [read(tube, posterior) for tube, posterior in zip(shot, posteriors_of(shot), strict=True)]
        for shot in world
    )
    far_b, far_c, far_d = (unlike(world[0], shot) for shot in world[1:])
    pairs = [Pair(0, shot[i], shot[j], 0.0) for shot in (a, b, d) for i in range(4) for j in range(i)]
    pairs += [Pair(1 if i == j else 2, a[i], b[j], far_b) for i in range(4) for j in range(4)]
    pairs += [Pair(3, one, two, far_c) for one in a for two in c]
    return pairs + [Pair(4, a[i], d[j], far_d) for i in range(4) for j in range(4)]


def unlike(one: Shot, other: Shot) -> float:
    """How differently the chart looks in two pictures."""
    looks = [(shot[0].evidence.ph, shot[0].evidence.patches) for shot in (one, other)]
    return chart_distance(*looks[0], *looks[1])


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("step", choices=("draw", "read"))
    parser.add_argument("work", type=Path)
    parser.add_argument("--worlds", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options: Any = parser.parse_args()
    options.work.mkdir(parents=True, exist_ok=True)
    start = time.perf_counter()
    if options.step == "draw":
        rng = np.random.default_rng(options.seed)
        worlds = [draw(rng) for _ in range(options.worlds)]
        (options.work / f"drawn{options.seed}.pkl").write_bytes(pickle.dumps(worlds))
        print(f"{len(worlds)} worlds in {time.perf_counter() - start:.0f} s")
        return
    for file in sorted(options.work.glob("drawn*.pkl")):
        read_worlds = [pairs_of(world) for world in pickle.loads(file.read_bytes())]
        file.with_name(file.name.replace("drawn", "pairs")).write_bytes(pickle.dumps(read_worlds))
        print(f"{file.name}: {len(read_worlds)} worlds in {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    # Under its own name, so that what is pickled here can be read elsewhere.
    import draw_pairs

    draw_pairs.main()
