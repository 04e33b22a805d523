"""Fit how the errors of readings hang together (`hueph.calibration.Kernel`) on simulated workshops.

    python tests/accuracy/fit_standards.py simulate WORK --worlds 120 --seed 1
    python tests/accuracy/fit_standards.py fit WORK

The first command may run several times with other seeds. Half of the worlds are one card and indicator
seen by three phones under three lamps, three pictures each, the tubes standing wherever they stand; the
other half are workshops in which phone, lamp and its place stay (`workshop.py`), twelve pictures each.
Half of the indicators are random mixtures. The second command maximises the likelihood of the labels'
normal scores over the kernel's seven numbers and prints them; put them into `Kernel`. No photograph is
looked at. Workshops for tables of accuracy are drawn from other seeds.
"""

from __future__ import annotations

import argparse
import pickle
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import minimize
from workshop import INDICATORS, Workshop, draw_picture, draw_workshop, elsewhere, measured

from hueph._types import BoolArray, FloatArray
from hueph.calibration import IndicatorCalibration, Kernel, KnownTube, picture_distance

NAMES = ("card", "setup", "picture", "own", "alike", "ph", "load")


@dataclass(frozen=True)
class World:
    """Pairs of tubes of one card: scores, and what their covariance depends on."""

    scores: FloatArray
    ph_apart: FloatArray
    load_apart: FloatArray
    pictures_apart: FloatArray
    same_picture: BoolArray


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    commands = parser.add_subparsers(required=True)
    first = commands.add_parser("simulate", help="draw workshops and read every tube")
    first.add_argument("work", type=Path)
    first.add_argument("--worlds", type=int, default=120)
    first.add_argument("--seed", type=int, default=1)
    first.set_defaults(run=simulate)
    second = commands.add_parser("fit", help="fit the kernel on everything in WORK")
    second.add_argument("work", type=Path)
    second.set_defaults(run=fit)
    arguments = parser.parse_args()
    arguments.run(arguments)


def simulate(arguments: argparse.Namespace) -> None:
    """Write one file of worlds."""
    rng = np.random.default_rng((17, arguments.seed))
    arguments.work.mkdir(parents=True, exist_ok=True)
    start, worlds = time.perf_counter(), []
    for number in range(arguments.worlds):
        name = str(rng.choice(INDICATORS)) if number % 4 < 2 else None
        place = draw_workshop(rng, name)
        tubes = _wandering(place, rng) if number % 2 else _pictures(place, rng, 12, "picture")
        worlds.append(_world(tubes))
    file = arguments.work / f"standards{arguments.seed}.pkl"
    file.write_bytes(pickle.dumps(worlds))
    print(f"{file.name}: {len(worlds)} worlds in {time.perf_counter() - start:.0f} s")


def _pictures(place: Workshop, rng: np.random.Generator, count: int, name: str) -> list[KnownTube]:
    """Return the tubes of some pictures of one workshop, their pH anywhere on the card and 0.2 beyond."""
    low, high = float(place.card.ph[0]) - 0.2, float(place.card.ph[-1]) + 0.2
    tubes: list[KnownTube] = []
    for number in range(count):
        ph = rng.uniform(low, high, int(rng.integers(3, 6)))
        tubes += measured(draw_picture(place, rng, ph), rng, f"{name} {number}")
    return tubes


def _wandering(place: Workshop, rng: np.random.Generator) -> list[KnownTube]:
    """Return the tubes of three phones under three lamps."""
    tubes: list[KnownTube] = []
    for phone in range(3):
        place = elsewhere(place, rng) if phone else place
        tubes += _pictures(place, rng, 3, f"phone {phone}, picture")
    return tubes


def _world(tubes: list[KnownTube]) -> World:
    """Read every tube by the chart alone."""
    made = IndicatorCalibration().fit(tubes)
    ph, load = np.array(made.places_).T
    shown = {tube.photo: tube.evidence for tube in tubes}
    apart = {(a, b): picture_distance(shown[a], shown[b]) for a in shown for b in shown}
    return World(
        made.scores_,
        ph[:, None] - ph,
        load[:, None] - load,
        np.array([[apart[a.photo, b.photo] for b in tubes] for a in tubes]),
        np.array([[a.photo == b.photo for b in tubes] for a in tubes]),
    )


def covariance(kernel: Kernel, world: World) -> FloatArray:
    """Return the covariance of the scores of a world."""
    alike = np.exp(-0.5 * (world.pictures_apart / kernel.alike) ** 2)
    strength = kernel.card**2 + kernel.setup**2 * alike + kernel.picture**2 * world.same_picture
    near = np.exp(-0.5 * ((world.ph_apart / kernel.ph) ** 2 + (world.load_apart / kernel.load) ** 2))
    return np.asarray(strength * near + kernel.own**2 * np.eye(len(world.scores)))


def surprise(kernel: Kernel, worlds: list[World]) -> float:
    """Return the mean negative log likelihood of a score, less its constant."""
    total = 0.0
    for world in worlds:
        root = np.linalg.cholesky(covariance(kernel, world))
        scaled = np.linalg.solve(root, world.scores)
        total += float(0.5 * scaled @ scaled + np.log(np.diag(root)).sum())
    return total / sum(len(world.scores) for world in worlds)


def fit(arguments: argparse.Namespace) -> None:
    """Fit and print."""
    worlds: list[World] = []
    for file in sorted(arguments.work.glob("standards*.pkl")):
        worlds += pickle.loads(file.read_bytes())
    start = Kernel()
    spread = float(np.sqrt(np.mean(np.concatenate([world.scores for world in worlds]) ** 2)))
    print(
        f"{len(worlds)} worlds; independent errors {0.5 + np.log(spread):.4f}, {start} {surprise(start, worlds):.4f}"
    )

    def loss(logs: Any) -> float:
        try:
            return surprise(Kernel(**dict(zip(NAMES, np.exp(logs), strict=True))), worlds)
        except np.linalg.LinAlgError:  # far out, rounding beats the smallest eigenvalue
            return np.inf

    first = np.log([getattr(start, name) for name in NAMES])
    found = minimize(loss, first, method="Nelder-Mead", options={"maxiter": 250, "fatol": 1e-5})
    values = ", ".join(f"{name} {value:.3f}" for name, value in zip(NAMES, np.exp(found.x), strict=True))
    print(f"fitted: {values}; {found.fun:.4f}")


if __name__ == "__main__":
    main()
