"""Train the weights of the built-in locator; writes sigkit/locate/*_weights.npz.

Run from the project's folder: ``python benchmarks/train_locator.py --workers 2``. The stages, in order: ``droop`` (of
the pickup), ``rises`` (which rise is the firing's), ``ends`` (where the burn may end), ``edges`` (shifts of rise and
collapse), ``fine`` (the end column by column), ``choice`` (which of the likely ends) and ``answers`` (spark or none,
and the stated errors). A later stage uses the weights of the earlier ones, the last two engines of their own. Truth
comes from the simulator; the seeds are fixed here and differ from every study's.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from firing_starts import StartsOf, detected, drawn, starts
from fit_network import finished, fit_network, fit_outputs
from numpy.typing import NDArray

from sigkit.locate.answer_features import answer_features
from sigkit.locate.burn_candidates import candidate_grid
from sigkit.locate.droop_network import LEAST_RATE, MOST_RATE
from sigkit.locate.edge_correction import edge_shifts
from sigkit.locate.edge_features import edge_features
from sigkit.locate.end_choice import choice_features, choose_ends
from sigkit.locate.end_features import end_features
from sigkit.locate.end_network import likely_ends
from sigkit.locate.fine_ends import fine_ends, fine_features, places, regime
from sigkit.locate.first_look import FirstLook, first_look
from sigkit.locate.instant_networks import RIVAL_CHANCE
from sigkit.locate.levels_about import RunningLevels
from sigkit.locate.rise_choice import rises_about
from sigkit.locate.rough_windows import rough_windows
from sigkit.locate.stated_errors import RATE_EDGES_HZ
from sigkit.prepare.channel_condition import ChannelCondition
from sigkit.simulate.simulated_capture import SimulatedCapture, iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.channel import Channel

SEED = 20_260_103
ENGINES_A_TASK = 40
FIRINGS_PER_LEAD = 3
#: Every so many batches, the engines are of other structure than the usual.
EACH_OTHER = 3
FOLDER = Path("sigkit/locate")
#: Engines of each stage by default, and the first batch of it.
STAGES = {
    "droop": (6000, 0), "rises": (4400, 0), "ends": (4800, 0), "edges": (4800, 0), "fine": (6000, 0),
    "choice": (4800, 150), "answers": (5200, 270),
}  # fmt: skip
#: A rise this near to where a true one arrives is it, seconds and samples; the longer one without a spark, where the
#: voltage takes so long to swing up.
RISE_S, SLOW_RISE_S, RISE_SAMPLES = 60e-6, 80e-6, 2.0
#: Where a rise without a spark arrives behind the switching-off, seconds (our choice: half of its swing).
HALF_SWING_S = 40e-6
#: Share of drawn starts that lie anywhere about the switching-off, when rises are learnt.
WILD_SHARE = 0.3
#: Coarse candidates this near to the true end count as it (half a step of the grid), further ones up to the second
#: limit are left out; others are drawn from near and far.
LEFT_OUT_S = 14e-6
NEAR_S = 250e-6
FAR_SHARE = 0.06
#: Networks whose mean places the end (our choice: what one of them wanders from start to start is as large as the
#: noise of usual records leaves).
FINE_MEMBERS = 3
#: Networks whose mean chooses the rise (our choice: of 10,616 firings kept apart one to another leave 0.13 to 0.19 %
#: at another rise, their mean 0.14 %).
RISE_MEMBERS = 3
#: Networks whose mean states the errors, and passes of each (our choice: of 10 to 90, more than 40 gain nothing).
ERROR_MEMBERS, ERROR_PASSES = 3, 50
#: The same of those that tell spark from none (our choice: log-loss 0.043 to 0.038 on engines kept apart).
STATE_MEMBERS, STATE_PASSES = 3, 25
#: Smaller rates, and passes at each, at the end of fits (our choice: more passes gain nothing).
SETTLING = ((3e-4, 2), (1e-4, 1))
#: Share of the columns about likely but wrong ends that are taken as examples.
WRONG_SHARE = 0.3
#: Columns judged about the true end, and at least in seconds.
ABOUT_S = 60e-6
ABOUT_COLUMNS = 5
#: A likely end this near to the true one is it.
CHOICE_S = 20e-6


@dataclass(frozen=True, eq=False)
class Example:
    """The firings of one channel, as the locator sees them first, with their truth by row of the truth table."""

    channel: Channel
    condition: ChannelCondition
    look: FirstLook
    truth: dict[str, NDArray]

    @property
    def primary(self) -> bool:
        return self.channel.kind == "primary_voltage"

    def samples(self, name: str) -> NDArray[np.float64]:
        """A true instant in float samples."""
        return np.asarray((self.truth[name] - self.channel.start_s) * self.channel.sample_rate_Hz)

    def shifts(self) -> tuple[NDArray, NDArray]:
        return edge_shifts(self.look, self.channel.sample_rate_Hz, self.condition.noise, self.primary)


def looks(made: SimulatedCapture, starts_of: StartsOf, given_droop: float | None = None) -> list[Example]:
    """Return the first look at the firings of a capture."""
    return [
        Example(one.channel, one.condition, first_look(one.channel, one.firings, one.condition, one.level, given_droop),
                one.truth)
        for one in starts(made, starts_of)
    ]  # fmt: skip


def rises_task(kept: Path | None, number: int) -> dict[str, list[NDArray]]:
    """Return rises about firings of one batch, as detected and as drawn, and whether each is the firing's own."""
    wild = drawn(np.random.default_rng([SEED, number, 2]), WILD_SHARE)
    parts: dict[str, list[NDArray]] = {"features": [], "label": []}
    for made in batch(number, kept):
        for one in (*starts(made, detected(made)), *starts(made, wild)):
            rough = rough_windows(one.channel, one.firings, one.condition, one.level)
            rises = rises_about(one.channel, one.firings, one.condition, rough, RunningLevels(rough.rows))
            rate, sparked = one.channel.sample_rate_Hz, one.truth["sparked"] == "yes"
            true_s = np.where(sparked, one.truth["breakdown_s"], one.truth["coil_off_s"] + HALF_SWING_S)
            true = (true_s - one.channel.start_s) * rate - rises.origin
            away = np.where(np.isfinite(rises.gain), np.abs(rises.column - true[:, None]), np.inf)
            nearest = away.min(axis=1, keepdims=True)
            hit = nearest < np.where(sparked, RISE_S, SLOW_RISE_S)[:, None] * rate + RISE_SAMPLES
            usable = np.isfinite(rises.gain) & hit
            parts["features"].append(rises.features[usable].astype(np.float32))
            parts["label"].append((away == nearest)[usable].astype(np.int8))
    return parts


def droop_stage(one: Example, rng: np.random.Generator) -> dict[str, NDArray]:
    """Windows as recorded, and the droop rate of the pickup."""
    rate = np.log10(np.clip(1.0 / one.truth["pickup_time_constant_s"], LEAST_RATE, MOST_RATE))
    return {"features": one.look.rough.droop_evidence.astype(np.float32), "rate": rate[:, None]}


def ends_stage(one: Example, rng: np.random.Generator) -> dict[str, NDArray]:
    """Coarse candidates and whether each is the end."""
    look = one.look
    candidates = candidate_grid(look)
    features = end_features(look)
    end = look.rough.to_columns(one.samples("burn_end_s"))
    away_s = np.abs(candidates - end[:, None]) * look.rough.interval_s
    away_s = np.where(np.isfinite(away_s), away_s, 1.0)
    usable = np.isfinite(candidates) & ~_hidden(one)[:, None]
    label = np.zeros(away_s.shape, dtype=np.int8)
    nearest = np.where(usable, away_s, np.inf).argmin(axis=1)
    hit = away_s[np.arange(len(nearest)), nearest] < max(LEFT_OUT_S, 0.75 * look.rough.interval_s)
    label[np.flatnonzero(hit), nearest[hit]] = 1
    chosen = (label == 1) | ((away_s > LEFT_OUT_S) & (away_s < NEAR_S)) | (rng.random(away_s.shape) < FAR_SHARE)
    chosen &= usable & ((label == 1) | (away_s > LEFT_OUT_S))
    return {"features": features[chosen].astype(np.float32), "label": label[chosen]}


def edges_stage(one: Example, rng: np.random.Generator) -> dict[str, NDArray]:
    """Edges of firings that conducted, and how many samples late they were read."""
    look, rate = one.look, one.channel.sample_rate_Hz
    breakdown = look.origin + look.found.breakdown - one.samples("breakdown_s")
    off = look.origin + look.found.coil_off - one.samples("coil_off_s")
    good = (one.truth["sparked"] == "yes") & np.isfinite(breakdown) & np.isfinite(off)
    features = edge_features(look.fine, look.found, rate, one.condition.noise, look.rough.droop_rate, one.primary)
    return {"features": features[good].astype(np.float32), "late": np.stack([breakdown, off], axis=1)[good]}


def fine_stage(one: Example, rng: np.random.Generator) -> dict[str, NDArray]:
    """Columns about true ends and about likely but wrong ones; the label falls on either side of the true instant."""
    look, lag = one.look, one.shifts()[0] / one.look.rough.factor
    n, m = look.rough.rows.shape
    end = look.rough.to_columns(one.samples("burn_end_s"))
    measurable = one.truth["measurable"].astype(bool) & np.isfinite(end)
    safe = np.where(measurable, end, 0.0)
    nearest = np.floor(safe).astype(np.int64) + (rng.random(n) < safe % 1.0)
    reach = max(ABOUT_COLUMNS, int(np.ceil(ABOUT_S / look.rough.interval_s)))
    about = nearest[:, None] + np.arange(-reach, reach + 1)
    own = measurable[:, None] & (about > look.breakdown[:, None] + 0.5) & (about >= 0) & (about < m - 1)
    row, column = np.nonzero(own)[0], about[own]
    label = column == nearest[row]
    wrong_row, wrong_column = places(look, likely_ends(look))
    taken = rng.random(wrong_row.size) < WRONG_SHARE
    wrong_row, wrong_column = wrong_row[taken], wrong_column[taken]
    wrong = ~_hidden(one)[wrong_row] & (~measurable[wrong_row] | (np.abs(wrong_column - nearest[wrong_row]) > reach))
    row, column = np.concatenate([row, wrong_row[wrong]]), np.concatenate([column, wrong_column[wrong]])
    label = np.concatenate([label, np.zeros(int(wrong.sum()), bool)]).astype(np.int8)
    features = fine_features(look, row, column, lag, one.primary).astype(np.float32)
    which = regime(look.rough.interval_s)
    return {f"features_{which}": features, f"label_{which}": label}


def choice_stage(one: Example, rng: np.random.Generator) -> dict[str, NDArray]:
    """Likely ends, and whether each is the end."""
    look = one.look
    likely = likely_ends(look)
    fine = fine_ends(look, likely, one.shifts()[0] / look.rough.factor, one.primary)
    features = choice_features(look, likely, fine, one.primary)
    end = look.rough.to_columns(one.samples("burn_end_s"))
    away_s = np.abs(fine.column - end[:, None]) * look.rough.interval_s
    away_s = np.where(np.isfinite(away_s), away_s, 1.0)
    near = away_s < max(CHOICE_S, 2.0 * look.rough.interval_s)
    label = (near & (away_s == away_s.min(axis=1, keepdims=True))).astype(np.int8)
    usable = np.isfinite(fine.column) & ~_hidden(one)[:, None]
    return {"features": features[usable].astype(np.float32), "label": label[usable]}


def answers_stage(one: Example, rng: np.random.Generator) -> dict[str, NDArray]:
    """What is known of firings; whether they sparked and end on the record; the errors of their instants."""
    look, rate = one.look, one.channel.sample_rate_Hz
    shift = one.shifts()
    likely = likely_ends(look)
    fine = fine_ends(look, likely, shift[0] / look.rough.factor, one.primary)
    chosen = choose_ends(look, likely, fine, one.primary)
    features = answer_features(
        look, likely, chosen, shift, rate, one.condition.noise, one.condition.step, one.primary
    )
    sparked, measurable = one.truth["sparked"], one.truth["measurable"].astype(bool)
    end = one.samples("burn_end_s")
    cut = (sparked != "no") & ~(end < len(one.channel) - 1)
    state = np.where(sparked == "no", 0, np.where(cut, 2, 1))
    known = (sparked == "no") | cut | measurable | (sparked == "flash")
    error = np.stack([
        look.origin + look.found.breakdown - shift[0] - one.samples("breakdown_s"),
        look.origin + look.found.coil_off - shift[1] - one.samples("coil_off_s"),
        (look.rough.to_samples(chosen.column) - end) / look.rough.factor,
    ], axis=1)  # fmt: skip
    error[~measurable] = np.nan
    rival = look.rough.to_samples(np.where(chosen.rival_share > RIVAL_CHANCE, chosen.rival, chosen.column))
    column = look.rough.to_samples(chosen.column)
    between = (np.minimum(column, rival) <= end) & (end <= np.maximum(column, rival))
    answers = {
        "features": features.astype(np.float32), "state": state, "error": error, "between": between,
        "rate": np.full(len(state), rate),
    }  # fmt: skip
    return {name: values[known] for name, values in answers.items()}


def _hidden(one: Example) -> NDArray[np.bool_]:
    """An end off the record or in clipped samples is no example of an end, and none of its lack."""
    return np.asarray((one.truth["sparked"] != "no") & ~one.truth["measurable"].astype(bool))


Stage = Callable[[Example, np.random.Generator], dict[str, NDArray]]


def make_task(stage: Stage, kept: Path | None, number: int) -> dict[str, list[NDArray]]:
    """Return the examples of one batch of engines."""
    rng = np.random.default_rng([SEED, number, 1])
    parts: dict[str, list[NDArray]] = {}
    for made in batch(number, kept):
        # Errors are stated of what was detected, gross lateness and all.
        where = detected(made) if stage is answers_stage else drawn(rng)
        # The first stage is there for the droop: it cannot ask for it.
        for one in looks(made, where, 0.0 if stage is droop_stage else None):
            for name, values in stage(one, rng).items():
                parts.setdefault(name, []).append(values)
    return parts


def batch(number: int, kept: Path | None) -> list[SimulatedCapture]:
    """Simulate a batch of engines, or take it from the folder where it was kept."""
    import joblib

    other = 1.0 if number % EACH_OTHER == EACH_OTHER - 1 else 0.0
    recipe = StudyRecipe(engines=ENGINES_A_TASK, firings_per_lead=FIRINGS_PER_LEAD, structure_share=other)
    path = kept / f"set{number}.pkl" if kept else None
    if path and path.exists():
        return list(joblib.load(path))
    made = list(iterate_captures(recipe, np.random.SeedSequence([SEED, number])))
    if path:
        joblib.dump(made, path)
    return made


def fit(stage: str, examples: dict[str, NDArray]) -> None:
    """Fit and write the weights of one stage."""
    if stage == "droop":
        fit_outputs(examples["features"], examples["rate"], (96, 48), FOLDER / "droop_weights.npz")
    elif stage == "rises":
        out = FOLDER / "rise_weights.npz"
        fit_network(examples["features"], examples["label"], (64, 32), out, RISE_MEMBERS, SETTLING)
    elif stage == "ends":
        fit_network(examples["features"], examples["label"], (96, 32), FOLDER / "end_weights.npz")
    elif stage == "edges":
        late = np.arcsinh(examples["late"])
        fit_outputs(examples["features"], late, (96, 48), FOLDER / "edge_weights.npz", SETTLING)
    elif stage == "fine":
        for which in ("fast", "slow"):
            out = FOLDER / f"fine_{which}_weights.npz"
            columns, label = examples[f"features_{which}"], examples[f"label_{which}"]
            fit_network(columns, label, (160, 64), out, FINE_MEMBERS, SETTLING)
    elif stage == "choice":
        fit_network(examples["features"], examples["label"], (96, 48), FOLDER / "choice_weights.npz", 1, SETTLING)
    else:
        out = FOLDER / "state_weights.npz"
        fit_network(examples["features"], examples["state"], (48, 24), out, STATE_MEMBERS, SETTLING, STATE_PASSES)
        fit_errors(examples["features"], examples["error"], examples["rate"], examples["between"])


def fit_errors(features: NDArray, error: NDArray, rate: NDArray, between: NDArray) -> None:
    """Fit the chances of errors, then the factor by which 95 of 100 stay inside, on other firings."""
    from sigkit.locate.stated_errors import WEIGHTS, exceeded, told_limits
    from sigkit.prepare.stored_network import load_network

    good = np.isfinite(error).all(axis=1)
    features, error, rate, between = features[good], np.abs(error[good]), rate[good], between[good]
    # Neighbouring rows are of one engine: split by halves, not at random.
    fitted = np.arange(len(features)) < 0.6 * len(features)
    fit_network(
        features[fitted], exceeded(error[fitted]), (64, 32), FOLDER / WEIGHTS, ERROR_MEMBERS, SETTLING, ERROR_PASSES
    )
    held = load_network("sigkit.locate", WEIGHTS, features.shape[1])
    share = error[~fitted] / told_limits(held, features[~fitted])
    # The interval covers what lies between the end and its rival however narrow it is.
    share[between[~fitted], 2] = 0.0
    group = np.searchsorted(RATE_EDGES_HZ, rate[~fitted])
    factor = np.ones((len(RATE_EDGES_HZ) + 1, error.shape[1]))
    for number in range(len(factor)):
        own = group == number
        if own.sum() >= 200:
            factor[number] = np.quantile(share[own], 0.95, axis=0)
    np.savez_compressed(FOLDER / WEIGHTS, **{k: v.astype(np.float32) for k, v in held.items()}, factor=factor)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--stage", choices=list(STAGES), action="append", help="only this stage (may be repeated)")
    parser.add_argument("--engines", type=int, help="engines of each stage, instead of its own number")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="keep simulated engines in this folder, and reuse them")
    options = parser.parse_args()
    stages = {
        "droop": droop_stage, "ends": ends_stage, "edges": edges_stage, "fine": fine_stage, "choice": choice_stage,
        "answers": answers_stage,
    }  # fmt: skip
    for name in options.stage or list(STAGES):
        engines, first = STAGES[name]
        count = max(1, (options.engines or engines) // ENGINES_A_TASK)
        task = partial(rises_task, options.keep) if name == "rises" else partial(make_task, stages[name], options.keep)
        parts: dict[str, list[NDArray]] = {}
        for one in finished(task, list(range(first, first + count)), options.workers, name):
            for key, values in one.items():
                parts.setdefault(key, []).extend(values)
        fit(name, {key: np.concatenate(values) for key, values in parts.items()})


if __name__ == "__main__":
    main()
