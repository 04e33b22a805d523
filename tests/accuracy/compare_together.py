"""What it brings to read the tubes of a picture together.

    python tests/accuracy/draw_evidence.py WORK ...     (as for fit_widening.py; --folder for photographs)
    python tests/accuracy/compare_together.py WORK --write

A row is a file of WORK; counted are tubes with company, that is with other tubes in their picture. Both ways are
widened by the shipped table. Surprise is the negative log density at the true pH (nats, lower is better); errors
are those of the median, held to the card, of all tubes whose pH lies on it, whether or not one would be stated.
--write puts the table into DEVELOPERS.md between the markers together.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import tables
from draw_evidence import DrawnTube, load_tubes
from limit import rms
from scoring import surprise

from hueph.estimating.posterior import PooledEvidence, Posterior, pool_tubes, spread, state
from hueph.estimating.widening import find_situation, load_widening

ROOT = Path(__file__).resolve().parents[2]
HEAD = (
    "pictures", "tubes", "surprise: alone", "together", "RMSE: alone", "together", "median abs. error: alone", "together",
    "in 95 % range: alone", "together", "median width: alone", "together",
)  # fmt: skip


def widened(tube: DrawnTube, pooled: PooledEvidence) -> Posterior:
    """Return the posterior as the program would make it."""
    situation = find_situation(pooled, set(tube.flags), tube.residual)
    return spread(pooled, widen=load_widening().temperature(situation))


def figures(tubes: Sequence[DrawnTube], posteriors: Sequence[Posterior]) -> list[float]:
    """Return mean surprise, RMSE, median error, share in range and median width of stated ranges."""
    surprises, errors, held, widths = [], [], [], []
    for tube, posterior in zip(tubes, posteriors, strict=True):
        ph, low, high = tube.true_ph, posterior.chart_low, posterior.chart_high
        surprises.append(surprise(posterior, ph))
        statement = state(posterior)
        held.append(statement.interval.contains(ph))
        if low <= ph <= high:
            errors.append(float(np.clip(posterior.quantile(0.5), low, high)) - ph)
        if np.isfinite(statement.interval.width):
            widths.append(statement.interval.width)
    return [
        float(np.mean(surprises)),
        rms(errors),
        float(np.median(np.abs(errors))),
        float(np.mean(held)),
        float(np.median(widths)),
    ]


def row(name: str, tubes: Sequence[DrawnTube]) -> list[str]:
    """Compare both ways on one file."""
    company = Counter(tube.photo for tube in tubes)
    ways = []
    for together in (False, True):
        pooled = pool_tubes([tube.evidence for tube in tubes], together=together)
        chosen = [(tube, one) for tube, one in zip(tubes, pooled, strict=True) if company[tube.photo] > 1]
        ways.append(figures([tube for tube, _ in chosen], [widened(*one) for one in chosen]))
    cells = [name, str(len(chosen))]
    for alone, both, style in zip(*ways, ("{:.3f}", "{:.3f}", "{:.3f}", "{:.1%}", "{:.2f}"), strict=True):
        cells += [style.format(value).replace("%", " %") for value in (alone, both)]
    return cells


def main() -> None:
    """Compare and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("work", type=Path)
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    options = parser.parse_args()
    text = tables.markdown(
        HEAD, [row(path.stem, load_tubes(path)) for path in sorted(options.work.glob("*.pkl"))]
    )
    print(text)
    if options.write:
        tables.put_between(ROOT / "DEVELOPERS.md", "together", text)


if __name__ == "__main__":
    main()
