"""Fit the second look at likely columns: networks that have seen what on a desk passes for a tube.

    python tests/accuracy/fit_things.py FOLDER [FOLDER ...] [--output FILE] [--without KIND ...] [--test FOLDER ...]

Each FOLDER holds truth.json and the photographs it names, as for fit_tubes.py, whose networks judge first:
only columns they do not rule out are learned from. Every photograph is used as it is, changed as for
fit_tubes.py, cut off below, and with things beside its tubes: those of `desk_things`, and the bands of
colour of `tube_clutter`. --without leaves kinds of things out of the fit; --test then counts true and false
tubes among the photographs of other folders, with and without the second look.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from desk_things import KINDS, with_things
from fit_tubes import lies_on, mirrored, trained, training_variants
from locate_tubes import Shot, cut, overlap, recoloured, shots, strip_of
from scoring import match
from tube_clutter import cluttered

from hueph.locate._tube_choice import choose, quad_area, quad_overlap
from hueph.locate._tube_score import LIKELY, first_odds, second_look
from hueph.locate.tubes import card_outline, propose

# Kinds of things drawn for each photograph in the fit, and in the test.
THINGS, TESTED = 3, 2
# What columns on no tube count in all, those on tubes being 1: a tube lost is worse than a thing read.
BESIDE = 0.13
# Share of a column, of the smaller of both, up to which it does not lie on a tube.
BESIDE_TUBE = 0.15
# Groups of fit_tubes.py that are left out.
LEFT_OUT = ("no-strip", "no-tubes")


@dataclass
class Likely:
    """Columns of one picture that are not ruled out at first: 1 on a tube, 0 on none, -1 partly."""

    name: str
    kind: str
    quads: Any
    features: Any
    odds: Any
    label: Any
    liquids: list[Any]
    asked: int
    patches: Any


def variants(shot: Shot, rng: np.random.Generator) -> Iterator[tuple[str, Shot]]:
    """Yield one photograph without things in it, as it is and changed, and cut off below."""
    for group, variant, _ in training_variants(shot, rng):
        if group not in LEFT_OUT:
            yield group, variant
    for variant in cut(shot):
        yield "cut", variant


def with_clutter(
    shot: Shot, rng: np.random.Generator, count: int, kinds: Sequence[str]
) -> Iterator[tuple[str, Shot]]:
    """Yield one photograph with things of some kinds beside its tubes."""
    for kind in rng.permutation(list(kinds))[:count]:
        crowded = with_things(shot, str(kind), rng)
        if crowded is not None:
            yield str(kind), crowded
    banded = cluttered(recoloured(shot, int(rng.integers(3))), rng)
    if banded is not None:
        yield "bands", banded


def likely(shot: Shot, kind: str) -> Likely | None:
    """Return the columns of a picture that are not ruled out at first; None where there is none."""
    outline, patches = card_outline(strip_of(shot.card))
    quads, _, features = propose(shot.photo.encoded, outline)
    if not len(quads):
        return None
    odds = first_odds(features)
    kept = odds > LIKELY
    quads, features, odds = quads[kept], features[kept], odds[kept]
    label = np.zeros(len(quads), dtype=int)
    liquids = [np.asarray(liquid, float) for liquid in (*shot.tubes, *shot.partial)]
    for place, quad in enumerate(quads):
        near = any(lies_on(quad, liquid, BESIDE_TUBE) for liquid in liquids)
        on_card = patches is not None and quad_overlap(quad, patches) >= 2 * BESIDE_TUBE * quad_area(quad)
        label[place] = -1 if near or on_card else 0
        if any(overlap(quad, liquid) > 0.5 for liquid in liquids):
            label[place] = 1
    return Likely(shot.file, kind, quads, features, odds, label, liquids, len(shot.tubes), patches)


def gather(folder: Path, seed: int, without: Sequence[str]) -> Iterator[Likely]:
    """Yield the likely columns of all pictures made of a folder's photographs."""
    kinds = [kind for kind in KINDS if kind not in without]
    for number, shot in enumerate(shots(folder, "")):
        rng = np.random.default_rng((seed, number))
        made = [*variants(shot, rng), *with_clutter(shot, rng, THINGS, kinds)]
        for kind, variant in made:
            found = likely(variant, kind)
            if found is not None and len(found.odds):
                yield found


def fit(pictures: list[Likely]) -> dict[str, Any]:
    """Fit the networks; returns the arrays that `hueph.locate._tube_score` reads."""
    inputs, label, weight = [], [], []
    for picture in pictures:
        sure = 1.0 / (1.0 + np.exp(-picture.odds))
        on, off = picture.label == 1, picture.label == 0
        # each tube counts the same, however many columns lie on it
        share = np.where(on, sure * len(picture.liquids) / max(float(sure[on].sum()), 1e-6), 0.0)
        inputs.append(np.column_stack([picture.features, picture.odds]))
        label.append(picture.label)
        weight.append(np.where(off, sure, share))
    values, labels, weights = np.concatenate(inputs), np.concatenate(label), np.concatenate(weight)
    on, off = labels == 1, labels == 0
    weights[off] *= BESIDE * weights[on].sum() / weights[off].sum()
    mean, scale = values.mean(axis=0), values.std(axis=0) + 1e-6
    both = np.concatenate([values, mirrored(values)])
    level = np.clip((both - mean) / scale, -5, 5).astype(np.float32)
    return {"mean": mean, "scale": scale, **trained(level, np.tile(labels, 2), np.tile(weights, 2))}


def count(totals: dict[str, Counter[str]], picture: Likely, weights: dict[str, Any]) -> None:
    """Add what is chosen of a picture's columns, with and without the second look."""
    seen = {"first": picture.odds, "second": second_look(weights, picture.features, picture.odds)}
    for name, odds in seen.items():
        chosen = choose(picture.quads, odds, picture.patches) if len(odds) else []
        partners = match(picture.liquids, [picture.quads[index] for index in chosen])
        for key in (picture.kind, "all"):
            tally = totals.setdefault(key, Counter())
            tally[name + " found"] += sum(number < picture.asked for number in partners)
            tally[name + " false"] += len(chosen) - len(partners)
            tally[name + " asked"] += picture.asked


def test(folder: Path, weights: dict[str, Any]) -> None:
    """Print how many tubes are found and how many are false in a folder's photographs, changed and with things."""
    totals: dict[str, Counter[str]] = {}
    for number, shot in enumerate(shots(folder, "")):
        rng = np.random.default_rng((4099, number))
        for kind, variant in [*variants(shot, rng), *with_clutter(shot, rng, TESTED, list(KINDS))]:
            found = likely(variant, kind)
            if found is not None:
                count(totals, found, weights)
    for kind, tally in totals.items():
        asked, before, after = (tally[name] for name in ("first asked", "first found", "second found"))
        print(
            f"{folder.name:<20} {kind:<12} tubes {asked:4d}  found {before:4d} then {after:4d}  "
            f"false {tally['first false']:3d} then {tally['second false']:3d}",
            flush=True,
        )


def main() -> int:
    """Gather, fit, test, write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--output", type=Path)
    parser.add_argument("--without", action="append", choices=list(KINDS), default=[], help="kinds left out")
    parser.add_argument("--test", action="append", type=Path, default=[], help="folders to count in")
    options = parser.parse_args()
    pictures = [
        picture
        for seed, folder in enumerate(options.folders)
        for picture in gather(folder, seed, options.without)
    ]
    print(f"{len(pictures)} pictures, {sum(len(p.odds) for p in pictures)} likely columns", flush=True)
    weights = {name: value.astype(np.float32) for name, value in fit(pictures).items()}
    if options.output:
        np.savez_compressed(options.output, **weights)
    for folder in options.test:
        test(folder, weights)
    return 0


if __name__ == "__main__":
    sys.exit(main())
