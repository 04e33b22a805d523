"""Does a card of our own read better than a plain strip? Simulated scenes under mixed and under uneven light.

    python tests/accuracy/card_gain.py --scenes 150 --seed 77 [--write]

The same tubes, lamps, camera and print are measured twice: with a plain strip where there is room, and with
the card of `hueph card` behind the tubes, whose greys and saturated colours are printed with the same inks.
Both prints are scanned once (colours known to about 1 CIEDE2000); "artwork file" is the strip as its artwork says.
With the card three ways of using greys and colours are compared; hueph uses the one that is named so.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from card_colours import KnownColours, ToneCurve, card_correction, fit_tone
from scoring import exact_limits
from tables import markdown, put_between
from train_scorer import SRGB_TO_P3, scene_evidence

from hueph.cards import plan_card
from hueph.chart import Chart, Patch
from hueph.colour.lab import lab_to_xyz, xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_xyz, srgb_to_linear_rgb, xyz_to_linear_rgb
from hueph.estimating.features import TubeEvidence
from hueph.estimating.posterior import pool_tubes, spread, state
from hueph.synthetic import Scene, SceneMeasurements, draw_world, simulate_measurements
from hueph.synthetic.cameras import encode_clipped
from hueph.synthetic.card import card_from_artwork, reflectance_to_linear_srgb
from hueph.synthetic.layout import CardLayout
from hueph.synthetic.measure import Region

MARKER = "card-gain"
SCAN_STD = 0.7  # CIELAB units per axis
SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
WAYS = (
    "strip, artwork file",
    "strip, print scanned",
    "card, its patches (as hueph does)",
    "card, correction from greys and colours too",
    "card, tone curve and correction from them",
)
LIGHTS = {"mixed": "two lamps of different colour", "sheet": "one lamp, uneven"}


@dataclass(frozen=True)
class Outcome:
    """What was said of one tube."""

    error: float
    inside: bool
    width: float


def main() -> None:
    """Run as a script."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--scenes", type=int, default=150, help="of each kind of light")
    parser.add_argument("--seed", type=int, default=77)
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    options = parser.parse_args()
    rows = []
    for kind, words in LIGHTS.items():
        outcomes: dict[str, list[Outcome]] = defaultdict(list)
        for number in range(options.scenes):
            for way, outcome in scene_outcomes((options.seed, number), kind):
                outcomes[way].append(outcome)
        rows += [row(words, way, outcomes[way]) for way in WAYS]
    head = [
        "light",
        "known from",
        "tubes",
        "RMSE of the median",
        "median abs. error",
        "in 95 % range",
        "median width",
    ]
    text = markdown(head, rows)
    print(text)
    if options.write:
        put_between(Path(__file__).parents[2] / "DEVELOPERS.md", MARKER, text)


def row(light: str, way: str, outcomes: list[Outcome]) -> list[str]:
    """One line of the table."""
    errors = np.array([outcome.error for outcome in outcomes])
    hits, count = sum(outcome.inside for outcome in outcomes), len(outcomes)
    low, high = exact_limits(hits, count)
    return [light, way, str(count), f"{np.sqrt(np.mean(errors**2)):.2f}", f"{np.median(np.abs(errors)):.2f}",
            f"{100 * hits / count:.1f} % ({100 * low:.0f} to {100 * high:.0f} %)",
            f"{np.median([outcome.width for outcome in outcomes]):.2f}"]  # fmt: skip


def scene_outcomes(seed: tuple[int, int], kind: str) -> Iterator[tuple[str, Outcome]]:
    """Read every tube on the card of one scene in every way."""
    base = draw_world(np.random.default_rng((*seed, 0)), kind=kind)
    low, high = base.card.ph[0], base.card.ph[-1]
    for way, tubes in evidence_of(base, seed).items():
        read = pool_tubes([evidence for evidence, _ in tubes], together=True)
        for pooled, (_, ph) in zip(read, tubes, strict=True):
            if not (np.isfinite(ph) and low <= ph <= high):
                continue
            posterior = spread(pooled)
            interval = state(posterior, coverage=0.95).interval
            below = interval.low is not None and ph < interval.low
            above = interval.high is not None and ph > interval.high
            width = posterior.quantile(0.975) - posterior.quantile(0.025)
            yield way, Outcome(posterior.quantile(0.5) - ph, not (below or above), width)


def evidence_of(base: Scene, seed: tuple[int, int]) -> dict[str, list[tuple[TubeEvidence, float]]]:
    """Evidence of every tube, for each way."""
    rng = np.random.default_rng((*seed, 1))
    count = len(base.card.ph)
    card, grey = own_card(base, rng)
    printed = scanned(card.card.reflectance, rng)
    paper = encode_clipped(reflectance_to_linear_srgb(card.card.paper[None]))[0]
    strip = replace(
        base, card=replace(base.card, reflectance=card.card.reflectance[:count], paper=card.card.paper)
    )

    def noise() -> np.random.Generator:
        """The same noise for every way."""
        return np.random.default_rng((*seed, 2))

    seen = simulate_measurements(strip, noise())
    found = {WAYS[0]: scene_evidence(strip, seen, noise())}
    as_scanned = replace(seen, chart_srgb=printed[:count], paper_srgb=paper)
    found[WAYS[1]] = scene_evidence(strip, as_scanned, noise())
    seen = simulate_measurements(card, noise())
    patches = replace(
        seen, patch=first(seen.patch, count), patch_paper=first(seen.patch_paper, count),
        chart_ph=base.card.ph, chart_srgb=printed[:count], paper_srgb=paper,
    )  # fmt: skip
    plain = scene_evidence(card, patches, noise())
    found[WAYS[2]] = plain
    to_srgb = np.linalg.inv(SRGB_TO_P3) if seen.display_p3 else np.eye(3)
    own_paper = srgb_to_linear_rgb(paper) @ np.linalg.inv(to_srgb).T
    known = known_colours(seen, printed, own_paper, to_srgb, np.r_[np.zeros(count, bool), grey])
    straight, tone = ToneCurve(np.ones(3), np.zeros(3)), fit_tone(known)
    correction, _ = card_correction(known, straight, own_paper, to_srgb)
    found[WAYS[3]] = [(replace(evidence, correction=correction), ph) for evidence, ph in plain]
    correction, _ = card_correction(known, tone, own_paper, to_srgb)
    found[WAYS[4]] = [
        (replace(without_tone(evidence, tone, own_paper), correction=correction), ph)
        for evidence, ph in plain
    ]
    return found


def own_card(base: Scene, rng: np.random.Generator) -> tuple[Scene, Any]:
    """The scene with the card of `hueph card` behind the tubes, and which of its references are grey."""
    labs = xyz_to_lab(linear_rgb_to_xyz(srgb_to_linear_rgb(base.card.artwork_srgb)))
    chart = Chart(
        "simulated",
        tuple(
            Patch(float(ph), (float(lab[0]), float(lab[1]), float(lab[2])), 1.0, SQUARE)
            for ph, lab in zip(base.card.ph, labs, strict=True)
        ),
        (94.0, 0.0, 0.0),
        (1.0, 1.0),
    )
    plan = plan_card(chart).chart
    references = np.array([item.lab for item in plan.references])
    grey = np.array([item.kind == "grey" for item in plan.references])
    artwork = encode_clipped(np.asarray(xyz_to_linear_rgb(lab_to_xyz(references))))
    corners = (
        np.concatenate([plan.corners, np.array([item.corners for item in plan.references])]) / 10.0
    )  # cm
    boxes = np.concatenate([corners.min(axis=1), corners.max(axis=1)], axis=1)
    size = (plan.card_size[0] / 10.0, plan.card_size[1] / 10.0)
    card = card_from_artwork(
        rng,
        np.r_[base.card.ph, 20.0 + np.arange(len(grey))],
        np.vstack([base.card.artwork_srgb, artwork]),
        paper_srgb=base.card.paper_srgb,
        inks=base.card.inks,
        layout=CardLayout("row", size, boxes, corners.mean(axis=1), 0.3),
    )
    scale = 0.97 * min(base.size[0] / size[0], base.size[1] / size[1])
    shift = [(base.size[0] - scale * size[0]) / 2, (base.size[1] - scale * size[1]) / 2]
    place = np.array([[scale, 0, shift[0]], [0, scale, shift[1]], [0, 0, 1]])
    return replace(base, card=card, card_to_picture=place, backing=card.paper), grey


def scanned(reflectance: Any, rng: np.random.Generator) -> Any:
    """Encoded sRGB of prints as a good scan gives them."""
    lab = xyz_to_lab(linear_rgb_to_xyz(reflectance_to_linear_srgb(reflectance)))
    return encode_clipped(np.asarray(xyz_to_linear_rgb(lab_to_xyz(lab + rng.normal(0, SCAN_STD, lab.shape)))))


def first(region: Region, count: int) -> Region:
    """The first regions of several."""
    return Region(region.srgb[:count], region.linear[:count], region.std[:count], region.clipped[:count])


def known_colours(seen: SceneMeasurements, printed: Any, paper: Any, to_srgb: Any, grey: Any) -> KnownColours:
    """Patches, greys and colours that are not clipped, over the paper."""
    light = srgb_to_linear_rgb(seen.patch.srgb) / np.maximum(srgb_to_linear_rgb(seen.patch_paper.srgb), 1e-3)
    known = srgb_to_linear_rgb(printed) @ np.linalg.inv(to_srgb).T / paper
    usable = ~seen.patch.clipped.any(axis=1)
    return KnownColours(light[usable], known[usable], np.full(int(usable.sum()), 1.5), grey[usable])


def without_tone(evidence: TubeEvidence, tone: ToneCurve, paper: Any) -> TubeEvidence:
    """Undo the tone curve in everything that was seen."""

    def over_backing(ratio: Any) -> Any:
        backing = evidence.backing / paper
        return tone.undo(ratio * backing) / np.maximum(tone.undo(backing), 1e-4)

    glass = over_backing(evidence.glass) if np.isfinite(evidence.glass).all() else evidence.glass
    return replace(
        evidence,
        patches=tone.undo(evidence.patches / paper) * paper,
        tube=over_backing(evidence.tube),
        glass=glass,
        backing=tone.undo(evidence.backing / paper) * paper,
    )


if __name__ == "__main__":
    main()
