"""Two narrow-range indicators on two portions of a sample against one universal indicator, simulated.

    python tests/accuracy/compare_indicators.py [--samples 300] [--seed 1] [--write]

Each sample has a pH drawn evenly from 6.0 to 7.5, where both narrow ones turn. Its portions get bromocresol
purple (card 5.2 to 7.2), bromothymol blue (6.0 to 8.0) and a universal indicator (4 to 10), each beside a card
of its own, in pictures of their own. The first two are combined as `hueph compare` combines them. As a second
check the portion with bromothymol blue holds another sample, at least 1 away: how often is that conflict named?
--write puts the table into DEVELOPERS.md between the markers compare-indicators.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import tables
from draw_pairs import lab_of, posterior_of, shoot
from run_photos import DEVELOPERS
from scoring import exact_limits

from hueph.comparing.change import Observation
from hueph.comparing.replicates import Combined, combine
from hueph.estimating.posterior import state
from hueph.interval import Interval
from hueph.results import Reading
from hueph.synthetic import draw_world
from hueph.synthetic.card import card_from_artwork, draw_artwork
from hueph.synthetic.dyes import draw_indicator

NARROW = {"bromocresol purple": (5.2, 7.2, 0.4), "bromothymol blue": (6.0, 8.0, 0.4)}
UNIVERSAL = {"four-dye classical": (4.0, 10.0, 0.5)}
KINDS = ("sheet", "bench", "mixed")


@dataclass(frozen=True)
class Answer:
    """What was said about one sample."""

    true: float
    ph: float | None
    interval: Interval
    median: float


def seen(name: str, span: tuple[float, float, float], ph: float, rng: np.random.Generator) -> Observation:
    """Photograph one portion and read it."""
    indicator = draw_indicator(rng, name)
    values = np.round(np.arange(span[0], span[1] + 1e-9, span[2]), 3)
    card = card_from_artwork(rng, values, draw_artwork(rng, indicator, values))
    scene = draw_world(rng, kind=str(rng.choice(KINDS)), indicator=indicator, card=card, tube_count=1)
    scene = replace(scene, tubes=(replace(scene.tubes[0], ph=ph),))
    (tube,) = shoot(scene, rng)
    posterior = posterior_of(tube)
    said = state(posterior)
    reading = Reading(
        tube=1,
        liquid=(),
        core=(),
        ph=said.ph,
        ph_std=posterior.std,
        interval=said.interval,
        bound=said.bound,
        flags=(),
        lab=lab_of(tube),
        delta_e=0.0,
        grid=posterior.grid,
        posterior=posterior.density,
    )
    picture = f"{rng.integers(1 << 62):x}"
    return Observation(reading, name, picture, name, name, (float(values[0]), float(values[-1])))


def answer(observation: Observation, true: float) -> Answer:
    """Keep what is scored."""
    reading = observation.reading
    assert reading.interval is not None  # every simulated portion holds the indicator
    total = np.cumsum(reading.posterior)
    median = float(np.interp(0.5, total / total[-1], reading.grid))
    return Answer(true, reading.ph, reading.interval, median)


def cells(answers: Sequence[Answer]) -> list[str]:
    """Return the cells of one row."""
    count = len(answers)
    errors = np.array([one.median - one.true for one in answers])
    hits = sum(one.interval.contains(one.true) for one in answers)
    low, high = exact_limits(hits, count)
    widths = [one.interval.width for one in answers]
    closed = [width for width in widths if np.isfinite(width)]
    return [
        str(count),
        f"{np.sqrt((errors**2).mean()):.2f}",
        f"{np.median(np.abs(errors)):.2f}",
        f"{100 * hits / count:.1f} % ({100 * low:.0f} to {100 * high:.0f} %)",
        f"{np.median(closed):.2f}" if closed else "-",
        f"{100 * (count - len(closed)) / count:.0f} %",
    ]


def main() -> None:
    """Simulate, combine, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--samples", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    found: dict[str, list[Answer]] = {}
    conflicts = {"same sample": [0, 0], "samples 1 or more apart": [0, 0]}
    for _ in range(options.samples):
        ph = round(float(rng.uniform(6.0, 7.5)), 2)
        portions = {name: seen(name, span, ph, rng) for name, span in (NARROW | UNIVERSAL).items()}
        both = combine([portions[name] for name in NARROW])
        count(conflicts["same sample"], both)
        rows = portions | {"the two narrow ones combined": both.observation}
        for name, observation in rows.items():
            found.setdefault(name, []).append(answer(observation, ph))
        other = ph + 1.0 + 0.5 * float(rng.random()) if ph < 6.75 else ph - 1.0 - 0.5 * float(rng.random())
        name = "bromothymol blue"
        mixed = combine([portions["bromocresol purple"], seen(name, NARROW[name], round(other, 2), rng)])
        count(conflicts["samples 1 or more apart"], mixed)
    head = [
        "indicator",
        "n",
        "RMSE of the median",
        "median abs. error",
        "in 95 % range",
        "median width",
        "open range",
    ]
    text = tables.markdown(head, [[name, *cells(answers)] for name, answers in found.items()])
    text += "\n\nConflict between the two narrow ones named: " + "; ".join(
        f"{name} {number} of {total}" for name, (number, total) in conflicts.items()
    )
    print(text)
    if options.write:
        tables.put_between(DEVELOPERS, "compare-indicators", text)


def count(tally: list[int], combined: Combined) -> None:
    """Count conflicts."""
    tally[0] += bool(combined.conflict)
    tally[1] += 1


if __name__ == "__main__":
    main()
