"""Fit the small network that judges proposed columns of liquid, and check it on scenes left out.

    python tests/accuracy/fit_tubes.py FOLDER [FOLDER ...] [--clutter] [--beside FILE] [--output FILE] [--folds 5]

Each FOLDER holds truth.json and the photographs it names, as for locate_tubes.py or made by
render_folder.py; the first counts twice as much as each other. Every photograph is
used as it is, without its strip, and changed (turned, recoloured, darker, blurred ...), so that the
network learns shapes rather than these pictures. --clutter adds pictures with opaque things beside the
tubes, and squeezed ones, and lets wrong columns that lie on no tube count more: these become false tubes.
--beside keeps the networks of a file beside those fitted: the mean of both is judged by. Scenes are left
out whole. Without --output only the check is made.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from locate_tubes import (
    Shot,
    edge_errors,
    flipped,
    half,
    overlap,
    recoloured,
    repainted,
    shots,
    strip_of,
    turned,
    without_tubes,
)
from tube_clutter import cluttered, squat

from hueph.locate._tube_choice import choose, quad_area, quad_overlap
from hueph.locate._tube_features import PROFILE_BINS, SCALARS
from hueph.locate._tube_score import network_odds
from hueph.locate.tubes import card_outline, propose

HIDDEN = 32
NETWORKS = 4
EPOCHS = 30
BATCH = 256
WEIGHT_DECAY = 2e-3
# Noise and drop-out on the inputs stand in for pictures not seen.
INPUT_NOISE = 0.15
DROPPED = 0.1
# What a folder after the first counts, the first being 1.
OTHER_FOLDERS = 0.5
# What wrong columns of a picture count in all; with clutter those on tubes in all, and each that lies on none.
WRONG_IN_ALL, WRONG_ON_TUBES, WRONG_BESIDE = 4.0, 2.0, 0.1
# Share of a column on a tube, of the smaller of both, from which it could not be chosen beside it.
ON_TUBE = 0.3
# Errors, in widths, up to which a proposed column is right, and from which it is wrong.
RIGHT = {"walls": 0.12, "top": 0.2, "bottom": 0.15}
WRONG = 0.3


@dataclass
class Picture:
    """Proposed columns of one picture."""

    scene: str
    name: str
    group: str
    features: Any
    quads: Any
    label: Any  # 1 right, 0 wrong, -1 neither
    weight: Any
    tubes: list[Any]
    partial: list[Any]
    patches: Any


def training_variants(shot: Shot, rng: np.random.Generator) -> Iterator[tuple[str, Shot, bool]]:
    """Yield the pictures made of one photograph, with whether the strip is handed in."""
    yield "plain", shot, True
    yield "no-strip", recoloured(shot, int(rng.integers(3))), False
    yield "recoloured", recoloured(shot, int(rng.integers(1, 3))), True
    yield "turned", turned(recoloured(shot, int(rng.integers(3))), float(rng.uniform(-11, 11))), True
    kind = int(rng.integers(5))
    if kind == 0:
        yield "dark", repainted(shot, lambda values: float(rng.uniform(0.3, 0.7)) * values), True
    elif kind == 1:
        yield "bright", repainted(shot, lambda values: float(rng.uniform(1.2, 1.6)) * values), True
    elif kind == 2:
        yield (
            "blurred",
            repainted(shot, lambda v: cv2.GaussianBlur(v, (0, 0), float(rng.uniform(1, 4)))),
            True,
        )
    elif kind == 3:
        yield "half", half(shot), True
    else:
        noise = rng.uniform(2, 10)
        yield "noisy", repainted(shot, lambda v: v + noise * rng.standard_normal(v.shape)), True
    for crop in without_tubes(flipped(shot)):
        yield "no-tubes", crop, False


def clutter_variants(shot: Shot, rng: np.random.Generator) -> Iterator[tuple[str, Shot, bool]]:
    """Yield one photograph with things beside its tubes, and squeezed, with whether the strip is handed in."""
    crowded = cluttered(recoloured(shot, int(rng.integers(3))), rng)
    squeezed = squat(recoloured(shot, int(rng.integers(3))), float(rng.uniform(0.35, 0.75)))
    for group, variant in (("cluttered", crowded), ("squat", squeezed)):
        if variant is not None:
            yield group, variant, bool(rng.random() < 0.7)


def gather(folder: Path, seed: int, *, clutter: bool) -> Iterator[Picture]:
    """Yield the proposed columns of all pictures of a folder, with labels."""
    rng, other = np.random.default_rng(seed), np.random.default_rng((77, seed))
    for shot in shots(folder, ""):
        scene = f"{folder.name}/{shot.scene}"
        more = clutter_variants(shot, other) if clutter else iter(())
        for group, variant, with_strip in chain(training_variants(shot, rng), more):
            outline, patches = card_outline(strip_of(variant.card) if with_strip else None)
            quads, _, features = propose(variant.photo.encoded, outline)
            if len(quads) == 0:
                continue
            label, weight = labels(quads, variant)
            if clutter:
                weigh_beside(quads, label, weight, variant)
            tubes = [np.asarray(tube) for tube in variant.tubes]
            name = f"{folder.name}/{variant.file}"
            yield Picture(
                scene,
                name,
                group,
                features.astype(np.float32),
                quads,
                label,
                weight,
                tubes,
                variant.partial,
                patches,
            )


def labels(quads: Any, shot: Shot) -> tuple[Any, Any]:
    """Return which columns are right (1), wrong (0) or neither (-1), and how much each counts."""
    label = np.zeros(len(quads), dtype=int)
    weight = np.zeros(len(quads))
    for tube in shot.tubes:
        truth = np.asarray(tube, float)
        width = float(np.linalg.norm(truth[1] - truth[0]))
        shares = np.array([overlap(quad, truth) for quad in quads])
        away = np.abs([edge_errors(quad, truth) for quad in quads]) / width
        right = (away[:, :2].max(axis=1) < RIGHT["walls"]) & (away[:, 2] < RIGHT["top"])
        right &= (away[:, 3] < RIGHT["bottom"]) & (shares > 0.7)
        if not right.any() and shares.max() > 0.65:
            right[int(np.argmax(shares))] = True
        near = (shares > 0.5) & ~right & (away.max(axis=1) < WRONG)
        label[near & (label == 0)] = -1
        label[right] = 1
        weight[right] = 1.0 / max(int(right.sum()), 1)
    for tube in shot.partial:
        label[[overlap(quad, tube) > 0.2 for quad in quads]] = -1
    wrong = label == 0
    weight[wrong] = WRONG_IN_ALL / max(int(wrong.sum()), 1)
    weight[label < 0] = 0.0
    return label, weight


def weigh_beside(quads: Any, label: Any, weight: Any, shot: Shot) -> None:
    """Let wrong columns count by whether they lie on a tube: those that do cannot become false tubes beside it."""
    on_tube = np.zeros(len(quads), dtype=bool)
    for tube in shot.tubes + shot.partial:
        truth = np.asarray(tube, float)
        on_tube |= [lies_on(quad, truth, ON_TUBE) for quad in quads]
    wrong = label == 0
    weight[wrong & on_tube] = WRONG_ON_TUBES / max(int((wrong & on_tube).sum()), 1)
    weight[wrong & ~on_tube] = WRONG_BESIDE


def lies_on(quad: Any, truth: Any, share: float) -> bool:
    """Tell whether a column and a tube have more than a share of the smaller of both in common."""
    return bool(quad_overlap(quad, truth) > share * min(quad_area(quad), quad_area(truth)))


def folder_of(picture: Picture) -> str:
    """Return the folder a picture came from."""
    return picture.name.split("/")[0]


def mirrored(features: Any) -> Any:
    """Return the features of the mirror images."""
    turned_over = features.copy()
    for block in range(2):
        part = slice(len(SCALARS) + block * PROFILE_BINS, len(SCALARS) + (block + 1) * PROFILE_BINS)
        turned_over[:, part] = turned_over[:, part][:, ::-1]
    return turned_over


def fit(pictures: list[Picture]) -> dict[str, Any]:
    """Fit the networks; returns the arrays that `hueph.locate._tube_score` reads."""
    # however many pictures they hold
    totals = {folder_of(picture): 0.0 for picture in pictures}
    for picture in pictures:
        totals[folder_of(picture)] += float(picture.weight.sum())
    first = folder_of(pictures[0])
    share = {folder: (1.0 if folder == first else OTHER_FOLDERS) / total for folder, total in totals.items()}
    features = np.concatenate([picture.features for picture in pictures])
    features = np.concatenate([features, mirrored(features)])
    label = np.tile(np.concatenate([picture.label for picture in pictures]), 2)
    weight = np.tile(np.concatenate([picture.weight * share[folder_of(picture)] for picture in pictures]), 2)
    mean, scale = features.mean(axis=0), features.std(axis=0) + 1e-6
    level = np.clip((features - mean) / scale, -5, 5).astype(np.float32)
    return {"mean": mean, "scale": scale, **trained(level, label, weight)}


def trained(level: Any, label: Any, weight: Any) -> dict[str, Any]:
    """Fit the networks, each started elsewhere, and return their layers one beside the other."""
    nets = [train(level, label, weight, np.random.default_rng(seed)) for seed in range(NETWORKS)]
    names = ("first", "first_bias", "second", "second_bias")
    stacked = {name: np.stack([net[i] for net in nets]) for i, name in enumerate(names)}
    stacked["second_bias"] = stacked["second_bias"][:, 0]
    return stacked


def beside(kept: dict[str, Any], fitted: dict[str, Any]) -> dict[str, Any]:
    """Return the networks of both, those kept moved to the levels of those fitted."""
    ratio = fitted["scale"] / kept["scale"]
    shift = (fitted["mean"] - kept["mean"]) / kept["scale"]
    moved_kept = {
        "first": kept["first"] * ratio[None, :, None],
        "first_bias": kept["first_bias"] + np.einsum("f,nfh->nh", shift, kept["first"]),
        "second": kept["second"],
        "second_bias": kept["second_bias"],
    }
    joined = {name: np.concatenate([old, fitted[name]]) for name, old in moved_kept.items()}
    return {"mean": fitted["mean"], "scale": fitted["scale"], **joined}


def train(level: Any, label: Any, weight: Any, rng: np.random.Generator) -> list[Any]:
    """Fit one network of one hidden layer by Adam (Kingma & Ba 2015, the usual constants)."""
    count = level.shape[1]
    layers = [
        rng.standard_normal((count, HIDDEN)) * np.sqrt(2 / count),
        np.zeros(HIDDEN),
        rng.standard_normal(HIDDEN) / np.sqrt(HIDDEN),
        np.zeros(1),
    ]
    layers = [layer.astype(np.float32) for layer in layers]
    first_moment = [np.zeros_like(layer) for layer in layers]
    second_moment = [np.zeros_like(layer) for layer in layers]
    cumulative = np.cumsum(weight / weight.sum())
    steps = EPOCHS * max(1, int((weight > 0).sum()) // BATCH // 2)
    steps = min(max(steps, 3000), 16000)
    for step in range(1, steps + 1):
        chosen = np.minimum(np.searchsorted(cumulative, rng.random(BATCH)), len(label) - 1)
        x = level[chosen] + np.float32(INPUT_NOISE) * rng.standard_normal((BATCH, count), dtype=np.float32)
        x *= rng.random((BATCH, count), dtype=np.float32) > DROPPED
        hidden = np.maximum(x @ layers[0] + layers[1], 0)
        odds = hidden @ layers[2] + layers[3]
        slope = ((1 / (1 + np.exp(-odds)) - (label[chosen] == 1)) / BATCH).astype(np.float32)
        back = np.outer(slope, layers[2]) * (hidden > 0)
        gradients = [
            x.T @ back + WEIGHT_DECAY * layers[0],
            back.sum(axis=0),
            hidden.T @ slope + WEIGHT_DECAY * layers[2],
            np.array([slope.sum()]),
        ]
        rate = 2e-3 * (1 - 0.95 * step / steps)
        for i, gradient in enumerate(gradients):
            first_moment[i] = 0.9 * first_moment[i] + 0.1 * gradient
            second_moment[i] = 0.999 * second_moment[i] + 0.001 * gradient**2
            size = np.sqrt(second_moment[i] / (1 - 0.999**step)) + 1e-8
            layers[i] = layers[i] - rate * first_moment[i] / (1 - 0.9**step) / size
    return layers


def judge(picture: Picture, odds: Any) -> tuple[int, int, int, str]:
    """Return tubes, found, false tubes and a note for one picture."""
    chosen = choose(picture.quads, odds, picture.patches)
    found: set[int] = set()
    false = []
    for index in chosen:
        shares = [overlap(picture.quads[index], tube) for tube in picture.tubes]
        best = int(np.argmax(shares)) if shares else -1
        if best >= 0 and shares[best] > 0.5 and best not in found:
            found.add(best)
        elif not any(overlap(picture.quads[index], tube) > 0.2 for tube in picture.partial):
            false.append(np.round(picture.quads[index]).astype(int).tolist())
    missed = [
        (
            i,
            round(
                max(
                    (o for o, q in zip(odds, picture.quads, strict=True) if overlap(q, tube) > 0.5),
                    default=-9,
                ),
                1,
            ),
        )
        for i, tube in enumerate(picture.tubes)
        if i not in found
    ]
    note = f"{picture.name} {picture.group}: missed {missed} false {false}" if missed or false else ""
    return len(picture.tubes), len(found), len(false), note


def check(pictures: list[Picture], folds: int) -> None:
    """Print what scenes left out come to."""
    scenes = sorted({picture.scene for picture in pictures})
    totals: dict[str, Any] = {}
    for fold in range(folds):
        out = {scene for index, scene in enumerate(scenes) if index % folds == fold}
        weights = fit([picture for picture in pictures if picture.scene not in out])
        for picture in pictures:
            if picture.scene in out:
                *counts, note = judge(picture, network_odds(weights, picture.features))
                key = f"{folder_of(picture):<14} {picture.group}"
                totals[key] = totals.get(key, np.zeros(3, int)) + counts
                if note:
                    print(note)
    for key, (tubes, found, false) in sorted(totals.items()):
        print(f"{key:<28} tubes {tubes:4d}  found {found:4d}  false {false:3d}")


def main() -> int:
    """Gather, check, fit, write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--output", type=Path)
    parser.add_argument(
        "--clutter", action="store_true", help="things beside the tubes, and squeezed pictures"
    )
    parser.add_argument("--beside", type=Path, help="networks to keep beside those fitted")
    parser.add_argument("--folds", type=int, default=5, help="0: no check")
    options = parser.parse_args()
    pictures = [
        picture
        for seed, folder in enumerate(options.folders)
        for picture in gather(folder, seed, clutter=options.clutter)
    ]
    print(f"{len(pictures)} pictures, {sum(len(p.quads) for p in pictures)} proposed columns")
    if options.folds:
        check(pictures, options.folds)
    if options.output:
        weights = fit(pictures)
        if options.beside:
            weights = beside(dict(np.load(options.beside)), weights)
        np.savez_compressed(
            options.output, **{name: value.astype(np.float32) for name, value in weights.items()}
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
