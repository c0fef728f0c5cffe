"""Weights with and without a scaling step say the same."""

from __future__ import annotations

import numpy as np

from sigkit.prepare.stored_network import evaluate_network, without_scaling


def test_a_scaling_in_the_first_layer_changes_nothing():
    rng = np.random.default_rng(5)
    held = {
        "centre": rng.normal(size=6), "spread": np.array([0.5, 2.0, 0.0, 1.0, 3.0, 0.1]),
        "weight_0": rng.normal(size=(6, 4)), "bias_0": rng.normal(size=4),
        "weight_1": rng.normal(size=(4, 1)), "bias_1": rng.normal(size=1),
    }  # fmt: skip
    features = rng.normal(size=(50, 6))
    folded = without_scaling(held)
    assert "centre" not in folded
    np.testing.assert_allclose(evaluate_network(folded, features), evaluate_network(held, features), rtol=1e-9)


def test_several_networks_say_the_mean_of_what_each_says():
    rng = np.random.default_rng(6)
    shapes = {"weight_0": (6, 4), "bias_0": (4,), "weight_1": (4, 1), "bias_1": (1,)}
    scaling = {"centre": rng.normal(size=6), "spread": np.full(6, 2.0)}
    each = [{**scaling, **{name: rng.normal(size=shape) for name, shape in shapes.items()}} for _ in range(3)]
    several = {**scaling, **{name: np.stack([one[name] for one in each]) for name in shapes}}
    features = rng.normal(size=(40, 6))
    mean = np.mean([evaluate_network(one, features) for one in each], axis=0)
    np.testing.assert_allclose(evaluate_network(several, features), mean, rtol=1e-12)
