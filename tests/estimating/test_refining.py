"""The refiner's network against SciPy, and the limits it keeps to."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import correlate1d
from scipy.special import erf, softmax

from hueph._types import Float32Array, FloatArray
from hueph.errors import InputError
from hueph.estimating.refining import FARTHEST, Refiner, load_refiners

FEATURES, CHANNELS, GAPS = 5, 4, (1, 2)


def random_weights(seed: int) -> dict[str, Float32Array]:
    """Weights of a small network with one layer that sees the whole grid."""
    rng = np.random.default_rng(seed)
    shapes: dict[str, tuple[int, ...]] = {
        "mean": (FEATURES,),
        "in.w": (FEATURES, CHANNELS),
        "in.b": (CHANNELS,),
        "mid.w": (CHANNELS, CHANNELS),
        "mid.b": (CHANNELS,),
        "whole1.w": (2 * CHANNELS, CHANNELS),
        "whole1.b": (CHANNELS,),
        "out.w": (CHANNELS,),
        "out.b": (),
    }
    for index in range(len(GAPS)):
        shapes |= {f"conv{index}.w": (3, CHANNELS, CHANNELS), f"conv{index}.b": (CHANNELS,)}
        shapes |= {f"point{index}.w": (CHANNELS, CHANNELS), f"point{index}.b": (CHANNELS,)}
    weights = {name: np.asarray(rng.normal(0.0, 0.5, shape), np.float32) for name, shape in shapes.items()}
    return weights | {"scale": np.full(FEATURES, 0.7, np.float32), "base": np.array(1.3, np.float32)}


def by_scipy(w: dict[str, Float32Array], features: FloatArray, base: FloatArray) -> FloatArray:
    """The same network out of a library's correlation, error function and softmax."""

    def gelu(x: FloatArray) -> FloatArray:
        return np.asarray(0.5 * x * (1.0 + erf(x / np.sqrt(2.0))))

    state = gelu((features - w["mean"]) / w["scale"] @ w["in.w"] + w["in.b"])
    state = gelu(state @ w["mid.w"] + w["mid.b"])
    for index, gap in enumerate(GAPS):
        if index == 1:
            whole = np.concatenate([state.max(axis=0), state.mean(axis=0)])
            state = state + whole @ w["whole1.w"] + w["whole1.b"]
        kernel = np.zeros((2 * gap + 1, CHANNELS, CHANNELS))
        kernel[::gap] = w[f"conv{index}.w"]
        inner = sum(
            np.stack(
                [
                    correlate1d(state[:, source], kernel[:, source, to], mode="constant")
                    for to in range(CHANNELS)
                ],
                axis=1,
            )
            for source in range(CHANNELS)
        )
        state = state + gelu(inner + w[f"conv{index}.b"]) @ w[f"point{index}.w"] + w[f"point{index}.b"]
    return np.asarray(softmax(state @ w["out.w"] + w["out.b"] + w["base"] * base))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_network_is_what_scipy_makes_of_its_weights(seed: int) -> None:
    rng = np.random.default_rng((seed, 1))
    features, base = rng.normal(size=(9, FEATURES)), rng.normal(size=9)
    found = Refiner(random_weights(seed), GAPS).density(features.astype(np.float32), base)
    assert found == pytest.approx(by_scipy(random_weights(seed), features, base), abs=2e-6)


def test_a_network_that_adds_nothing_leaves_what_it_started_from() -> None:
    weights = random_weights(4) | {
        "out.w": np.zeros(CHANNELS, np.float32),
        "out.b": np.array(3.0, np.float32),
        "base": np.array(1.0, np.float32),
    }
    base = np.log(np.array([0.2, 0.5, 0.3]))
    features = np.random.default_rng(5).normal(size=(3, FEATURES)).astype(np.float32)
    assert Refiner(weights, GAPS).density(features, base) == pytest.approx([0.2, 0.5, 0.3])


def test_a_feature_beyond_all_that_was_trained_on_counts_as_the_farthest() -> None:
    refiner = Refiner(random_weights(6), GAPS)
    features, base = np.zeros((4, FEATURES), np.float32), np.zeros(4)
    far, farther = features.copy(), features.copy()
    far[:, 2] = refiner.weights["mean"][2] + FARTHEST * 0.7 + 1e-3
    farther[:, 2] = 1e6
    assert refiner.density(farther, base) == pytest.approx(refiner.density(far, base), abs=1e-6)


def test_weights_for_other_features_are_refused() -> None:
    with pytest.raises(InputError, match="weights are for 5 features, this version computes 7; reinstall"):
        Refiner(random_weights(7), GAPS).density(np.zeros((4, 7), np.float32), np.zeros(4))


def test_shipped_networks_load_and_answer_with_a_density() -> None:
    base = -0.5 * np.linspace(-3.0, 3.0, 31) ** 2
    assert load_refiners()
    for shipped in load_refiners():
        features = np.tile(shipped.weights["mean"], (31, 1)).astype(np.float32)
        density = shipped.density(features, base)
        assert density.sum() == pytest.approx(1.0)
        assert (density > 0.0).all()
