"""Train the network that lets the tubes of a picture bear on one another, and write its weights.

    python tests/accuracy/train_scorer.py simulate WORK --scenes 22000 --seed 1     (several, with other seeds)
    python tests/accuracy/train_together.py WORK [--held 1] [--epochs 4]

It learns from the shards that the scorers learned from. Tubes of one scene are known by the card they stand beside;
what the scorers say of each is worked out once and kept beside the shard. The first scenes of one shard are
held out. What is shipped was trained on eight shards of 22,000 scenes each. Needs torch (`pip install torch`),
which hueph itself does not. No photograph is looked at.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from train_scorer import layers_of, log_density_at, read_shard, state_of, trunk_class, write_networks

import hueph.estimating
from hueph._types import FloatArray, IntArray
from hueph.estimating.features import FEATURE_COUNT
from hueph.estimating.network import load_scorers
from hueph.estimating.posterior import mixture_of
from hueph.estimating.refining import FARTHEST
from hueph.estimating.together import LITTLE, LOG_UNIT, MOST_ODDS, NEAR, NOTHING, ODDS_UNIT

CHANNELS = 40
GAPS = (1, 2, 4, 8, 1)
WHOLE = (1, 3)
# What a tube tells: so many features as they are, so many through a hidden layer of so many.
PLAIN, TOLD, HIDDEN = 16, 40, 48
SCENES = 40
HELD_OUT = 1500
# Columns of the features that hold the absorbance of patches and artwork: the same for all tubes of a scene.
OF_THE_CARD = slice(10, 16)
AT_ONCE = 200


@dataclass(frozen=True, eq=False)
class Shard:
    """Tubes of many scenes.

    Attributes
    ----------
    features : list of array, shape (m, FEATURE_COUNT)
    targets : array, shape (n,)
        Place of the true pH on the grid; nan: no sample.
    logs : list of array, shape (m,)
        Log density by the scorers.
    valid : array, shape (n,)
        Log odds of holding an indicator, by the scorers.
    scenes : list of array of int
        Tubes of each scene.
    """

    features: list[Any]
    targets: FloatArray
    logs: list[Any]
    valid: FloatArray
    scenes: list[IntArray]

    @classmethod
    def load(cls, path: Path) -> Shard:
        """Read a shard and what the scorers say of its tubes; that is worked out the first time."""
        features, targets = read_shard(path)
        lengths = np.array([len(item) for item in features])
        beside = path.with_suffix(".read.npz")
        if not beside.exists():
            _read_by_scorers(features, lengths, beside)
        with np.load(beside) as kept:
            logs, valid = np.split(kept["logs"], np.cumsum(lengths)[:-1]), kept["valid"]
        cards: dict[tuple[int, bytes], list[int]] = {}
        for tube, item in enumerate(features):
            cards.setdefault((len(item), item[0, OF_THE_CARD].tobytes()), []).append(tube)
        return cls(features, targets, logs, valid, [np.array(tubes) for tubes in cards.values()])


def _read_by_scorers(features: list[Any], lengths: IntArray, out: Path) -> None:
    """Keep what the shipped scorers say of every tube."""
    logs: list[Any] = [None] * len(features)
    valid = np.zeros(len(features))
    for length in np.unique(lengths):
        tubes = np.flatnonzero(lengths == length)
        for begin in range(0, len(tubes), AT_ONCE):
            some = tubes[begin : begin + AT_ONCE]
            densities, odds = mixture_of(
                np.stack([features[tube] for tube in some]).astype(np.float32), load_scorers()
            )
            valid[some] = odds
            for tube, density in zip(some, densities, strict=True):
                logs[tube] = np.log(density + 1e-9).astype(np.float32)
    np.savez(out, logs=np.concatenate(logs), valid=valid)


def build_network() -> Any:
    """Return the torch twin of `hueph.estimating.together.Listener`."""
    import torch
    from torch import nn
    from torch.nn import functional

    class Network(trunk_class()):  # type: ignore[misc]
        def __init__(self) -> None:
            heard = (len(NEAR) + 1) * (PLAIN + TOLD + 1)
            super().__init__(FEATURE_COUNT + 2 + heard, CHANNELS, GAPS, WHOLE)
            self.plain = nn.Conv1d(FEATURE_COUNT + 1, PLAIN, 1)
            self.told0 = nn.Conv1d(FEATURE_COUNT + 1, HIDDEN, 1)
            self.told1 = nn.Conv1d(HIDDEN, TOLD, 1)
            # It starts as the scorers.
            nn.init.zeros_(self.out.weight)
            nn.init.zeros_(self.out.bias)
            self.base = nn.Parameter(torch.tensor(1.0))

        def forward(self, x: Any, log: Any, valid: Any, mask: Any, others: Any) -> Any:
            count, _, length = x.shape
            seen = torch.cat([x, (log / LOG_UNIT)[:, None]], 1)
            told = [
                self.plain(seen),
                self.told1(functional.gelu(self.told0(seen))),
                torch.ones(count, 1, length),
            ]
            share = torch.exp(log).masked_fill(~mask, 0.0)
            share = share / share.sum(1, keepdim=True) * torch.sigmoid(valid)[:, None]
            weighted = torch.cat(told, 1) * share[:, None]
            steps = torch.arange(length, dtype=torch.float32)
            apart = (steps[:, None] - steps[None]) ** 2
            said = [weighted @ torch.exp(-0.5 * apart / reach**2) for reach in NEAR]
            said.append(weighted.sum(2, keepdim=True).expand(-1, -1, length))
            heard = []
            for one in said:
                of_others = (others @ one.reshape(count, -1)).reshape(one.shape)
                amount = of_others[:, -1:]
                heard += [of_others[:, :-1] / (amount + LITTLE), torch.log(amount + NOTHING) / 2.0]
            odds = (valid[:, None, None].clamp(-MOST_ODDS, MOST_ODDS) / ODDS_UNIT).expand(-1, 1, length)
            z = self.hidden(torch.cat([seen, odds, *heard], 1), mask)
            return (self.out(z)[:, 0] + self.base * log).masked_fill(~mask, -60.0)

    return Network()


def batch_of(shard: Shard, scenes: Any, mean: FloatArray, scale: FloatArray) -> tuple[Any, ...]:
    """Return scenes as tensors: features, log densities, odds, mask, who hears whom, targets."""
    import torch

    tubes = np.concatenate([shard.scenes[scene] for scene in scenes])
    own = np.repeat(np.arange(len(scenes)), [len(shard.scenes[scene]) for scene in scenes])
    longest = max(len(shard.features[tube]) for tube in tubes)
    block = np.zeros((len(tubes), longest, FEATURE_COUNT), np.float32)
    logs, mask = np.full((len(tubes), longest), -20.0, np.float32), np.zeros((len(tubes), longest), bool)
    for row, tube in enumerate(tubes):
        length = len(shard.features[tube])
        block[row, :length] = np.clip(
            (shard.features[tube].astype(np.float32) - mean) / scale, -FARTHEST, FARTHEST
        )
        logs[row, :length], mask[row, :length] = shard.logs[tube], True
    hears = (own[:, None] == own) & ~np.eye(len(own), dtype=bool)
    return (
        torch.from_numpy(block).transpose(1, 2),
        *(torch.from_numpy(part) for part in (logs, shard.valid[tubes].astype(np.float32), mask)),
        torch.from_numpy(hears.astype(np.float32)),
        torch.from_numpy(shard.targets[tubes]).float(),
    )


def batches_of(shard: Shard, scenes: IntArray, rng: np.random.Generator) -> list[Any]:
    """Return batches of scenes of similar grid length, in random order."""
    lengths = np.array([len(shard.features[tubes[0]]) for tubes in shard.scenes])
    order, groups = rng.permutation(scenes), []
    for begin in range(0, len(order), SCENES * 50):
        part = order[begin : begin + SCENES * 50]
        part = part[np.argsort(lengths[part], kind="stable")]
        groups += [part[start : start + SCENES] for start in range(0, len(part), SCENES)]
    return [groups[int(index)] for index in rng.permutation(len(groups))]


def surprise(network: Any, batch: tuple[Any, ...]) -> tuple[Any, Any]:
    """Return the negative log density at the truth of each sample, by the network and by the scorers."""
    import torch

    *seen, target = batch
    has_ph = torch.isfinite(target)
    place, log, mask = torch.nan_to_num(target), seen[1], seen[3]
    return tuple(-log_density_at(logits, place, mask)[has_ph] for logits in (network(*seen), log))  # type: ignore[return-value]


def train(arguments: argparse.Namespace) -> None:
    """Train on every shard and write the weights after each epoch."""
    import torch

    torch.set_num_threads(arguments.threads)
    torch.manual_seed(arguments.seed)
    rng = np.random.default_rng(arguments.seed)
    files = sorted(arguments.work.glob("shard*.npy"))
    shards = [Shard.load(file) for file in files]
    last = files.index(arguments.work / f"shard{arguments.held}.npy") if arguments.held else len(files) - 1
    held = np.arange(HELD_OUT)
    sample = np.concatenate(shards[0].features[:4000]).astype(np.float32)
    mean, scale = sample.mean(axis=0), sample.std(axis=0) + 0.02
    network = build_network()
    optimiser = torch.optim.AdamW(network.parameters(), lr=2e-3, weight_decay=2e-3)
    epochs = []
    for _ in range(arguments.epochs):
        epoch: list[Any] = []
        for number, shard in enumerate(shards):
            used = np.arange(HELD_OUT if number == last else 0, len(shard.scenes))
            epoch += [(shard, batch) for batch in batches_of(shard, used, rng)]
        epochs.append([epoch[int(index)] for index in rng.permutation(len(epoch))])
    steps = sum(len(epoch) for epoch in epochs) + 1
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, 4e-3, total_steps=steps, pct_start=0.15)
    start = time.perf_counter()
    for number, epoch in enumerate(epochs):
        network.train()
        total = []
        for shard, scenes in epoch:
            loss = surprise(network, batch_of(shard, scenes, mean, scale))[0].mean()
            optimiser.zero_grad()
            loss.backward()
            torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
            optimiser.step()
            schedule.step()
            total.append(loss.item())
        network.eval()
        with torch.no_grad():
            parts = [
                surprise(network, batch_of(shards[last], scenes, mean, scale))
                for scenes in batches_of(shards[last], held, np.random.default_rng(0))
            ]
        together, alone = (float(torch.cat(side).mean()) for side in zip(*parts, strict=True))
        print(
            f"epoch {number}: trained {np.mean(total):.4f} held out {together:.4f} (alone {alone:.4f})  "
            f"{time.perf_counter() - start:.0f} s",
            flush=True,
        )
        write(arguments.out, network, mean, scale)


def write(path: Path, network: Any, mean: FloatArray, scale: FloatArray) -> None:
    """Write the weights in the layout of `hueph.estimating.together`."""
    state = state_of(network)
    layers = {"mean": mean, "scale": scale, "base": state["base"]} | layers_of(state)
    for name in ("plain", "told0", "told1"):
        layers |= {f"{name}.w": state[f"{name}.weight"][:, :, 0].T, f"{name}.b": state[f"{name}.bias"]}
    write_networks(path, [layers], GAPS)


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("work", type=Path)
    parser.add_argument(
        "--held", type=int, help="seed of the shard whose first scenes are held out (default: the last)"
    )
    parser.add_argument("--epochs", type=int, default=4)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--threads", type=int, default=2)
    default = Path(hueph.estimating.__file__).parent / "data" / "listener.npz"
    parser.add_argument("--out", type=Path, default=default)
    train(parser.parse_args())


if __name__ == "__main__":
    main()
