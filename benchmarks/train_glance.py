"""Train the weights by which swings of long records are passed over at a glance; writes a file into sigkit/detect/.

Run from the project's folder: ``python benchmarks/train_glance.py``, after ``train_detector.py``.

The network learns which swings the first network of the detector would call hopeless, from a few levels around them.
It is used on long records of fast recorders only, and learns from such. The seed is fixed here and differs from every
other.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from fit_network import finished, fit_network
from numpy.typing import NDArray
from train_detector import Reduced, cut_somewhere, draw_other, reduce_capture

from sigkit.detect import swing_network
from sigkit.detect.block_activity import describe_blocks
from sigkit.simulate.simulated_capture import iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe

SEED = 20_260_021
ENGINES_A_TASK = 20
OTHERS_A_TASK = 40
RATES_HZ = (500e3, 1e6, 2e6, 5e6)
#: From these log-odds of the first network on, a swing is worth a closer look.
WORTH = -8.0
#: Such swings are few: each counts so often, and its share of the others is kept.
REPEATED = 10
KEPT_SHARE = 0.6


def glance_task(number: int) -> tuple[NDArray, NDArray]:
    """Return glances and what the first network says of the same swings, from one task."""
    recipe = StudyRecipe(
        engines=ENGINES_A_TASK, firings_per_lead=12 if number % 2 else 4, sample_rates_Hz=RATES_HZ,
        recordings=("continuous", "sweeps")[number % 2 : number % 2 + 1],
    )  # fmt: skip
    rng = np.random.default_rng([SEED, number, 1])
    made = [reduce_capture(one) for one in iterate_captures(recipe, np.random.SeedSequence([SEED, number]))]
    records = [one for channels in made for one in channels if one.kind != "coil_current"]
    records += [cut for one in records if rng.random() < 0.3 and (cut := cut_somewhere(one, rng)) is not None]
    drawn = (draw_other(rng) for _ in range(OTHERS_A_TASK))
    records += [one for one in drawn if one.sample_rate_Hz >= RATES_HZ[0]]
    described = [_described(one) for one in records]
    return np.concatenate([part[0] for part in described]), np.concatenate([part[1] for part in described])


def _described(one: Reduced) -> tuple[NDArray, NDArray]:
    found = describe_blocks(one.blocks, one.noise, one.sample_rate_Hz)
    return found.glances, swing_network.judge_swings(found.features)


def fit(glances: NDArray, odds: NDArray) -> None:
    """Fit the network and write it."""
    worth = odds > WORTH
    rng = np.random.default_rng(SEED)
    others = np.flatnonzero(~worth)
    rows = np.concatenate([np.repeat(np.flatnonzero(worth), REPEATED), others[rng.random(others.size) < KEPT_SHARE]])
    rng.shuffle(rows)
    out = Path("sigkit/detect") / swing_network.GLANCE_WEIGHTS
    fit_network(glances[rows], worth[rows].astype(np.int64), (32, 16), out)


def main() -> None:
    """Simulate, fit, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--engines", type=int, default=240)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    tasks = list(range(max(2, options.engines // ENGINES_A_TASK)))
    parts = finished(glance_task, tasks, options.workers, "swings at a glance")
    glances, odds = (np.concatenate([part[row] for part in parts]) for row in (0, 1))
    fit(glances, odds)


if __name__ == "__main__":
    main()
