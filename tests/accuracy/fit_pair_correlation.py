"""Learn how strongly the errors of two readings go together, on simulated scenes; check it on others.

    python tests/accuracy/draw_pairs.py draw WORK --worlds 600 --seed 1      # and 2, 3, 4
    python tests/accuracy/draw_pairs.py read WORK
    python tests/accuracy/fit_pair_correlation.py WORK [--write] [--write-table] [--shipped]

The last file of pairs is kept aside to count how often ranges of the change hold; the others are
learned from. --write replaces the package's table, --write-table the one in DEVELOPERS.md. Needs torch
(`pip install torch`), which hueph itself does not, but for --shipped, which learns nothing and checks the
package's table. Check it again when the scorer's weights or the widening change.
"""

from __future__ import annotations

import argparse
import json
import pickle
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tables
from draw_pairs import KINDS_OF_PAIR, Pair
from run_photos import DEVELOPERS

import hueph.comparing
from hueph._types import FloatArray
from hueph.buffering import HOLD_PH
from hueph.comparing.correlation import TieNetwork, load_pair_model
from hueph.comparing.joint import INDEPENDENT, joint_ph
from hueph.comparing.likeness import PAIR_FEATURES, Traits, pair_features

# Beyond this a score says that the world lies outside the model, not how errors go together.
MOST_SCORE = 3.5
HIDDEN = 12
EPOCHS = 40
BATCH = 256
TABLE = Path(hueph.comparing.__file__).parent / "data" / "pair_correlation.json"


# ---------------------------------------------------------------- fit


def features_of(pair: Pair) -> FloatArray:
    """Return what the network sees of a pair."""
    one, two = (Traits(seen.grid, seen.density, seen.lab) for seen in (pair.before, pair.after))
    return pair_features(one, two, pair.distance)


def fit_network(pairs: Sequence[Pair]) -> TieNetwork:
    """Maximise the likelihood of the scores of pairs whose true pH lie on the card.

    The scores' common scale is free, so that posteriors a little too wide or too narrow do not pass
    for correlation.
    """
    import torch

    torch.manual_seed(0)
    used = [pair for pair in pairs if pair.before.inside and pair.after.inside]
    features = np.stack([features_of(pair) for pair in used])
    mean, scale = features.mean(axis=0), np.maximum(features.std(axis=0), 1e-3)
    x = torch.tensor(np.clip((features - mean) / scale, -3.0, 3.0), dtype=torch.float32)
    scores = np.array([(pair.before.score, pair.after.score) for pair in used])
    z = torch.tensor(np.clip(scores, -MOST_SCORE, MOST_SCORE), dtype=torch.float32)
    net = torch.nn.Sequential(
        torch.nn.Linear(x.shape[1], HIDDEN), torch.nn.Tanh(),
        torch.nn.Linear(HIDDEN, HIDDEN), torch.nn.Tanh(),
        torch.nn.Linear(HIDDEN, 3),
    )  # fmt: skip
    with torch.no_grad():
        net[-1].bias.copy_(torch.tensor([1.2, 0.3, 0.0]))
    log_scale = torch.nn.Parameter(torch.zeros(1))
    optimiser = torch.optim.AdamW([*net.parameters(), log_scale], weight_decay=0.02)

    def surprise(rows: Any) -> Any:
        out = net(x[rows])
        r = torch.clamp(torch.tanh(out[:, :2]), -0.98, 0.98)
        share = torch.nn.functional.logsigmoid(torch.stack([out[:, 2], -out[:, 2]], dim=1))
        one, two = (z[rows] / torch.exp(log_scale)).T[:, :, None]
        rest = 1.0 - r**2
        law = -0.5 * torch.log(rest) - 0.5 * (one**2 - 2.0 * r * one * two + two**2) / rest
        return -(torch.logsumexp(share + law, dim=1) - 2.0 * log_scale).mean()

    rng = np.random.default_rng(0)
    for epoch in range(EPOCHS):
        for group in optimiser.param_groups:
            group["lr"] = 3e-3 * (1.0 - epoch / EPOCHS)
        order = rng.permutation(len(used))
        for first in range(0, len(order), BATCH):
            loss = surprise(order[first : first + BATCH])
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
    print(
        f"{len(used)} pairs, surprise {surprise(slice(None)).item():.4f}, scale {log_scale.exp().item():.3f}"
    )
    layers = tuple(
        (layer.weight.detach().numpy().T.astype(float), layer.bias.detach().numpy().astype(float))
        for layer in net
        if isinstance(layer, torch.nn.Linear)
    )
    return TieNetwork(mean, scale, layers)


def to_json(networks: dict[str, TieNetwork]) -> str:
    """Write the table, four significant digits."""

    def rounded(values: FloatArray) -> Any:
        return [rounded(row) for row in values] if values.ndim > 1 else [float(f"{v:.4g}") for v in values]

    table: dict[str, Any] = {"features": list(PAIR_FEATURES)}
    for name, net in networks.items():
        layers = [[rounded(weight), rounded(bias)] for weight, bias in net.layers]
        table[name] = {"mean": rounded(net.mean), "scale": rounded(net.scale), "layers": layers}
    lines = [f"{json.dumps(key)}: {json.dumps(value)}" for key, value in table.items()]
    return "{\n" + ",\n".join(lines) + "\n}\n"


# ---------------------------------------------------------------- check


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the joint range did for one pair."""

    change: float
    held: bool
    width: float
    held_alone: bool
    width_alone: float
    excludes_zero: bool
    shifted: bool


BANDS: list[tuple[str, Callable[[float], bool]]] = [
    ("0", lambda change: change == 0.0),
    ("up to 0.5", lambda change: 0.0 < change <= 0.5),
    ("0.5 to 1", lambda change: 0.5 < change <= 1.0),
    ("above 1", lambda change: change > 1.0),
    ("all", lambda change: True),
]


def check(networks: dict[str, TieNetwork], pairs: Sequence[Pair], count: int) -> str:
    """Return a table of coverage and width on pairs the fit has not seen."""
    rng = np.random.default_rng(0)
    rows = []
    for number, name in enumerate(KINDS_OF_PAIR):
        inside = [pair for pair in pairs if pair.kind == number and pair.before.inside and pair.after.inside]
        net = networks["same_picture" if number == 0 else "other_picture"]
        chosen = rng.permutation(len(inside))[:count]
        outcomes = [outcome(inside[int(index)], net) for index in chosen]
        for band, belongs in BANDS:
            some = [one for one in outcomes if belongs(abs(one.change))]
            if len(some) >= 20 and (number != 1 or band == "0"):
                rows.append([name, band, *cells(some)])
    head = ["pair", "true change", "n", "in 95 % range", "the same, independent", "median width"]
    head += ["width / independent", "range without 0", "called shifted"]
    return tables.markdown(head, rows)


def outcome(pair: Pair, net: TieNetwork) -> Outcome:
    """Compare one pair with and without what it shares."""
    ends = []
    moved = 0.0
    for tie in (net.tie(features_of(pair)), INDEPENDENT):
        joint = joint_ph((pair.before.grid, pair.before.density), (pair.after.grid, pair.after.density), tie)
        if not ends:
            up, down = joint.change > HOLD_PH, joint.change < -HOLD_PH
            moved = max(joint.probability(up), joint.probability(down))
        ends.append([joint.quantile(joint.change, share) for share in (0.025, 0.975)])
    (low, high), (low_alone, high_alone) = ends
    change = round(pair.after.ph - pair.before.ph, 6)
    return Outcome(
        change,
        low <= change <= high,
        high - low,
        low_alone <= change <= high_alone,
        high_alone - low_alone,
        low > 0.0 or high < 0.0,
        moved >= 0.95,
    )


def cells(outcomes: Sequence[Outcome]) -> list[str]:
    """Return the cells of one row."""
    count = len(outcomes)
    return [
        str(count),
        f"{100 * sum(one.held for one in outcomes) / count:.1f} %",
        f"{100 * sum(one.held_alone for one in outcomes) / count:.1f} %",
        f"{np.median([one.width for one in outcomes]):.2f}",
        f"{np.median([one.width / one.width_alone for one in outcomes]):.2f}",
        f"{100 * sum(one.excludes_zero for one in outcomes) / count:.1f} %",
        f"{100 * sum(one.shifted for one in outcomes) / count:.1f} %",
    ]


def main() -> None:
    """Fit on all files but the last, check on the last."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("work", type=Path)
    parser.add_argument("--pairs", type=int, default=1500, help="pairs of each kind to check")
    parser.add_argument("--write", action="store_true", help="replace the table of the package")
    parser.add_argument("--write-table", action="store_true", help="put the check into DEVELOPERS.md")
    parser.add_argument("--shipped", action="store_true", help="learn nothing, check the package's table")
    options = parser.parse_args()
    files = sorted(options.work.glob("pairs*.pkl"))
    if len(files) < 2:
        raise SystemExit(f"{options.work} needs two files of pairs: one to fit, one to check")
    shards = [[pair for world in pickle.loads(file.read_bytes()) for pair in world] for file in files]
    learned = [pair for shard in shards[:-1] for pair in shard]
    if options.shipped:
        model = load_pair_model()
        networks = {"same_picture": model.same_picture, "other_picture": model.other_picture}
    else:
        networks = {
            "same_picture": fit_network([pair for pair in learned if pair.kind == 0]),
            "other_picture": fit_network([pair for pair in learned if pair.kind > 0]),
        }
    text = check(networks, shards[-1], options.pairs)
    print(text)
    if options.write and not options.shipped:
        TABLE.write_text(to_json(networks), encoding="utf-8")
    if options.write_table:
        tables.put_between(DEVELOPERS, "compare-simulated", text)


if __name__ == "__main__":
    main()
