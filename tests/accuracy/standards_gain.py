"""Measure what standards gain over the printed chart alone, on scenes that they are not part of.

    python tests/accuracy/standards_gain.py FOLDER [--splits 20] [--workshops 60] [--pixels 12]
                                            [--traced FOLDER ...] [--write]

Photographs of FOLDER (laid out as for run_photos.py): half of the scenes of each indicator, drawn at
random, are standards, the other half are read; again for every split. Each scene has other cameras and
another lamp, and cards of one indicator differ in layout and print, so this is the hard case: only the
indicator stays. Workshops are simulated (`workshop.py`): phone, lamp and card stay, and standards stand in
other pictures than samples. --pixels draws photographs of so many more workshops and takes them through
the program from file to reading. --traced reads path-traced workshops (`path_trace.py --workshops`) in the same
way, located and measured by the program. "Chart alone" is always the shipped estimator with its widening.

Errors are compared over the tubes that both ways give a value, and over all tubes on the card by the
median of the posterior, whether or not it is stated. --write puts the tables into DEVELOPERS.md between
the markers standards-gain.
"""

from __future__ import annotations

import argparse
import functools
import json
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tables
from liquid_curve import Beside, LiquidCurve, beside
from run_photos import DEVELOPERS, make_charts
from scoring import match
from workshop import (
    INDICATORS,
    Workshop,
    draw_picture,
    draw_workshop,
    elsewhere,
    measured,
    write_artwork,
    write_photo,
)

from hueph._types import FloatArray
from hueph.calibration import IndicatorCalibration, KnownTube
from hueph.charting import calibrate_picture
from hueph.errors import HuephError
from hueph.estimating.posterior import PooledEvidence, Posterior, pool_tubes, spread, state
from hueph.estimating.widening import find_situation, load_widening
from hueph.judging import distance_from_chart, quality_flags, refusal_flags
from hueph.locate.strip import locate_strip
from hueph.locate.tubes import locate_tubes
from hueph.measuring import measure_strip, measure_tubes
from hueph.photo import load_photo
from hueph.reading import read_photo, tube_evidence
from hueph.results import Reading
from hueph.standards import BUFFER_STD, Label, LabelledPhoto, calibrate_with_standards
from hueph.white_balance import balance_picture

PICTURES, TUBES = 12, 4


@dataclass(frozen=True)
class Seen:
    """One tube of known pH with everything needed to read it either way."""

    tube: KnownTube
    pooled: PooledEvidence
    widen: float
    scene: str = ""
    indicator: str = ""
    group: str = ""

    @functools.cached_property
    def alone(self) -> Posterior:
        """By the printed chart alone, as shipped: the tubes of its picture together."""
        return spread(self.pooled, widen=self.widen)

    @functools.cached_property
    def beside(self) -> Beside:
        """Set beside the chart's surface."""
        return beside(self.tube.evidence)


@dataclass(frozen=True)
class Pair:
    """One tube read both ways."""

    ph: float
    alone: Posterior
    refined: Posterior
    group: str = ""


Refine = Callable[[Sequence[Seen], Sequence[Seen]], list[Pair]]


def main() -> None:
    """Parse the command line, measure, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--splits", type=int, default=20)
    parser.add_argument("--workshops", type=int, default=60)
    parser.add_argument("--pixels", type=int, default=12)
    parser.add_argument("--traced", type=Path, nargs="*", default=[], help="folders of path-traced workshops")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="put the tables into DEVELOPERS.md")
    options = parser.parse_args()
    start = time.perf_counter()
    rows = [
        row("photographs, half of the scenes as standards", photos(options, shipped)),
        row("the same, kriging alone", photos(options, kriging)),
        row("the same, bent surface instead", photos(options, bending)),
        *workshop_rows(options),
    ]
    if options.pixels:
        rows.append(row("drawn photographs, file to reading", drawn(options)))
    if options.traced:
        rows += traced_rows(options.traced)
    text = "\n\n".join(
        f"{title}\n\n{tables.markdown([HEAD[0], *HEAD[part]], [[one[0], *one[part]] for one in rows])}"
        for title, part in PARTS
    )
    print(text)
    print(f"{time.perf_counter() - start:.0f} s")
    if options.write:
        tables.put_between(DEVELOPERS, "standards-gain", text)


# ---------------------------------------------------------------- three ways


def shipped(standards: Sequence[Seen], samples: Sequence[Seen]) -> list[Pair]:
    """Read samples with the help of standards, as the program does."""
    made = IndicatorCalibration().fit([one.tube for one in standards])
    return [_pair(one, made.refine) for one in samples]


def kriging(standards: Sequence[Seen], samples: Sequence[Seen]) -> list[Pair]:
    """Leave the networks out."""
    made = IndicatorCalibration().fit([one.tube for one in standards])
    return [_pair(one, made.by_kriging) for one in samples]


def _pair(one: Seen, refine: Callable[..., Posterior]) -> Pair:
    refined = refine(one.tube.evidence, one.pooled, photo=one.tube.photo, widen=one.widen)
    return Pair(one.tube.ph, one.alone, refined, one.group)


def bending(standards: Sequence[Seen], samples: Sequence[Seen]) -> list[Pair]:
    """Read samples with the chart's surface bent to the standards."""
    curve = LiquidCurve([one.tube for one in standards], [one.beside for one in standards])
    return [
        Pair(one.tube.ph, one.alone, curve.refine(one.tube, one.beside, one.alone), one.group)
        for one in samples
    ]


# ---------------------------------------------------------------- photographs


def photos(options: argparse.Namespace, refine: Refine) -> list[Pair]:
    """Split the scenes of every indicator again and again."""
    seen = gather(options.folder)
    rng = np.random.default_rng((options.seed, 5))
    pairs: list[Pair] = []
    for _ in range(options.splits):
        for indicator in sorted({one.indicator for one in seen}):
            of_it = [one for one in seen if one.indicator == indicator]
            scenes = sorted({one.scene for one in of_it})
            half = len(scenes) // 2 + int(len(scenes) % 2 and rng.random() < 0.5)
            chosen = {scenes[int(index)] for index in rng.permutation(len(scenes))[:half]}
            standards = [one for one in of_it if one.scene in chosen]
            if standards:
                pairs += refine(standards, [one for one in of_it if one.scene not in chosen])
    return pairs


_GATHERED: dict[Path, list[Seen]] = {}


def gather(folder: Path) -> list[Seen]:
    """Locate and measure every readable sample of the photographs of a folder."""
    if folder in _GATHERED:
        return _GATHERED[folder]
    scenes = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    charts = make_charts(folder, scenes)
    seen: list[Seen] = []
    for scene in scenes:
        for shot in scene["shots"]:
            seen += _photo(folder / shot["file"], scene, charts[scene["chart"]])
    _GATHERED[folder] = seen
    return seen


def _photo(path: Path, scene: dict[str, Any], chart: Any, *, group: str = "") -> Iterator[Seen]:
    """Measure the samples of one photograph."""
    photo = load_photo(path)
    strip = locate_strip(photo, chart)
    locations = locate_tubes(photo, strip)
    measurements = measure_tubes(photo, strip, chart, locations)
    colours = balance_picture(photo, chart, measure_strip(photo, chart, strip))
    evidence = tube_evidence(colours, measurements, locations)
    read = pool_tubes(evidence, together=True)
    found = [photo.to_full(location.liquid) for location in locations]
    partners = match([np.array(tube["liquid"]) for tube in scene["tubes"]], found)
    for place, (index, _) in sorted(partners.items()):
        truth = scene["tubes"][place]
        if truth["ph"] is None:
            continue
        known, tube = evidence[index], measurements[index]
        flags = set(locations[index].flags) | quality_flags(colours, locations[index], tube, known)
        pooled = read[index]
        distance = distance_from_chart(colours, known)
        if refusal_flags(known, spread(pooled), colours.corrected_lab(known.tube), distance, chart):
            continue
        widen = load_widening().temperature(find_situation(pooled, flags, colours.residual_delta_e))
        label = KnownTube(known, float(truth["ph"]), 0.0, photo.sha256)
        yield Seen(label, pooled, widen, str(scene["id"]), scene["indicator"], group)


# ---------------------------------------------------------------- workshops


def workshop_rows(options: argparse.Namespace) -> list[list[str]]:
    """Simulate workshops and read half of their pictures in several settings."""
    settings: dict[str, list[Pair]] = {}
    bent: list[Pair] = []
    kriged: list[Pair] = []
    for number in range(options.workshops):
        rng = np.random.default_rng((options.seed, 11, number))
        place = draw_workshop(rng, INDICATORS[number % len(INDICATORS)])
        pictures = [_simulated(place, rng, f"picture {index}", str(number)) for index in range(PICTURES)]
        samples = [one for picture in pictures[PICTURES // 2 :] for one in picture]
        for count in (1, 2, 6):
            standards = [one for picture in pictures[:count] for one in picture]
            name = f"workshop, {count * TUBES} standards in {count} other picture{'s' if count > 1 else ''}"
            settings.setdefault(name, []).extend(shipped(standards, samples))
        kriged += kriging(standards, samples)
        bent += bending(standards, samples)
        away = elsewhere(place, rng)
        other = [one for index in range(6) for one in _simulated(away, rng, f"away {index}", str(number))]
        settings.setdefault("24 standards by another phone under another lamp", []).extend(
            shipped(other, samples)
        )
        for picture in pictures[PICTURES // 2 :]:
            settings.setdefault("3 standards beside the sample in its picture", []).extend(
                shipped(picture[:3], picture[3:])
            )
    rows = [row(name, pairs) for name, pairs in settings.items()]
    rows[3:3] = [
        row("the same 24, kriging alone", kriged),
        row("the same 24, bent surface instead", bent),
    ]
    return rows


def _simulated(place: Workshop, rng: np.random.Generator, photo: str, group: str) -> list[Seen]:
    """Return the tubes of one simulated picture, their pH anywhere on the card."""
    ph = rng.uniform(float(place.card.ph[0]), float(place.card.ph[-1]), TUBES)
    seen = []
    tubes = measured(draw_picture(place, rng, ph), rng, photo)
    read = pool_tubes([tube.evidence for tube in tubes], together=True)
    for tube, pooled in zip(tubes, read, strict=True):
        widen = load_widening().temperature(find_situation(pooled, set(), 0.0))
        seen.append(Seen(tube, pooled, widen, group=group))
    return seen


def drawn(options: argparse.Namespace) -> list[Pair]:
    """Draw photographs of workshops: two with standards, three with samples, and use the program."""
    pairs: list[Pair] = []
    for number in range(options.pixels):
        rng = np.random.default_rng((options.seed, 13, number))
        place = draw_workshop(rng, INDICATORS[number % len(INDICATORS)])
        with tempfile.TemporaryDirectory() as folder:
            try:
                pairs += _drawn(place, rng, Path(folder))
            except HuephError as error:
                print(f"workshop {number}: {error}")
    return pairs


def _drawn(place: Workshop, rng: np.random.Generator, folder: Path) -> Iterator[Pair]:
    """Take one workshop through the program."""
    write_artwork(place, folder / "card.png")
    chart = calibrate_picture(folder / "card.png", place.card.ph.tolist(), name="card")
    low, high = float(place.card.ph[0]), float(place.card.ph[-1])
    spaced = np.linspace(low, high, 2 * TUBES)
    labelled = []
    for name, ph in (("one", spaced[::2]), ("two", spaced[1::2])):
        _take(place, rng, folder / f"{name}.jpg", ph)
        labels = tuple(Label(tube, float(value), BUFFER_STD) for tube, value in enumerate(ph, start=1))
        labelled.append(LabelledPhoto(str(folder / f"{name}.jpg"), labels, TUBES))
    refined = calibrate_with_standards(chart, labelled, trust_labels=True).chart
    for number in range(3):
        ph = rng.uniform(low, high, TUBES)
        path = folder / f"samples{number}.jpg"
        _take(place, rng, path, ph)
        read = [_readable(read_photo(path, card).tubes) for card in (chart, refined)]
        if len(read[0]) != TUBES:
            print(f"samples left out: {len(read[0])} readable tubes found for {TUBES}")
            continue
        for value, alone, helped in zip(ph, *read, strict=True):
            ways = (_posterior(alone, low, high), _posterior(helped, low, high))
            yield Pair(float(value), *ways, group=folder.name)


def traced_rows(folders: Sequence[Path]) -> list[list[str]]:
    """Read the samples of path-traced workshops beside one picture of standards, and beside all."""
    settings: dict[str, list[Pair]] = {}
    for folder in folders:
        scenes = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        charts = make_charts(folder, scenes)
        for workshop in sorted({scene["workshop"] for scene in scenes}):
            seen: dict[str, list[list[Seen]]] = {"standards": [], "samples": []}
            for scene in (scene for scene in scenes if scene["workshop"] == workshop):
                path = folder / scene["shots"][0]["file"]
                try:
                    found = list(
                        _photo(path, scene, charts[scene["chart"]], group=f"{folder.name} {workshop}")
                    )
                except HuephError as error:
                    print(f"left out: {error}")
                    continue
                seen[scene["role"]].append(found)
            if not seen["standards"]:
                continue
            samples = [one for picture in seen["samples"] for one in picture]
            for name, known in (
                ("path-traced workshops, 4 standards in 1 other picture", seen["standards"][0]),
                (
                    "path-traced, 8 standards in 2 other pictures",
                    [one for p in seen["standards"] for one in p],
                ),
            ):
                settings.setdefault(name, []).extend(shipped(known, samples))
            settings.setdefault("the same 8, kriging alone", []).extend(kriging(known, samples))
    return [row(name, pairs) for name, pairs in settings.items()]


def _take(place: Workshop, rng: np.random.Generator, path: Path, ph: FloatArray) -> None:
    """Draw and store one photograph."""
    write_photo(draw_picture(place, rng, ph), rng, path)


def _readable(tubes: Sequence[Reading]) -> list[Reading]:
    """Return the readings that were not refused."""
    return [tube for tube in tubes if tube.interval is not None]


def _posterior(reading: Reading, low: float, high: float) -> Posterior:
    """Return the posterior of a reading."""
    return Posterior(reading.grid, reading.posterior, 5.0, low, high)


# ---------------------------------------------------------------- table

HEAD = (
    "standards", "readings",
    "RMSE: alone", "with", "gain", "median abs. error: alone", "with", "gain",
    "RMSE: alone", "with", "gain", "in single workshops: median (quartiles)",
    "valued: alone", "with", "in 95 % range: alone", "with", "median width: alone", "with",
)  # fmt: skip
PARTS = (
    ("Tubes on the card that both ways give a value:", slice(1, 8)),
    ("All tubes on the card, by the median of the posterior, stated or not:", slice(8, 12)),
    ("Ranges:", slice(12, 18)),
)


def row(name: str, pairs: Sequence[Pair]) -> list[str]:
    """Return the cells of one setting."""
    on_card = [pair for pair in pairs if pair.alone.chart_low <= pair.ph <= pair.alone.chart_high]
    valued = [[state(way).ph is not None for way in (pair.alone, pair.refined)] for pair in on_card]
    both = [pair for pair, ways in zip(on_card, valued, strict=True) if all(ways)]
    alone, helped = (sum(ways[index] for ways in valued) for index in (0, 1))
    covered = [
        float(np.mean([state(way(pair)).interval.contains(pair.ph) for pair in pairs]))
        for way in (_alone, _refined)
    ]
    widths = [float(np.median([_width(way(pair)) for pair in on_card])) for way in (_alone, _refined)]
    return [
        name,
        str(len(pairs)),
        *_compared(both, _rms),
        *_compared(both, _median),
        *_compared(on_card, _rms),
        _by_group(on_card),
        *(f"{100 * count / len(on_card):.0f} %" for count in (alone, helped)),
        *(f"{100 * share:.1f} %" for share in covered),
        *(f"{width:.2f}" for width in widths),
    ]


def _alone(pair: Pair) -> Posterior:
    return pair.alone


def _refined(pair: Pair) -> Posterior:
    return pair.refined


def _width(seen: Posterior) -> float:
    """Width between the 2.5 % and 97.5 % quantiles."""
    return seen.quantile(0.975) - seen.quantile(0.025)


def _error(seen: Posterior, ph: float) -> float:
    """Median, held on the card, less truth."""
    return float(np.clip(seen.quantile(0.5), seen.chart_low, seen.chart_high)) - ph


def _rms(errors: FloatArray) -> float:
    return float(np.sqrt(np.mean(errors**2)))


def _median(errors: FloatArray) -> float:
    return float(np.median(np.abs(errors)))


def _by_group(pairs: Sequence[Pair]) -> str:
    """Return the gain in root mean square error of each workshop by itself, over all its tubes on the card."""
    gains = []
    for group in sorted({pair.group for pair in pairs} - {""}):
        own = [pair for pair in pairs if pair.group == group]
        before, after = (
            _rms(np.array([_error(way(pair), pair.ph) for pair in own])) for way in (_alone, _refined)
        )
        gains.append(100 * (1 - after / before))
    if not gains:
        return "-"
    low, middle, high = np.quantile(gains, [0.25, 0.5, 0.75])
    return f"{middle:+.0f} % ({low:+.0f} to {high:+.0f})"


def _compared(pairs: Sequence[Pair], summary: Callable[[FloatArray], float]) -> list[str]:
    """Return a summary of both ways' errors, and the gain."""
    before = summary(np.array([_error(pair.alone, pair.ph) for pair in pairs]))
    after = summary(np.array([_error(pair.refined, pair.ph) for pair in pairs]))
    return [f"{before:.3f}", f"{after:.3f}", f"{100 * (1 - after / before):+.0f} %"]


if __name__ == "__main__":
    main()
