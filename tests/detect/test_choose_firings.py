"""The likeliest of swings close together, against plain trial of all of them in order."""

from __future__ import annotations

import numpy as np

from sigkit.detect.choose_firings import APART_S, LEAST_LOG_ODDS, likeliest_apart


def test_the_likeliest_swings_apart_are_those_of_a_plain_search():
    rng = np.random.default_rng(4)
    for mean_gap_s in (0.5e-3, 4e-3, 30e-3):
        times = np.cumsum(rng.exponential(mean_gap_s, 300))
        direction = rng.choice([-1, 1], 300)
        odds = np.round(rng.normal(0.0, 3.0, 300), 1)
        kept: list[int] = []
        for row in np.argsort(-odds, kind="stable").tolist():
            usable = direction[row] == 1 and odds[row] > LEAST_LOG_ODDS
            if usable and all(abs(times[row] - times[other]) > APART_S for other in kept):
                kept.append(row)
        assert likeliest_apart(times, direction, odds, 1).tolist() == sorted(kept)
