"""Train the weights by which the built-in locator judges ends of the burn; writes sigkit/locate/end_weights.npz.

Run from the project's folder: ``python benchmarks/train_burn_end.py --engines 600 --workers 2``.

Truth comes from the simulator; the seed is fixed here and differs from every study's.
"""

from __future__ import annotations

import numpy as np
from fit_network import train_command
from numpy.typing import NDArray

from sigkit.locate.burn_candidates import candidate_grid
from sigkit.locate.end_features import end_features
from sigkit.locate.first_look import first_look
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.prepare.settled_level import settled_level
from sigkit.simulate.simulated_capture import SimulatedCapture, iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.firings import Firings

SEED = 20_260_002
ENGINES_A_TASK = 20
#: Candidates this near to the true end count as it (half a step of the grid), further ones up to the second
#: limit are left out; others are drawn from near and far.
LEFT_OUT_S = 14e-6
NEAR_S = 250e-6
FAR_SHARE = 0.15


def examples(made: SimulatedCapture, rng: np.random.Generator) -> list[tuple[NDArray, NDArray]]:
    """Return features and labels of candidate ends of every firing of a capture."""
    result, truth = [], made.truth
    for channel in made.capture.channels:
        if channel.kind not in ("secondary_voltage", "primary_voltage"):
            continue
        rate = channel.sample_rate_Hz
        rows = np.flatnonzero((truth["channel"] == channel.name) & ~truth["absent"])
        off = (truth["coil_off_s"][rows] - channel.start_s) * rate
        keep = (off >= 2) & (off < len(channel) - 2)
        rows, off = rows[keep], off[keep]
        if rows.size == 0:
            continue
        position = np.clip(off + rng.uniform(-30e-6, 60e-6, off.size) * rate, 0, len(channel) - 1).astype(np.int64)
        firings = Firings(
            channel.name, position, position, position, truth["polarity"][rows].astype(np.int8), np.arange(rows.size)
        )
        blocks = summarise_blocks(channel)
        condition = condition_channel(channel, blocks)
        level = settled_level(blocks, rate)[np.minimum(position // blocks.length, blocks.mean.size - 1)]
        look = first_look(channel, firings, condition, level)
        candidates = candidate_grid(look)
        features = end_features(
            look.rough.rows, candidates, look.breakdown, look.found.early_level, look.found.peak_level,
            look.found.dwell_level, look.rough.interval_s, look.column_noise,
        )  # fmt: skip
        end = look.rough.to_columns((truth["burn_end_s"][rows] - channel.start_s) * rate)
        away_s = np.abs(candidates - end[:, None]) * look.rough.interval_s
        away_s = np.where(np.isfinite(away_s), away_s, 1.0)
        usable = np.isfinite(candidates)
        # An end off the record, or hidden in clipped samples, is no example of an end, and none of its lack.
        sparked = truth["sparked"][rows] != "no"
        skip = sparked & ~truth["measurable"][rows].astype(bool)
        usable &= ~skip[:, None]
        label = np.zeros(away_s.shape, dtype=np.int8)
        nearest = np.where(usable, away_s, np.inf).argmin(axis=1)
        hit = away_s[np.arange(rows.size), nearest] < max(LEFT_OUT_S, 0.75 * look.rough.interval_s)
        label[np.flatnonzero(hit), nearest[hit]] = 1
        chosen = (label == 1) | ((away_s > LEFT_OUT_S) & (away_s < NEAR_S)) | (rng.random(away_s.shape) < FAR_SHARE)
        chosen &= usable & ((label == 1) | (away_s > LEFT_OUT_S))
        result.append((features[chosen].astype(np.float32), label[chosen]))
    return result


def make_task(number: int) -> tuple[NDArray, NDArray]:
    """Return the examples of one batch of engines."""
    recipe = StudyRecipe(engines=ENGINES_A_TASK, firings_per_lead=6)
    rng = np.random.default_rng([SEED, number, 1])
    parts = []
    for made in iterate_captures(recipe, np.random.SeedSequence([SEED, number])):
        parts += examples(made, rng)
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


if __name__ == "__main__":
    train_command(__doc__, make_task, ENGINES_A_TASK, 600, (64, 32), "sigkit/locate/end_weights.npz")
