"""Train the weights by which the built-in detector judges swings; writes sigkit/detect/swing_weights.npz.

Run from the project's folder: ``python benchmarks/train_detector.py --engines 1000 --workers 2``.

Truth comes from the simulator. Records that hold no ignition are drawn beside them, so that the detector
learns what to leave alone. The seed is fixed here and differs from every study's.
"""

from __future__ import annotations

import numpy as np
from fit_network import train_command
from numpy.typing import NDArray

from sigkit.detect.candidate_features import candidate_features
from sigkit.detect.swing_candidates import find_swings
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.prepare.settled_level import settled_level
from sigkit.simulate.simulated_capture import SimulatedCapture, iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.channel import Channel

SEED = 20_260_001
#: A swing this near to the true switching-off, with its polarity, is the firing; others this near are left out.
NEAREST_S = 0.2e-3
LEFT_OUT_S = 0.4e-3
ENGINES_A_TASK = 20


def describe(channel: Channel) -> tuple[NDArray, NDArray, NDArray]:
    """Return features, times in seconds from the first sample, and directions of a channel's swings."""
    blocks = summarise_blocks(channel)
    noise = condition_channel(channel, blocks).noise
    baseline = settled_level(blocks, channel.sample_rate_Hz)
    swings = find_swings(blocks, channel.sample_rate_Hz, noise)
    features = candidate_features(blocks, baseline, channel.sample_rate_Hz, noise, swings)
    return features, (swings.block + 0.5) * blocks.length / channel.sample_rate_Hz, swings.direction


def examples(made: SimulatedCapture) -> list[tuple[NDArray, NDArray]]:
    """Return features and labels (1 firing, 0 not) of every channel of a capture."""
    result, truth = [], made.truth
    for channel in made.capture.channels:
        if channel.kind not in ("secondary_voltage", "primary_voltage"):
            continue
        features, time_s, direction = describe(channel)
        label = np.zeros(time_s.size, dtype=np.int8)
        rows = np.flatnonzero((truth["channel"] == channel.name) & ~truth["absent"])
        for row in rows:
            away = np.abs(time_s - (truth["coil_off_s"][row] - channel.start_s))
            label[away < LEFT_OUT_S] = -1
            away[direction != truth["polarity"][row]] = np.inf
            if away.size and away.min() < NEAREST_S:
                label[away.argmin()] = 1
        keep = label >= 0
        result.append((features[keep].astype(np.float32), label[keep]))
    return result


def draw_others(rng: np.random.Generator) -> list[tuple[NDArray, NDArray]]:
    """Draw one record without ignition: tones, pulses, ramps, walks, bursts, noises; invented."""
    rate = float(rng.choice([20e3, 50e3, 100e3, 200e3, 500e3, 1e6]))
    count = int(min(rate * rng.uniform(0.02, 1.0), 4e5))
    t = np.arange(count) / rate
    f = float(np.exp(rng.uniform(np.log(5), np.log(rate / 5))))
    slow = float(np.exp(rng.uniform(np.log(3), np.log(300))))
    phase = np.mod(t * slow + rng.random(), 1.0)
    kinds = (
        lambda: np.sin(2 * np.pi * f * t),
        lambda: np.sign(np.sin(2 * np.pi * slow * t)),
        lambda: (phase < rng.uniform(0.001, 0.5)) * 1.0,
        lambda: phase,
        lambda: 1.0 - phase,
        lambda: np.cumsum(rng.normal(size=count)) / np.sqrt(count),
        lambda: np.sin(2 * np.pi * f * t) * np.abs(np.sin(2 * np.pi * slow * t)) ** rng.uniform(1, 8),
        lambda: np.exp(-(((phase - 0.5) / rng.uniform(0.002, 0.1)) ** 2)),
        lambda: rng.standard_t(2, size=count) * 0.1,
        lambda: (phase >= 0.3) * np.exp(-np.maximum(phase - 0.3, 0) / slow / rng.uniform(1e-4, 5e-3))
        - rng.uniform(0, 0.5) * (phase < 0.3) * (phase > 0.1),
        lambda: np.exp(-phase / slow / rng.uniform(2e-4, 3e-3)) * np.sin(2 * np.pi * min(f, 3e3) * phase / slow),
        lambda: np.abs(np.sin(2 * np.pi * slow * t)),
        lambda: (rng.random(count) < 10 ** rng.uniform(-5, -3)) * rng.normal(size=count),
        lambda: (rng.random(count) < 10 ** rng.uniform(-5, -3)) * rng.choice([-1.0, 1.0], size=count),
    )
    signal = kinds[int(rng.integers(len(kinds)))]() * rng.choice([-1, 1])
    signal = signal + rng.normal(size=count) * 10 ** rng.uniform(-3.5, -1)
    channel = Channel("1", signal.astype(np.float32), rate)
    features, _, _ = describe(channel)
    return [(features.astype(np.float32), np.zeros(features.shape[0], dtype=np.int8))]


def make_task(number: int) -> tuple[NDArray, NDArray]:
    """Return the examples of one batch of engines and of as many other records."""
    recipe = StudyRecipe(engines=ENGINES_A_TASK, firings_per_lead=12)
    parts = []
    for made in iterate_captures(recipe, np.random.SeedSequence([SEED, number])):
        parts += examples(made)
    rng = np.random.default_rng([SEED, number, 1])
    for _ in range(4 * ENGINES_A_TASK):
        parts += draw_others(rng)
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


if __name__ == "__main__":
    train_command(__doc__, make_task, ENGINES_A_TASK, 1000, (128, 64), "sigkit/detect/swing_weights.npz")
