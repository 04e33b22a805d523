"""Train the scorer of `hueph.estimating` on simulated photographs and write its weights.

    python tests/accuracy/train_scorer.py simulate WORK --scenes 22000 --seed 1
    python tests/accuracy/train_scorer.py train WORK --seed 0 --out FIRST
    python tests/accuracy/train_scorer.py combine FIRST SECOND ...

The first command may run several times with other seeds; every shard in WORK is used, read from the file system as
training goes on, so that several may train side by side, each another network. Needs torch
(`pip install torch`), which hueph itself does not. Nothing here looks at a photograph: the worlds
come from `hueph.synthetic`, and the development photographs stay a test.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any

import numpy as np

import hueph.estimating
from hueph.colour.srgb import DISPLAY_P3_TO_XYZ, SRGB_TO_XYZ, srgb_to_linear_rgb
from hueph.estimating.features import (
    FEATURE_COUNT,
    GRID_STEP_PH,
    TubeEvidence,
    candidate_features,
    candidate_grid,
    neighbour_tint,
)
from hueph.synthetic import Scene, SceneMeasurements, draw_world, simulate_measurements
from hueph.synthetic.measure import patch_positions
from hueph.white_balance import choose_correction

SRGB_TO_P3 = np.linalg.inv(DISPLAY_P3_TO_XYZ) @ SRGB_TO_XYZ
CHANNELS = 48
GAPS = (1, 2, 4, 8, 16, 4, 1)
# Layers that are told what the whole grid shows.
WHOLE = (2, 5)
TAPS = 3
BATCH = 128
HELD_OUT = 4000
# Share of scenes that get one more tube with something else in it than the indicator.
ODD_SHARE = 0.35
# Share of scenes in which a liquid throws coloured light or shadow on the card.
SPILL_SHARE = 0.3
KIND_SHARES = {"sheet": 0.45, "bench": 0.22, "mixed": 0.13, "harsh": 0.14, "odd": 0.06}


# ---------------------------------------------------------------- simulate


def scene_evidence(
    scene: Scene, seen: SceneMeasurements, rng: np.random.Generator
) -> list[tuple[TubeEvidence, float]]:
    """Return the evidence of each tube of a simulated photograph with its true pH (nan: none)."""
    artwork, paper = srgb_to_linear_rgb(seen.chart_srgb), srgb_to_linear_rgb(seen.paper_srgb)
    if seen.display_p3:
        artwork, paper = artwork @ SRGB_TO_P3.T, paper @ SRGB_TO_P3.T
    near = srgb_to_linear_rgb(seen.patch_paper.srgb)
    patches = srgb_to_linear_rgb(seen.patch.srgb) / np.maximum(near, 1e-3) * paper
    keep = _seen_patches(len(seen.chart_ph), rng)
    keep &= ~(seen.patch.srgb > 0.985).any(axis=1) | (rng.random(len(keep)) < 0.5)
    if keep.sum() < 4:
        keep[:] = True
    liquid, glass = srgb_to_linear_rgb(seen.tube.srgb), srgb_to_linear_rgb(seen.glass.srgb)
    places = patch_positions(scene)
    # Not when only a part of the card's patches was handed over.
    if rng.random() < SPILL_SHARE and len(places) == len(patches):
        tint = np.clip(liquid[int(rng.integers(len(liquid)))] / near.max(axis=0), 0.0, 1.0)
        patches = patches * _spilled_light(places, tint, rng)
    close, far = srgb_to_linear_rgb(seen.backing.srgb), srgb_to_linear_rgb(seen.far_backing.srgb)
    # The program's field leans on both and trusts coloured shade less: somewhere between.
    blend = rng.uniform(0.2, 0.9)
    backing = np.exp(blend * np.log(np.maximum(close, 1e-3)) + (1 - blend) * np.log(np.maximum(far, 1e-3)))
    backing = backing * np.exp(rng.normal(0.0, 0.012, (len(backing), 1)))
    to_srgb = np.linalg.inv(SRGB_TO_P3) if seen.display_p3 else np.eye(3)
    correction, _ = choose_correction(patches[keep], artwork[keep], paper, to_srgb)
    stands = np.array([tube.position * scene.size for tube in scene.tubes])
    bores = np.array([tube.width_px for tube in scene.tubes]) * 0.93
    tints = neighbour_tint(liquid / backing, stands, bores)
    result = []
    for index, ph in enumerate(seen.tube_ph):
        level = max(float(liquid[index].sum()), 1e-3)
        noise = float(np.sqrt((seen.tube.std[index] ** 2).sum())) / level / np.sqrt(60.0)
        shown = glass[index] / backing[index] if rng.random() < 0.85 else np.full(3, np.nan)
        evidence = TubeEvidence(
            ph=seen.chart_ph[keep],
            patches=patches[keep],
            artwork=artwork[keep],
            tube=liquid[index] / backing[index],
            backing=backing[index] / near.mean(axis=0) * paper,
            glass=shown,
            paper_level=float(near.max()),
            noise=noise,
            low=(seen.tube.srgb[index] <= 0.006) * rng.uniform(0.5, 1.0),
            high=(seen.tube.srgb[index] >= 0.995) * rng.uniform(0.5, 1.0),
            correction=correction,
            neighbours=tints[index],
        )
        result.append((evidence, float(ph)))
    return result


def _spilled_light(places: Any, tint: Any, rng: np.random.Generator) -> Any:
    """Return what is left, on each patch, of light or shadow that a liquid threw on a part of the card.

    Most of it falls on the paper beside a patch as well and is taken off with it.
    """
    apart = np.linalg.norm(places - places[int(rng.integers(len(places)))], axis=1)
    pitch = float(np.sort(apart)[1])
    share = np.exp(-0.5 * (apart / (rng.uniform(0.4, 2.0) * pitch)) ** 2)[:, None]
    left = rng.uniform(0.01, 0.12)
    return 1.0 + left * share * (tint if rng.random() < 0.5 else tint - 1.0)


def _seen_patches(count: int, rng: np.random.Generator) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """In one scene of ten some patches are covered."""
    keep = np.ones(count, dtype=bool)
    if rng.random() < 0.1:
        keep[rng.permutation(count)[: int(rng.integers(1, 4))]] = False
    return keep


def odd_tube(like: TubeEvidence, other: TubeEvidence, rng: np.random.Generator) -> tuple[TubeEvidence, float]:
    """Put something into a tube that is no sample: another liquid, a cloudy one, or water."""
    choice = rng.random()
    if choice < 0.45:
        strength = rng.uniform(0.15, 1.2)
        tube = np.maximum(other.tube, 1e-3) ** strength
    elif choice < 0.75:
        tube = (
            rng.uniform(0.1, 0.85)
            * np.exp(rng.normal(0.0, 0.08, 3))
            * np.array([1, 1, 1 - rng.uniform(0, 0.3)])
        )
    else:
        tube = rng.uniform(0.85, 1.06) * np.exp(rng.normal(0.0, 0.025, 3))
    fields = {name: getattr(like, name) for name in TubeEvidence.__dataclass_fields__}
    fields["tube"] = tube
    fields["low"] = np.zeros(3)
    return TubeEvidence(**fields), float("nan")


def simulate(arguments: argparse.Namespace) -> None:
    """Write one shard of simulated evidence."""
    rng = np.random.default_rng(arguments.seed)
    rows: list[tuple[TubeEvidence, float]] = []
    start = time.perf_counter()
    kinds, shares = list(KIND_SHARES), list(KIND_SHARES.values())
    for _ in range(arguments.scenes):
        scene = draw_world(rng, kind=str(rng.choice(kinds, p=shares)))
        found = scene_evidence(scene, simulate_measurements(scene, rng), rng)
        if rows and rng.random() < ODD_SHARE:
            found.append(odd_tube(found[0][0], rows[int(rng.integers(len(rows)))][0], rng))
        rows.extend(found)
    rows = [rows[int(index)] for index in rng.permutation(len(rows))]
    features, targets = [], []
    for evidence, ph in rows:
        grid = candidate_grid(evidence.ph)
        features.append(candidate_features(evidence, grid).astype(np.float16))
        targets.append((ph - grid[0]) / GRID_STEP_PH)
    write_shard(arguments.work / f"shard{arguments.seed}.npy", features, np.array(targets))
    print(f"shard {arguments.seed}: {len(rows)} tubes in {time.perf_counter() - start:.0f} s", flush=True)


def write_shard(path: Path, features: list[Any], targets: Any) -> None:
    """Keep features one below the other, and beside them how many rows each tube has and its target."""
    path.parent.mkdir(parents=True, exist_ok=True)
    np.savez(path.with_suffix(".npz"), lengths=[len(item) for item in features], targets=targets)
    np.save(path, np.concatenate(features))


def read_shard(path: Path) -> tuple[list[Any], Any]:
    """Return what `write_shard` was given; features stay in the file until they are looked at."""
    beside = np.load(path.with_suffix(".npz"))
    rows = np.asarray(np.load(path, mmap_mode="r"))
    return np.split(rows, np.cumsum(beside["lengths"])[:-1]), beside["targets"]


# ---------------------------------------------------------------- train


def trunk_class() -> Any:
    """Return the torch twin of `hueph.estimating.network.hidden_state`, with a last layer, for networks to derive from."""
    import torch
    from torch import nn
    from torch.nn import functional

    class Trunk(nn.Module):
        def __init__(self, inputs: int, channels: int, gaps: tuple[int, ...], whole: tuple[int, ...]) -> None:
            super().__init__()
            self.first = nn.Conv1d(inputs, channels, 1)
            self.mid = nn.Conv1d(channels, channels, 1)
            self.convs = nn.ModuleList(
                nn.Conv1d(channels, channels, TAPS, padding=gap * (TAPS // 2), dilation=gap) for gap in gaps
            )
            self.points = nn.ModuleList(nn.Conv1d(channels, channels, 1) for _ in gaps)
            self.whole = nn.ModuleDict({str(index): nn.Linear(2 * channels, channels) for index in whole})
            self.out = nn.Conv1d(channels, 1, 1)

        def hidden(self, x: Any, mask: Any) -> Any:
            m = mask[:, None]
            z = functional.gelu(self.mid(functional.gelu(self.first(x)))) * m
            for index, (conv, point) in enumerate(zip(self.convs, self.points, strict=True)):
                if str(index) in self.whole:
                    z = z + self.whole[str(index)](self.pooled(z, mask))[:, :, None] * m
                z = (z + point(functional.gelu(conv(z)))) * m
            return z

        @staticmethod
        def pooled(z: Any, mask: Any) -> Any:
            m = mask[:, None]
            return torch.cat([z.masked_fill(~m, -1e4).amax(2), z.sum(2) / m.sum(2)], 1)

    return Trunk


def build_network() -> Any:
    """Return the torch twin of `hueph.estimating.network.Scorer`."""
    from torch import nn

    class Network(trunk_class()):  # type: ignore[misc]
        def __init__(self) -> None:
            super().__init__(FEATURE_COUNT, CHANNELS, GAPS, WHOLE)
            self.valid = nn.Linear(2 * CHANNELS, 1)

        def forward(self, x: Any, mask: Any) -> tuple[Any, Any]:
            z = self.hidden(x, mask)
            return self.out(z)[:, 0].masked_fill(~mask, -30.0), self.valid(self.pooled(z, mask))[:, 0]

    return Network()


def losses(logits: Any, valid: Any, target: Any, mask: Any) -> tuple[Any, Any]:
    """Return the mean negative log density at the truth (piecewise linear density) and the validity loss."""
    import torch
    from torch.nn import functional

    has_ph = torch.isfinite(target)
    density = log_density_at(logits, torch.where(has_ph, target, torch.zeros_like(target)), mask)
    nll = -(density * has_ph).sum() / has_ph.sum()
    return nll, functional.binary_cross_entropy_with_logits(valid, has_ph.float())


def log_density_at(logits: Any, target: Any, mask: Any) -> Any:
    """Return the log density at places on the grid, the density linear between candidates."""
    import torch

    place = torch.minimum(target.clamp(min=0), mask.sum(1) - 1.001)
    knot = place.floor().long()
    share = place - knot
    left = logits.gather(1, knot[:, None])[:, 0] + torch.log1p(-share + 1e-6)
    right = logits.gather(1, (knot + 1)[:, None])[:, 0] + torch.log(share + 1e-6)
    return torch.logaddexp(left, right) - torch.logsumexp(logits, 1) - float(np.log(GRID_STEP_PH))


def batches(lengths: np.ndarray[Any, np.dtype[np.int64]], chosen: Any, rng: np.random.Generator) -> list[Any]:
    """Return index batches of similar grid length in random order."""
    order = rng.permutation(chosen)
    groups = []
    for begin in range(0, len(order), BATCH * 50):
        part = order[begin : begin + BATCH * 50]
        part = part[np.argsort(lengths[part], kind="stable")]
        groups.extend(part[i : i + BATCH] for i in range(0, len(part), BATCH))
    return [groups[int(index)] for index in rng.permutation(len(groups)) if len(groups[int(index)]) > 16]


def padded(
    features: list[Any], targets: Any, lengths: Any, index: Any, mean: Any, scale: Any
) -> tuple[Any, ...]:
    """Return one batch as tensors: features (b, f, m), mask (b, m), targets (b,)."""
    import torch

    longest = int(lengths[index].max())
    block = np.zeros((len(index), longest, FEATURE_COUNT), np.float32)
    for row, item in enumerate(index):
        block[row, : lengths[item]] = (features[item].astype(np.float32) - mean) / scale
    mask = torch.arange(longest)[None] < torch.from_numpy(lengths[index])[:, None]
    return torch.from_numpy(block).transpose(1, 2), mask, torch.from_numpy(targets[index]).float()


def train(arguments: argparse.Namespace) -> None:
    """Train the networks on every shard and write their weights."""
    import torch

    torch.set_num_threads(arguments.threads)
    features: list[Any] = []
    parts = []
    for shard in sorted(arguments.work.glob("shard*.npy")):
        some, targets_part = read_shard(shard)
        features.extend(some)
        parts.append(targets_part)
    targets = np.concatenate(parts)
    lengths = np.array([len(item) for item in features])
    sample = np.concatenate(features[HELD_OUT : HELD_OUT + 3000]).astype(np.float32)
    mean, scale = sample.mean(axis=0), sample.std(axis=0) + 0.02
    held, used = np.arange(HELD_OUT), np.arange(HELD_OUT, len(features))
    print(f"{len(used)} tubes to train on", flush=True)
    networks = []
    for number in range(arguments.networks):
        networks.append(_train_one(arguments, number, features, targets, lengths, used, held, mean, scale))
        write(arguments.out, networks, mean, scale)


def _train_one(
    arguments: argparse.Namespace,
    number: int,
    features: list[Any],
    targets: Any,
    lengths: Any,
    used: Any,
    held: Any,
    mean: Any,
    scale: Any,
) -> Any:
    """Train one network; prints losses on the held-out worlds after each epoch."""
    import torch

    torch.manual_seed(arguments.seed + number)
    rng = np.random.default_rng(arguments.seed + number)
    network = build_network()
    optimiser = torch.optim.AdamW(network.parameters(), lr=2e-3, weight_decay=1e-3)
    steps = arguments.epochs * (len(used) // BATCH + 2)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, 4e-3, total_steps=steps, pct_start=0.15)
    start = time.perf_counter()
    for epoch in range(arguments.epochs):
        network.train()
        total = []
        for index in batches(lengths, used, rng):
            x, mask, y = padded(features, targets, lengths, index, mean, scale)
            nll, validity = losses(*network(x, mask), y, mask)
            optimiser.zero_grad()
            (nll + 0.3 * validity).backward()
            torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
            optimiser.step()
            if schedule.last_epoch < steps - 1:
                schedule.step()
            total.append(nll.item())
        network.eval()
        with torch.no_grad():
            scores = []
            for index in batches(lengths, held, np.random.default_rng(0)):
                x, mask, y = padded(features, targets, lengths, index, mean, scale)
                scores.append([value.item() for value in losses(*network(x, mask), y, mask)])
        kept = np.mean(scores, axis=0)
        print(
            f"network {number} epoch {epoch}: trained {np.mean(total):.4f} held out {kept[0]:.4f} "
            f"validity {kept[1]:.4f}  {time.perf_counter() - start:.0f} s",
            flush=True,
        )
        write(arguments.out.with_suffix(".partial.npz"), [network], mean, scale)
    return network


def layers_of(state: dict[str, Any]) -> dict[str, Any]:
    """Return a network's layers, all but those of its own kind, by the names of `hueph.estimating.network`."""
    layers: dict[str, Any] = {}
    for name, target in (("first", "in"), ("mid", "mid")):
        layers[f"{target}.w"] = state[f"{name}.weight"][:, :, 0].T
        layers[f"{target}.b"] = state[f"{name}.bias"]
    for name, target in (("convs", "conv"), ("points", "point"), ("whole", "whole")):
        for index in {key.split(".")[1] for key in state if key.startswith(f"{name}.")}:
            kernel = state[f"{name}.{index}.weight"]
            if name == "points":
                kernel = kernel[:, :, 0]
            layers[f"{target}{index}.w"] = kernel.transpose(2, 1, 0) if name == "convs" else kernel.T
            layers[f"{target}{index}.b"] = state[f"{name}.{index}.bias"]
    return layers | {"out.w": state["out.weight"][0, :, 0], "out.b": state["out.bias"][0]}


def write(path: Path, networks: list[Any], mean: Any, scale: Any) -> None:
    """Write the weights in the layout of `hueph.estimating.network`."""
    layers = []
    for network in networks:
        state = state_of(network)
        valid = {"valid.w": state["valid.weight"][0], "valid.b": state["valid.bias"][0]}
        layers.append({"mean": mean, "scale": scale} | layers_of(state) | valid)
    write_networks(path, layers, GAPS)


def state_of(network: Any) -> dict[str, Any]:
    """Return the arrays of a torch network by their names there."""
    return {key: value.detach().numpy() for key, value in network.state_dict().items()}


def write_networks(path: Path, networks: list[dict[str, Any]], gaps: tuple[int, ...]) -> None:
    """Write layers of networks by name, as `hueph.estimating.network.read_networks` reads them."""
    arrays: dict[str, Any] = {"count": np.array(len(networks)), "gaps": np.array(gaps)}
    for number, layers in enumerate(networks):
        arrays |= {f"{number}/{key}": np.asarray(value, dtype=np.float32) for key, value in layers.items()}
    path.parent.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(path, **arrays)


def combine(arguments: argparse.Namespace) -> None:
    """Write the networks of several files, of one build, into one."""
    arrays: dict[str, Any] = {}
    count = 0
    for path in arguments.files:
        with np.load(path) as archive:
            arrays["gaps"] = archive["gaps"]
            for number in range(int(archive["count"])):
                own = {key: archive[key] for key in archive.files if key.startswith(f"{number}/")}
                arrays |= {f"{count}/{key.partition('/')[2]}": value for key, value in own.items()}
                count += 1
    np.savez_compressed(arguments.out, count=np.array(count), **arrays)


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    commands = parser.add_subparsers(required=True)
    first = commands.add_parser("simulate", help="write one shard of simulated evidence")
    first.add_argument("work", type=Path)
    first.add_argument("--scenes", type=int, default=20000)
    first.add_argument("--seed", type=int, default=1)
    first.set_defaults(run=simulate)
    second = commands.add_parser("train", help="train on every shard")
    second.add_argument("work", type=Path)
    second.add_argument("--epochs", type=int, default=4)
    second.add_argument("--networks", type=int, default=1)
    second.add_argument("--seed", type=int, default=0)
    second.add_argument("--threads", type=int, default=2)
    default = Path(hueph.estimating.__file__).parent / "data" / "scorers.npz"
    second.add_argument("--out", type=Path, default=default)
    second.set_defaults(run=train)
    third = commands.add_parser("combine", help="write the networks of several files into one")
    third.add_argument("files", type=Path, nargs="+")
    third.add_argument("--out", type=Path, default=default)
    third.set_defaults(run=combine)
    arguments = parser.parse_args()
    arguments.run(arguments)


if __name__ == "__main__":
    main()
