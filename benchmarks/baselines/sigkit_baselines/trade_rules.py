"""Conditions from the directions the trade goes by (common practice, no source), against the sibling leads."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from sigkit.contracts.classifier import Judgement
from sigkit.types.firing_table import CONDITIONS
from sigkit_baselines.probability import judgement, softmax

#: Columns read: log ratios to the siblings, slope over burn level, whether there was a spark, and the damping of the
#: ring with its difference from the siblings', which make a log ratio too.
FEATURES = (
    "firing_log_firing_level", "firing_log_burn_level", "siblings_log_burn_time_ms", "slope_to_burn_per_ms",
    "not_sparked", "lead_ring_damping_ratio", "siblings_ring_damping_ratio",
)  # fmt: skip
#: Direction of firing voltage, burn voltage, burn time, slope (in burn levels a millisecond), damping of the ring, and
#: absence of a spark. Common practice, no source.
RULES: dict[str, tuple[int, ...]] = {
    "normal": (0, 0, 0, 0, 0, 0),
    "wide_gap": (1, 1, -1, 0, 0, 0),
    "narrow_gap": (-1, -1, 1, 0, 0, 0),
    "fouled_plug": (-1, -1, 1, -1, 1, 0),
    "open_secondary": (1, 1, -1, 0, -1, 1),
    "high_resistance": (0, 1, -1, -1, 1, 0),
    "lean_mixture": (1, 1, -1, 1, 0, 0),
    "low_compression": (-1, -1, 1, 0, 0, 0),
    "low_coil_energy": (0, 0, -1, 0, 0, 0),
    "shorted_winding": (0, 0, -1, 0, 1, 0),
    "insulation_leak": (-1, -1, 0, 0, 1, 0),
}
#: Factor on the number of disagreements before the softmax (our choice: e times less likely for each).
SHARPNESS = 1.0


class TradeRules:
    """Count the directions that agree with each rule.

    Parameters
    ----------
    margin : float
        Log ratio from which a quantity counts as raised or lowered.
    """

    name = "baseline_trade_rules"
    takes = "features"
    feature_names = FEATURES
    tunable: ClassVar[dict[str, tuple[float, ...]]] = {"margin": (0.1, 0.15, 0.25, 0.4)}

    def __init__(self, margin: float = 0.15) -> None:
        self.margin = margin

    def judge(self, features: NDArray) -> Judgement:
        """Return the judgement of rows of features, shape (n, 7); a missing value counts as usual."""
        given = np.asarray(features, dtype=float).reshape(-1, len(FEATURES))
        own, apart = given[:, 5], given[:, 6]
        usual = own - apart
        both = (own > 0) & (usual > 0)
        damping = np.log(np.where(both, own, 1.0) / np.where(both, usual, 1.0))
        values = np.nan_to_num(np.column_stack([given[:, :4], damping, given[:, 4]]), nan=0.0)
        seen = np.sign(values) * (np.abs(values) > self.margin)
        rules = np.array([RULES[name] for name in CONDITIONS], dtype=float)
        # Agreement counts for, contradiction and silence count against a rule.
        score = -np.abs(seen[:, None, :] - rules[None, :, :]).sum(axis=2)
        return judgement(softmax(SHARPNESS * score), tuple(CONDITIONS))
