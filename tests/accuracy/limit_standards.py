"""The smallest error of a reading that standards help, and how far the program is from it.

    python tests/accuracy/limit_standards.py [--workshops 24] [--seed 3] [--write]

`limit_bound.py` has the physics and the bound of one tube beside a card. Here the tubes of a workshop are taken
together: one phone, one lamp, one printed card. What card, ink and the camera's tone curve do is then one and the same for
all of them, and so is most of the light from the sides; a tube of known pH measures it. Each nuisance moves the colours
u of all tubes along directions that are known to first order; stacked, they make one covariance of all tubes. With the
derivatives by the sample's pH and by the dye load of every tube the bound is the formula of `limit_bound.py`. What no
standard takes away is each tube's own: noise, the light beside it, its glass. That is the last row: the liquid's colours
are known exactly, as endless standards would show them.

The program reads the same simulated tubes, as in `standards_gain.py`; its error is that of the posterior's
median, whether or not a pH would be stated.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tables
from limit import INFORMATIVE, rms
from limit_bound import (
    CORE_PIXELS,
    GLASS_STD,
    LN10,
    LOAD_STD,
    PIXELS_PER_SAMPLE,
    Metamerism,
    bounded,
    card_directions,
    draw_metamerism,
    outer,
    pixel_variance,
    prior_of,
    raw_liquid,
    tube_directions,
    tube_jacobian,
)
from workshop import INDICATORS, RELIT_STD, draw_picture, draw_workshop, measured

from hueph._types import FloatArray
from hueph.calibration import IndicatorCalibration
from hueph.estimating.posterior import pool_experts, pool_tubes, spread
from hueph.estimating.widening import find_situation, load_widening
from hueph.synthetic import Scene

DEVELOPERS = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
MARKER = "limit-standards"
TUBES, STANDARD_PICTURES, SAMPLE_PICTURES = 4, 6, 3
# Standards used: the first so many, of pictures after one another.
COUNTS = (4, 8, 24)
ALONE, OTHERS, ENDLESS = "by the chart alone", "beside 3 of unknown pH", "endless standards"
SHARED = ("print", "card to liquid", "interpolation", "correction")
# Of the light from the sides most is the workshop's; the rest is each tube's own.
OWN_GLASS = {**GLASS_STD, "relit": RELIT_STD}
COMMON_RELIT_STD = float(np.sqrt(GLASS_STD["relit"] ** 2 - RELIT_STD**2))


@dataclass(frozen=True, eq=False)
class TubeModel:
    """One tube to first order.

    Attributes
    ----------
    jacobian : array, shape (3, 2)
        Derivatives of u by pH and by ln load.
    own : array, shape (3, 3)
        Covariance of u of what is this tube's alone.
    common : array, shape (n, 3)
        What one standard deviation of each nuisance of the workshop moves u by, in one order for all tubes.
    prior : array, shape (2,)
        Standard deviations of the priors of pH and ln load.
    """

    jacobian: FloatArray
    own: FloatArray
    common: FloatArray
    prior: FloatArray

    @classmethod
    def of(cls, scene: Scene, index: int, metamerism: Metamerism) -> TubeModel:
        """Work out the model of a tube whose pH lies on the card."""
        raw = raw_liquid(scene, index)
        slope = -1.0 / (LN10 * raw)
        variance = pixel_variance(scene, raw) * PIXELS_PER_SAMPLE / CORE_PIXELS
        card = card_directions(scene, index, metamerism)
        beside = tube_directions(scene, index, raw, OWN_GLASS)
        own = np.diag(slope**2 * variance) + outer(card["noise"])
        own += outer(beside["light"]) + outer(beside["glass"])
        relit = beside["glass"][list(OWN_GLASS).index("relit")] * (COMMON_RELIT_STD / RELIT_STD)
        common = np.vstack([*(card[name] for name in SHARED), relit])
        return cls(slope[:, None] * tube_jacobian(scene, index), own, common, prior_of(scene))


def bound_beside(
    sample: TubeModel, known: Sequence[TubeModel] = (), unknown: Sequence[TubeModel] = ()
) -> float:
    """Return the smallest standard deviation of a sample's pH beside tubes of known and of unknown pH."""
    tubes = [sample, *unknown, *known]
    common = np.hstack([tube.common for tube in tubes])
    covariance = common.T @ common
    count, open_ph = len(tubes), 1 + len(unknown)
    jacobian, prior = np.zeros((3 * count, open_ph + count)), np.full(open_ph + count, LOAD_STD)
    for number, tube in enumerate(tubes):
        rows = slice(3 * number, 3 * number + 3)
        covariance[rows, rows] += tube.own
        jacobian[rows, open_ph + number] = tube.jacobian[:, 1]
        if number < open_ph:
            jacobian[rows, number], prior[number] = tube.jacobian[:, 0], tube.prior[0]
    return bounded(jacobian, {"all": covariance}, prior).std


def bound_known(sample: TubeModel) -> float:
    """Return the smallest standard deviation of a sample's pH when the workshop's liquids are known exactly."""
    return bounded(sample.jacobian, {"own": sample.own}, sample.prior).std


@dataclass(frozen=True)
class Beside:
    """One sample: its bounds and the errors of the program's median, by what it is read beside."""

    bounds: Mapping[str, float]
    errors: Mapping[str, float]


def compare(number: int, seed: int) -> list[Beside]:
    """Draw one workshop and compare its samples."""
    rng = np.random.default_rng((seed, 21, number))
    place = draw_workshop(rng, INDICATORS[number % len(INDICATORS)])
    low, high = float(place.card.ph[0]), float(place.card.ph[-1])
    metamerism = draw_metamerism(place.indicator, np.random.default_rng((seed, 22, number)))
    # Each picture's standards lie between those of the one before.
    spaced = np.linspace(low, high, 2 * TUBES)
    scenes = [
        draw_picture(place, rng, spaced[index % 2 :: 2] if index < STANDARD_PICTURES else rng.uniform(low, high, TUBES))
        for index in range(STANDARD_PICTURES + SAMPLE_PICTURES)
    ]  # fmt: skip
    models = [[TubeModel.of(scene, index, metamerism) for index in range(TUBES)] for scene in scenes]
    seen = [measured(scene, rng, f"picture {index}") for index, scene in enumerate(scenes)]
    known = [tube for picture in seen[:STANDARD_PICTURES] for tube in picture]
    known_models = [model for picture in models[:STANDARD_PICTURES] for model in picture]
    helped = {count: IndicatorCalibration().fit(known[:count]) for count in COUNTS}
    found = []
    for picture, of_picture in zip(seen[STANDARD_PICTURES:], models[STANDARD_PICTURES:], strict=True):
        together = pool_tubes([tube.evidence for tube in picture], together=True)
        for number, (tube, model, listening) in enumerate(zip(picture, of_picture, together, strict=True)):
            others = [*of_picture[:number], *of_picture[number + 1 :]]
            bounds = {ALONE: bound_beside(model), OTHERS: bound_beside(model, unknown=others)}
            pooled = pool_experts(tube.evidence)
            widen = load_widening().temperature(find_situation(pooled, set(), 0.0))
            medians = {
                way: spread(one, widen=widen).quantile(0.5)
                for way, one in ((ALONE, pooled), (OTHERS, listening))
            }
            for count, calibration in helped.items():
                way = title(count)
                bounds[way] = bound_beside(model, known_models[:count])
                refined = calibration.refine(tube.evidence, listening, photo=tube.photo, widen=widen)
                medians[way] = refined.quantile(0.5)
            bounds[ENDLESS] = bound_known(model)
            found.append(Beside(bounds, {way: median - tube.ph for way, median in medians.items()}))
    return found


def title(count: int) -> str:
    """Name a number of standards."""
    return f"{count} standards in other pictures"


def table(found: Sequence[Beside]) -> str:
    """Return both for each number of standards."""
    sharp = [sample for sample in found if sample.bounds[ALONE] < INFORMATIVE]
    head = ("read", "bound", "program", "program / bound", "median ratio", f"bound, below {INFORMATIVE:g}",
            "program", "program / bound", "median ratio")  # fmt: skip
    rows = []
    for way in found[0].bounds:
        row = [way]
        for group in (found, sharp):
            bounds = np.array([sample.bounds[way] for sample in group])
            row.append(f"{rms(bounds.tolist()):.3f}")
            if way not in found[0].errors:
                row += ["-", "-", "-"]
                continue
            errors = np.array([sample.errors[way] for sample in group])
            row.append(f"{rms(errors.tolist()):.3f}")
            row.append(f"{rms(errors.tolist()) / rms(bounds.tolist()):.2f}")
            # The median of |z| of a normal law is 0.6745.
            row.append(f"{np.median(np.abs(errors) / (0.6745 * bounds)):.2f}")
        rows.append(row)
    return (
        f"Standard deviation of pH, root mean square over {len(found)} samples on the card; the last four "
        f"columns are those {len(sharp)} whose bound by the chart alone is below {INFORMATIVE:g}:\n\n"
        + tables.markdown(head, rows)
    )


def main() -> None:
    """Draw, compare, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--workshops", type=int, default=24)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    options = parser.parse_args()
    found = [sample for number in range(options.workshops) for sample in compare(number, options.seed)]
    text = table(found)
    print(text)
    if options.write:
        tables.put_between(DEVELOPERS, MARKER, text)


if __name__ == "__main__":
    main()
