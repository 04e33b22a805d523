"""How far the program is from the smallest error that is possible, and what eats the difference.

    python tests/accuracy/limit.py [--scenes 200] [--seed 11] [--photographs 60] [--write]
                                   [--figure samples/pictures/limit.png] [--grid bounds.csv]

`limit_bound.py` has the physics. For every drawn tube the bound with a perfect and with the real ruler is
worked out for its own camera, lamp, card, load and noise, and the program estimates its pH from the same
scene (colours of a perfect locator); truth and scenes are the same for the same seed. The program's error is
that of the posterior's median, whether or not a pH would be stated. --photographs adds drawn photographs,
read once as found and once with the true outlines given, for what locating adds. --grid writes both bounds for
every pH, indicator, dye load and noise level of one reference scene.
"""

from __future__ import annotations

import argparse
import csv
import itertools
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import tables
from limit_bound import SOURCES, Metamerism, draw_metamerism, perfect_bound, real_bound
from PIL import Image
from scoring import match
from sweep_scenes import base_scene
from train_scorer import scene_evidence

from hueph._types import FloatArray
from hueph.charting import calibrate_picture
from hueph.errors import HuephError
from hueph.estimating.posterior import Posterior, pool_tubes, spread
from hueph.reading import read_photo
from hueph.results import Reading
from hueph.synthetic import (
    Scene,
    draw_world,
    encode_photo,
    render_artwork,
    render_photo,
    simulate_measurements,
)
from hueph.synthetic.cameras import draw_camera
from hueph.synthetic.dyes import Indicator, named_indicator
from hueph.synthetic.layout import project
from hueph.synthetic.lights import daylight
from hueph.synthetic.surroundings import Illumination
from hueph.synthetic.tubes import TubeOptics

DEVELOPERS = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
MARKER = "limit"
INDICATORS = ("four-dye classical", "bromothymol blue", "phenol red", "green-blue")
LOADS = (0.5, 1.0, 2.0)
# Electrons at full well: a good, a usual and a poor photograph.
WELLS = (12000.0, 3000.0, 1000.0)
TUBES = 3
# The budget is told for tubes that the card can tell apart at all: bound of the real ruler below this.
INFORMATIVE = 0.3


@dataclass(frozen=True)
class Compared:
    """One drawn tube: its truth, both bounds, and the error of the program's median."""

    indicator: str
    ph: float
    load: float
    full_well: float
    perfect: float
    real: float
    parts: Mapping[str, float]
    error: float


def main() -> None:
    """Draw, estimate, compare, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--scenes", type=int, default=200, help="for each indicator")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--photographs", type=int, default=60)
    parser.add_argument("--write", action="store_true", help="put the tables into DEVELOPERS.md")
    parser.add_argument("--grid", type=Path, help="write every bound of the reference scene into this CSV")
    parser.add_argument("--figure", type=Path, help="draw the figure into this file")
    options = parser.parse_args()
    compared: list[Compared] = []
    for number, name in enumerate(INDICATORS):
        indicator = named_indicator(name)
        metamerism = draw_metamerism(indicator, np.random.default_rng((options.seed, number)))
        for scene in range(options.scenes):
            rng = np.random.default_rng((options.seed, number, scene))
            compared += compare(rng, indicator, metamerism)
    grid = bound_grid(options.seed)
    if options.grid is not None:
        write_grid(options.grid, grid)
    text = report(compared, locating(options.seed, options.photographs)) + "\n\n" + grid_table(grid)
    print(text)
    if options.figure is not None:
        draw_figure(compared, options.figure)
    if options.write:
        tables.put_between(DEVELOPERS, MARKER, text)


def compare(rng: np.random.Generator, indicator: Indicator, metamerism: Metamerism) -> list[Compared]:
    """Draw one scene on a white backing and compare its tubes."""
    scene = draw_world(rng, kind="sheet", indicator=indicator, tube_count=TUBES)
    low, high = float(scene.card.ph[0]), float(scene.card.ph[-1])
    tubes = tuple(
        replace(tube, ph=round(float(rng.uniform(low, high)), 2), load=float(rng.choice(LOADS)))
        for tube in scene.tubes
    )
    camera = replace(scene.camera, full_well=float(rng.choice(WELLS)), read=4.0)
    scene = replace(scene, tubes=tubes, camera=camera)
    found = scene_evidence(scene, simulate_measurements(scene, rng), rng)
    pooled = pool_tubes([evidence for evidence, _ in found], together=True)
    compared = []
    for index, (_, ph) in enumerate(found):
        real = real_bound(scene, index, metamerism)
        median = spread(pooled[index]).quantile(0.5)
        compared.append(
            Compared(
                indicator=indicator.name,
                ph=ph,
                load=tubes[index].load,
                full_well=camera.full_well,
                perfect=perfect_bound(scene, index).std,
                real=real.std,
                parts=real.parts,
                error=median - ph,
            )
        )
    return compared


# ---------------------------------------------------------------- locating


def locating(seed: int, photographs: int) -> FloatArray:
    """Return errors of drawn tubes read as found and with the true outlines given, shape (n, 2)."""
    errors: list[tuple[float, float]] = []
    with tempfile.TemporaryDirectory() as scratch:
        for number in range(photographs):
            scene = base_scene(seed, number)
            picture, truth = render_photo(scene, np.random.default_rng((seed, number, 1)))
            photo, card = Path(scratch) / "photo.jpg", Path(scratch) / "card.png"
            photo.write_bytes(encode_photo(picture, display_p3=scene.camera.display_p3, quality=90))
            Image.fromarray(render_artwork(scene)).save(card)
            try:
                chart = calibrate_picture(card, truth["chart_ph"], name="card")
                found = read_photo(photo, chart)
                given = read_photo(
                    photo, chart, tubes=boxes(truth), strip=around_patches(scene).ravel().tolist()
                )
            except HuephError:
                continue
            liquids = [np.array(tube["liquid"], dtype=float) for tube in truth["tubes"]]
            partner = match(liquids, [np.array(reading.liquid, dtype=float) for reading in found.tubes])
            for index, (other, _) in partner.items():
                pair = median_of(found.tubes[other], chart.ph), median_of(given.tubes[index], chart.ph)
                ph = truth["tubes"][index]["ph"]
                if pair[0] is not None and pair[1] is not None:
                    errors.append((pair[0] - ph, pair[1] - ph))
    return np.array(errors).reshape(-1, 2)


def boxes(truth: dict[str, Any]) -> list[tuple[float, float, float, float]]:
    """Return the true liquids as upright rectangles x, y, width, height."""
    made = []
    for tube in truth["tubes"]:
        liquid = np.array(tube["liquid"])
        (left, top), (wide, high) = liquid.min(axis=0), np.ptp(liquid, axis=0)
        made.append((float(left), float(top), float(wide), float(high)))
    return made


def around_patches(scene: Scene) -> FloatArray:
    """Return the true corners around all patches, clockwise from the top left, shape (4, 2)."""
    left, top = scene.card.layout.boxes[:, :2].min(axis=0)
    right, bottom = scene.card.layout.boxes[:, 2:].max(axis=0)
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    return project(scene.card_to_picture, corners)


def median_of(reading: Reading, ph: FloatArray) -> float | None:
    """Return the posterior's median, None for a tube that was refused."""
    if reading.interval is None or not len(reading.posterior):
        return None
    posterior = Posterior(reading.grid, reading.posterior, 0.0, float(ph[0]), float(ph[-1]))
    return posterior.quantile(0.5)


# ---------------------------------------------------------------- one scene, every level


@dataclass(frozen=True)
class GridBound:
    """Both bounds of one tube of the reference scene."""

    indicator: str
    ph: float
    load: float
    full_well: float
    perfect: float
    real: float


def bound_grid(seed: int) -> list[GridBound]:
    """Return the bounds of one scene in even daylight for every pH, indicator, load and noise level."""
    made = []
    for number, name in enumerate(INDICATORS):
        indicator, rng = named_indicator(name), np.random.default_rng((seed, 1000 + number))
        metamerism = draw_metamerism(indicator, rng)
        scene = draw_world(rng, kind="sheet", indicator=indicator, tube_count=1)
        camera = draw_camera(np.random.default_rng(seed))
        even = Illumination((daylight(5500.0),), np.ones(1), np.zeros((1, 5)))
        optics = TubeOptics(1.0, 1.0, 0.006, 0.012, 0.48, 1.0, 0.0, 0.956, 0.9, (0.85, 0.85), (0.22, 0.22))
        tube = replace(scene.tubes[0], optics=optics)
        low, high = float(scene.card.ph[0]), float(scene.card.ph[-1])
        levels = itertools.product(np.arange(low + 0.25, high, 0.5), LOADS, WELLS)
        for ph, load, well in levels:
            taken = replace(camera, full_well=well, read=4.0, level=0.75)
            filled = (replace(tube, ph=float(ph), load=load),)
            seen = replace(scene, tubes=filled, camera=taken, illumination=even)
            perfect, real = perfect_bound(seen, 0).std, real_bound(seen, 0, metamerism).std
            made.append(GridBound(name, float(ph), load, well, perfect, real))
    return made


def write_grid(path: Path, grid: Sequence[GridBound]) -> None:
    """Write every bound."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(("indicator", "ph", "load", "noise_percent", "perfect", "real"))
        for row in grid:
            noise = round(100 / row.full_well**0.5, 2)
            writer.writerow((row.indicator, row.ph, row.load, noise, f"{row.perfect:.5f}", f"{row.real:.4f}"))


def grid_table(grid: Sequence[GridBound]) -> str:
    """Return the bounds over the card's pH: lowest / median / highest."""
    head = ("indicator", "load", *(f"perfect, noise {100 / well**0.5:.1f} %" for well in WELLS), "real ruler")
    rows = []
    for name, load in itertools.product(INDICATORS, LOADS):
        cells = [
            extremes(
                [
                    row.perfect
                    for row in grid
                    if (row.indicator, row.load, row.full_well) == (name, load, well)
                ],
                4,
            )
            for well in WELLS
        ]
        middle = [
            row.real for row in grid if (row.indicator, row.load, row.full_well) == (name, load, WELLS[1])
        ]
        rows.append((name, f"{load:g}", *cells, extremes(middle, 2)))
    return (
        "Bounds in one scene of even daylight over the card's pH, lowest / median / highest "
        "(noise of one pixel at white; a core of 4,700 pixels):\n\n" + tables.markdown(head, rows)
    )


def extremes(values: Sequence[float], digits: int) -> str:
    """Return lowest, median and highest."""
    return " / ".join(f"{value:.{digits}f}" for value in (min(values), np.median(values), max(values)))


# ---------------------------------------------------------------- tables


def report(compared: Sequence[Compared], located: FloatArray) -> str:
    """Return the tables."""
    groups: list[tuple[str, Sequence[Compared]]] = []
    for name in INDICATORS:
        groups.append((name, [tube for tube in compared if tube.indicator == name]))
    groups += [(f"load x {load:g}", [tube for tube in compared if tube.load == load]) for load in LOADS]
    for well in WELLS:
        title = f"noise {100 / well**0.5:.1f} % of white"
        groups.append((title, [tube for tube in compared if tube.full_well == well]))
    wide = [tube for tube in compared if tube.real >= INFORMATIVE]
    sharp = [tube for tube in compared if tube.real < INFORMATIVE]
    groups += [
        (f"real bound below {INFORMATIVE:g}", sharp),
        (f"real bound from {INFORMATIVE:g}", wide),
        ("all", compared),
    ]
    head = ("tubes", "n", "perfect ruler", "real ruler", "program", "program / real", "median ratio")
    rows = [(name, *cells(group)) for name, group in groups if group]
    parts = [
        'Standard deviation of pH, root mean square over tubes; "median ratio" compares medians of |error| '
        "with those of normal errors as large as the bound:",
        tables.markdown(head, rows),
        budget(sharp, located),
    ]
    return "\n\n".join(parts)


def cells(group: Sequence[Compared]) -> list[str]:
    """Return the cells of a group of tubes."""
    perfect, real, error = (
        rms([value(tube) for tube in group]) for value in (_perfect, _real, lambda tube: tube.error)
    )
    # The median of |z| of a normal law is 0.6745.
    ratios = np.array([abs(tube.error) / (0.6745 * tube.real) for tube in group])
    return [
        str(len(group)),
        f"{perfect:.4f}",
        f"{real:.3f}",
        f"{error:.3f}",
        f"{error / real:.2f}",
        f"{np.median(ratios):.2f}",
    ]


def _perfect(tube: Compared) -> float:
    return tube.perfect


def _real(tube: Compared) -> float:
    return tube.real


def rms(values: Sequence[float]) -> float:
    """Return the root of the mean square."""
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else float("nan")


def budget(group: Sequence[Compared], located: FloatArray) -> str:
    """Return what makes up the program's variance over tubes that the card can tell apart."""
    whole = float(np.mean([tube.error**2 for tube in group]))
    rows = []
    for name in (*SOURCES, "prior"):
        share = float(np.mean([tube.parts[name] for tube in group]))
        label = "what priors of pH and load leave" if name == "prior" else name
        rows.append((label, f"{share**0.5:.3f}", f"{100 * share / whole:.0f} %"))
    bound = float(np.mean([tube.real**2 for tube in group]))
    rows.append(("real ruler in all", f"{bound**0.5:.3f}", f"{100 * bound / whole:.0f} %"))
    rest = whole - bound
    sign = "" if rest >= 0 else "-"
    rows.append(("the program beyond that", f"{sign}{abs(rest) ** 0.5:.3f}", f"{100 * rest / whole:+.0f} %"))
    rows.append(("program, located perfectly", f"{whole**0.5:.3f}", "100 %"))
    text = (
        f"What makes up the error where the card can tell pH apart (real bound below {INFORMATIVE:g}, "
        f"n = {len(group)}), pH units:\n\n"
        + tables.markdown(("source", "pH (k = 1)", "share of the variance"), rows)
    )
    if len(located):
        found, given = rms(located[:, 0]), rms(located[:, 1])
        moved = rms(located[:, 0] - located[:, 1])
        text += (
            f"\n\nLocating, on {len(located)} tubes of drawn photographs: RMSE of the median {found:.3f} as found, "
            f"{given:.3f} with the true outlines given; the two differ by {moved:.3f} (root mean square), "
            f"median {np.median(np.abs(located[:, 0] - located[:, 1])):.3f}."
        )
    return text


# ---------------------------------------------------------------- figure


def draw_figure(compared: Sequence[Compared], path: Path) -> None:
    """Draw error and both bounds against pH, a panel for each indicator; dashes and marks differ."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(1, len(INDICATORS), figsize=(13.0, 3.6), layout="constrained", sharey=True)
    curves: tuple[tuple[str, str, Callable[[Compared], float]], ...] = (
        ("perfect ruler", "^:", _perfect),
        ("real ruler", "s--", _real),
        ("program", "o-", lambda tube: tube.error),
    )
    for axis, name in zip(axes, INDICATORS, strict=True):
        group = [tube for tube in compared if tube.indicator == name]
        ph = np.array([tube.ph for tube in group])
        edges = np.linspace(ph.min(), ph.max() + 1e-9, 9)
        middles = 0.5 * (edges[1:] + edges[:-1])
        for label, style, value in curves:
            values = np.array([value(tube) for tube in group])
            heights = [rms(values[(ph >= low) & (ph < high)]) for low, high in itertools.pairwise(edges)]
            axis.plot(middles, heights, style, color="0.0", markerfacecolor="white" if label == "real ruler" else "0.0",
                      markersize=5, linewidth=1.2, label=label)  # fmt: skip
        axis.set(yscale="log", xlabel="pH", title=name)
        axis.grid(color="0.9", which="both", linewidth=0.5)
    axes[0].set_ylabel("standard deviation of pH")
    axes[0].legend(fontsize=8)
    figure.savefig(path, dpi=80)
    pyplot.close(figure)


if __name__ == "__main__":
    main()
