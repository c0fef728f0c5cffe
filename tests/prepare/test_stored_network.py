"""Weights with and without a scaling step say the same."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.prepare.stored_network import AT_ONCE, evaluate_network, network_outputs, without_scaling


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


@pytest.mark.parametrize("shape", [(0,), (0, 3), (3, 0), (1,), (AT_ONCE,), (AT_ONCE + 1,), (5, 1000)])
def test_any_number_of_rows_is_answered_row_by_row(shape):
    rng = np.random.default_rng(7)
    held = {"weight_0": rng.normal(size=(6, 4)), "bias_0": rng.normal(size=4),
            "weight_1": rng.normal(size=(4, 2)), "bias_1": rng.normal(size=2)}  # fmt: skip
    features = rng.normal(size=(*shape, 6))
    expected = np.maximum(features @ held["weight_0"] + held["bias_0"], 0.0) @ held["weight_1"] + held["bias_1"]
    answers = network_outputs(held, features)
    assert answers.shape == (*shape, 2)
    np.testing.assert_allclose(answers, expected, rtol=1e-9, atol=1e-12)
