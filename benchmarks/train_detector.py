"""Train the weights by which the built-in detector judges swings; writes two files into sigkit/detect/.

Run from the project's folder: ``python benchmarks/train_detector.py``; with ``--further`` the stored networks are
taught further instead of anew, on the engines of ``train_locator.py`` (more of them, fewer firings of each), which is
how those that ship were made.

Truth comes from the simulator. A third of the engines are of other structure than the usual, half of these with a coil
on each plug, where rotor gaps and blocking diodes are. Records that hold no ignition are drawn beside them, so that the
detector learns what to leave alone. The first network judges a swing by what stands around it; the second judges it by
its company (`sigkit.detect.company_features`) and is fitted on engines the first has not seen. The seed is fixed here
and differs from every study's.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from fit_network import finished, fit_further, fit_network
from numpy.typing import NDArray
from train_locator import batch

from sigkit.detect import swing_network
from sigkit.detect.block_activity import describe_blocks, judge_blocks
from sigkit.detect.company_features import company_features
from sigkit.prepare.block_summary import BlockSummary, summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.simulate.simulated_capture import SimulatedCapture, iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.channel import Channel

SEED = 20_260_001
#: A swing this near to the true switching-off, with its polarity, is the firing; others this near are left out.
NEAREST_S = 0.3e-3
LEFT_OUT_S = 0.4e-3
ENGINES_A_TASK = 20
#: Every so many tasks, the engines are of other structure than the usual.
EACH_OTHER = 3
#: Other records beside each task of engines.
OTHERS_A_TASK = 40
#: Share of the tasks the first network is fitted on, and share of its examples that are not firings that is kept.
FIRST_SHARE = 0.75
KEPT_SHARE = 0.25
#: Batches of the locator's engines, forty each, from which the first and the second network learn further.
FIRST_BATCHES, SECOND_BATCHES = range(180), range(185, 250)
#: Where the random numbers of these batches count from.
BATCHES_FROM = 100_000
#: Rates and passes of learning further (our choice: as many again were worse on batches kept apart).
FIRST_PASSES = ((8e-4, 10), (3e-4, 8), (1e-4, 6))
SECOND_PASSES = ((1e-3, 10), (3e-4, 8), (1e-4, 6))


@dataclass(frozen=True, eq=False)
class Reduced:
    """One channel as blocks, with the true firings on it."""

    blocks: BlockSummary
    noise: float
    sample_rate_Hz: float
    start_s: float
    kind: str
    off_s: NDArray[np.float64]
    polarity: NDArray[np.int64]

    def cropped(self, first: int, last: int) -> Reduced:
        """Return blocks ``first:last`` only: a record that begins or ends elsewhere."""
        parts = {name: getattr(self.blocks, name)[first:last] for name in ("minimum", "maximum", "mean", "mean_square")}
        blocks = replace(self.blocks, count=(last - first) * self.blocks.length, **parts)
        start_s = self.start_s + first * self.blocks.length / self.sample_rate_Hz
        return replace(self, blocks=blocks, start_s=start_s)


def reduce_capture(made: SimulatedCapture) -> list[Reduced]:
    """Reduce the channels of a capture to blocks."""
    result, truth = [], made.truth
    for channel in made.capture.channels:
        if channel.kind not in ("secondary_voltage", "primary_voltage", "coil_current"):
            continue
        rows = np.flatnonzero((truth["channel"] == channel.name) & ~truth["absent"])
        result.append(reduce_channel(channel, truth["coil_off_s"][rows], truth["polarity"][rows]))
    return result


def reduce_channel(channel: Channel, off_s: NDArray, polarity: NDArray) -> Reduced:
    """Reduce a channel to blocks."""
    blocks = summarise_blocks(channel)
    noise = condition_channel(channel, blocks).noise
    return Reduced(blocks, noise, channel.sample_rate_Hz, channel.start_s, channel.kind, off_s, polarity)


def label(time_s: NDArray, direction: NDArray, log_odds: NDArray, one: Reduced) -> NDArray[np.int8]:
    """Return 1 for firings, 0 for others, -1 for swings too near to a firing to be either."""
    result = np.zeros(time_s.size, dtype=np.int8)
    for off_s, polarity in zip(one.off_s, one.polarity, strict=True):
        away = np.abs(time_s - off_s)
        result[away < LEFT_OUT_S] = -1
        near = np.flatnonzero((away < NEAREST_S) & (direction == polarity))
        if near.size:
            result[near[log_odds[near].argmax()]] = 1
    return result


def swing_examples(one: Reduced, rng: np.random.Generator) -> tuple[NDArray, NDArray]:
    """Return features and labels of the swings of a channel, each by itself."""
    described = describe_blocks(one.blocks, one.noise, one.sample_rate_Hz)
    time_s = one.start_s + (described.swings.block + 0.5) * one.blocks.length / one.sample_rate_Hz
    # Of several swings at a firing the one nearest to it counts.
    away = np.abs(time_s[:, None] - one.off_s).min(axis=1) if one.off_s.size else np.zeros(time_s.size)
    labels = label(time_s, described.swings.direction, -away, one)
    keep = (labels == 1) | ((labels == 0) & (rng.random(labels.size) < KEPT_SHARE))
    return described.features[keep], labels[keep]


def cut_somewhere(one: Reduced, rng: np.random.Generator) -> Reduced | None:
    """Return the channel cut close to one of its firings, or None where there is too little."""
    if one.off_s.size == 0:
        return None
    off = rng.choice(one.off_s) - one.start_s
    spans = (
        (rng.uniform(0.02e-3, 1e-3), rng.uniform(4e-3, 12e-3)),
        (rng.uniform(3e-3, 10e-3), rng.uniform(0.03e-3, 1.5e-3)),
        (rng.uniform(2e-3, 10e-3), rng.uniform(3e-3, 12e-3)),
    )
    before, after = spans[int(rng.integers(3))]
    rate = one.sample_rate_Hz / one.blocks.length
    first, last = max(0, int((off - before) * rate)), min(one.blocks.mean.size, int((off + after) * rate))
    return one.cropped(first, last) if last - first >= 30 else None


def company_examples(channels: list[Reduced]) -> list[tuple[NDArray, NDArray]]:
    """Return features and labels of the swings of a capture in their company."""
    judged = [judge_blocks(one.blocks, one.noise, one.sample_rate_Hz, one.start_s, one.kind) for one in channels]
    result = []
    for one, swings, features in zip(channels, judged, company_features(judged), strict=True):
        if one.kind != "coil_current" and features.shape[0]:
            labels = label(swings.time_s, swings.direction, swings.log_odds, one)
            result.append((features[labels >= 0].astype(np.float32), labels[labels >= 0]))
    return result


def selections(channels: list[Reduced], rng: np.random.Generator) -> list[list[Reduced]]:
    """Return the capture as recorded, its leads only, each lead alone, and some leads cut somewhere.

    Leads alone matter: the drawn other records have one channel too, and a lone lead must not pass for one of them.
    """
    leads = [one for one in channels if one.kind == "secondary_voltage"]
    result = [channels, leads, *([lead] for lead in leads)]
    some = [one for one in leads if rng.random() < 0.5] or leads[:1]
    most = min((one.blocks.mean.size for one in some), default=0)
    if most >= 60:
        first = int(rng.integers(0, most // 2))
        last = int(rng.integers(min(first + 40, most), most + 1))
        result.append([one.cropped(first, last) for one in some])
    return [one for one in result if one]


def draw_other(rng: np.random.Generator) -> Reduced:
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
    return reduce_channel(channel, np.zeros(0), np.zeros(0, dtype=np.int64))


def task_recipe(number: int) -> StudyRecipe:
    """Return the recipe of one task's engines: short and long records in turn, each third of other structure."""
    other = number % EACH_OTHER == EACH_OTHER - 1
    recipe = StudyRecipe(
        engines=ENGINES_A_TASK, firings_per_lead=12 if number % 2 else 4, structure_share=float(other)
    )
    # Rotor gaps and blocking diodes are of coils that feed one plug.
    single = other and number // EACH_OTHER % 4 < 2
    return replace(recipe, ignition_types=("coil_on_plug",)) if single else recipe


def captures_of(number: int, kept: Path | None = None) -> list[list[Reduced]]:
    """Return the reduced captures of one task, records without ignition among them.

    With a folder, the engines are kept there, and taken from there.
    """
    import joblib

    path = kept / f"reduced-{number}.pkl" if kept else None
    if path and path.exists():
        result = list(joblib.load(path))
    else:
        seed = np.random.SeedSequence([SEED, number])
        result = [one for made in iterate_captures(task_recipe(number), seed) if (one := reduce_capture(made))]
        if path:
            joblib.dump(result, path)
    return result + drawn_others(number)


def further_captures(number: int, kept: Path | None) -> list[list[Reduced]]:
    """Return the reduced captures of one batch of the locator's engines: more of them, fewer firings of each."""
    return [one for made in batch(number, kept) if (one := reduce_capture(made))] + drawn_others(BATCHES_FROM + number)


def drawn_others(number: int) -> list[list[Reduced]]:
    """Return records without ignition."""
    rng = np.random.default_rng([SEED, number, 1])
    return [[draw_other(rng)] for _ in range(OTHERS_A_TASK)]


def first_task(kept: Path | None, further: bool, number: int) -> tuple[NDArray, NDArray]:
    """Return the examples of the first network from one task, or one batch of further engines."""
    rng = np.random.default_rng([SEED, number + further * BATCHES_FROM, 2])
    parts = []
    for channels in further_captures(number, kept) if further else captures_of(number, kept):
        for one in channels:
            if one.kind == "coil_current":
                continue
            parts.append(swing_examples(one, rng))
            cut = cut_somewhere(one, rng) if rng.random() < 0.5 else None
            if cut is not None:
                parts.append(swing_examples(cut, rng))
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def second_task(kept: Path | None, further: bool, number: int) -> tuple[NDArray, NDArray]:
    """Return the examples of the second network from one task, or one batch of further engines."""
    rng = np.random.default_rng([SEED, number + further * BATCHES_FROM, 3])
    parts = []
    for channels in further_captures(number, kept) if further else captures_of(number, kept):
        for chosen in selections(channels, rng) if channels[0].off_s.size else [channels]:
            parts += company_examples(chosen)
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def gather(
    make_task: Callable[[int], tuple[NDArray, NDArray]], tasks: list[int], workers: int, title: str
) -> tuple[NDArray, NDArray]:
    """Return the examples of many tasks."""
    parts = finished(make_task, tasks, workers, title)
    return np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts])


def main() -> None:
    """Simulate, fit both networks, write them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--engines", type=int, default=1280)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="keep simulated engines in this folder, and reuse them")
    parser.add_argument("--further", action="store_true", help="teach the stored networks further")
    options = parser.parse_args()
    folder = Path("sigkit/detect")
    tasks = list(range(max(2, options.engines // ENGINES_A_TASK)))
    cut = max(1, round(FIRST_SHARE * len(tasks)))
    first = partial(first_task, options.keep, options.further)
    features, labels = gather(first, list(FIRST_BATCHES) if options.further else tasks[:cut], options.workers, "swings")
    weights = folder / swing_network.SWING_WEIGHTS
    if options.further:
        # Only a share of the swings that are no firings is kept: the odds of the examples are higher.
        shift_odds(weights, -np.log(KEPT_SHARE))
        fit_further(features, labels, weights, FIRST_PASSES)
    else:
        fit_network(features, labels, (128, 48), weights)
    shift_odds(weights, np.log(KEPT_SHARE))
    swing_network.forget_weights()
    company = folder / swing_network.COMPANY_WEIGHTS
    examples = [gather(partial(second_task, options.keep, False), tasks[cut:], options.workers, "company")]
    if options.further:
        further = partial(second_task, options.keep, True)
        examples.append(gather(further, list(SECOND_BATCHES), options.workers, "more company"))
    features, labels = (np.concatenate(parts) for parts in zip(*examples, strict=True))
    if options.further:
        fit_further(features, labels, company, SECOND_PASSES)
    else:
        fit_network(features, labels, (64, 32), company)


def shift_odds(weights: Path, by: float) -> None:
    """Add to the log-odds of a stored network."""
    with np.load(weights) as stored:
        arrays = {name: stored[name] for name in stored.files}
    last = max(name for name in arrays if name.startswith("bias_"))
    arrays[last] = arrays[last] + np.float32(by)
    np.savez_compressed(weights, **arrays)


if __name__ == "__main__":
    main()
