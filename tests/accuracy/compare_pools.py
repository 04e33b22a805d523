"""Compare ways to pool the scorer with the surface, before any widening.

    python tests/accuracy/draw_evidence.py WORK ...     (as for fit_widening.py)
    python tests/accuracy/compare_pools.py WORK --write

A row is a weight of the scorer's log density and a law of the distance between liquid and surface (CAM16-UCS).
A cell holds the mean surprise (negative log density at the true pH, nats; lower is better) and the share of
95 % statements that hold the truth. Files of WORK are told apart by their names; --write puts the table into
DEVELOPERS.md between the markers pools.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import tables
from draw_evidence import DrawnTube, load_tubes
from scoring import surprise

from hueph._types import FloatArray
from hueph.estimating.posterior import PooledEvidence, pool, pool_tubes, spread, state

ROOT = Path(__file__).resolve().parents[2]
Pool = Callable[[FloatArray, FloatArray], FloatArray]


def cauchy(weight: float, scale: float) -> Pool:
    """Long tails about the surface."""
    return lambda scorer, distance: weight * scorer - np.log1p((distance / scale) ** 2)


def normal(weight: float, std: float) -> Pool:
    """A normal law about the surface."""
    return lambda scorer, distance: weight * scorer - 0.5 * (distance / std) ** 2


WAYS: dict[str, Pool] = {
    "scorer alone": lambda scorer, _: scorer,
    "surface alone, normal, std 6": normal(0.0, 6.0),
    "surface alone, Cauchy, scale 5": cauchy(0.0, 5.0),
    "0.85, normal, std 6 (used before)": normal(0.85, 6.0),
    "0.85, normal, std 10": normal(0.85, 10.0),
    "0.7, Cauchy, scale 5": cauchy(0.7, 5.0),
    "0.8, Cauchy, scale 3": cauchy(0.8, 3.0),
    "0.8, Cauchy, scale 4": cauchy(0.8, 4.0),
    "0.8, Cauchy, scale 5 (used)": pool,
    "0.8, Cauchy, scale 6": cauchy(0.8, 6.0),
    "0.8, Cauchy, scale 8": cauchy(0.8, 8.0),
    "0.9, Cauchy, scale 5": cauchy(0.9, 5.0),
}


def experts(tubes: Sequence[DrawnTube]) -> list[tuple[PooledEvidence, FloatArray, FloatArray]]:
    """Return, for each tube, what is pooled as shipped, and what either expert says."""
    said: list[tuple[FloatArray, FloatArray]] = []

    def listen(scorer: FloatArray, distance: FloatArray) -> FloatArray:
        said.append((scorer, distance))
        return scorer

    pooled = pool_tubes([tube.evidence for tube in tubes], listen)
    return [(one, *both) for one, both in zip(pooled, said, strict=True)]


def cell(
    tubes: Sequence[DrawnTube], heard: Sequence[tuple[PooledEvidence, FloatArray, FloatArray]], way: Pool
) -> str:
    """Mean surprise and coverage of one way."""
    surprises, held = [], []
    for tube, (pooled, scorer, distance) in zip(tubes, heard, strict=True):
        log_density = way(scorer, distance)
        posterior = spread(replace(pooled, log_density=log_density - log_density.max()))
        surprises.append(surprise(posterior, tube.true_ph))
        held.append(state(posterior).interval.contains(tube.true_ph))
    return f"{np.mean(surprises):.3f} ({100 * np.mean(held):.0f} %)"


def main() -> None:
    """Compare and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("work", type=Path)
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    options = parser.parse_args()
    head, columns = ["scorer's weight, law of the distance"], []
    for path in sorted(options.work.glob("*.pkl")):
        tubes = load_tubes(path)
        heard = experts(tubes)
        head.append(f"{path.stem} ({len(tubes)})")
        columns.append([cell(tubes, heard, way) for way in WAYS.values()])
    rows = [[name, *cells] for name, *cells in zip(WAYS, *columns, strict=True)]
    text = tables.markdown(head, rows)
    print(text)
    if options.write:
        tables.put_between(ROOT / "DEVELOPERS.md", "pools", text)


if __name__ == "__main__":
    main()
