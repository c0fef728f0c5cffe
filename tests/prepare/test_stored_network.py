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
