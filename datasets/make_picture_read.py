"""Make ``datasets/picture-read``: simulated firings whose instants are read by eye off pictures of the labelling page.

Run from the project's folder: ``python datasets/make_picture_read.py``. The seed is the hash of the tree that the
newest commit holds, so nobody picked it; it is written into ``dataset.json``, and ``--tree HASH`` makes the same set
again with the same versions. The pictures are made by ``datasets/render_picture_read.py``, the readings become labels
by ``datasets/import_picture_read.py``. Engines and faults are invented; nothing was recorded.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sigkit.capture.sidecar import write_sidecar
from sigkit.capture.write_capture import write_capture
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.dataset_card import write_card
from sigkit.corpus.describe import Statement, write_description
from sigkit.corpus.typed_csv import write_typed_csv
from sigkit.provenance import file_hash
from sigkit.simulate.simulated_capture import SimulatedCapture, simulate_captures, stack_truth
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.simulate.write_truth import write_truth
from sigkit.types.capture import Capture
from sigkit.types.firing_table import CONDITIONS

HOME = Path(__file__).resolve().parent / "picture-read"
READERS = ("r01", "r02", "r03", "r04")
#: Engines of the set, firings read of each, and most captures of one at 2 MS/s and above (so that the set stays small).
ENGINES, FIRINGS, CAPTURES_WHEN_FAST = 36, 4, 2
RATES_HZ = (20e3, 50e3, 100e3, 200e3, 500e3, 1e6, 2e6, 5e6)
BITS = (8, 10, 12, 14, 16)
#: Continuous recordings only up to this rate; faster ones are sweeps of one firing.
CONTINUOUS_UP_TO_HZ = 200e3
#: Engines of which every record is cut within a firing, and engines with coils of reversed polarity.
CUT_ENGINES, REVERSED_ENGINES = 3, 4
#: Where a reader is asked to look is off the true switching-off by up to this, ms; the page moves its window further.
PLACE_JITTER_MS = 0.3


@dataclass(frozen=True, eq=False)
class Kept:
    """One capture of the set, named as its file, and the rows of its truth that are read."""

    made: SimulatedCapture
    capture: Capture
    read: tuple[int, ...]


def committed_tree() -> str:
    """Return the hash of the newest commit's tree."""
    found = subprocess.run(["git", "rev-parse", "HEAD^{tree}"], capture_output=True, text=True, check=True,
                           cwd=HOME.parent)  # fmt: skip
    return found.stdout.strip()


def seed_of(tree: str) -> int:
    """Return the seed that a tree's hash stands for: its first 16 hexadecimal digits."""
    return int(tree[:16], 16)


def recipes(seed: int) -> list[StudyRecipe]:
    """Return one recipe an engine: every rate, width and condition in turn, put together by chance."""
    rng = np.random.default_rng([seed, 1])

    def in_turn(choices: tuple) -> list:
        many = [choices[k % len(choices)] for k in range(ENGINES)]
        return [many[k] for k in rng.permutation(ENGINES)]

    drawn = zip(in_turn(RATES_HZ), in_turn(BITS), in_turn(CONDITIONS), in_turn(("shared_coil", "coil_on_plug")),
                in_turn((2, 4, 6)), strict=True)  # fmt: skip
    special = rng.permutation(ENGINES)
    cut, turned = special[:CUT_ENGINES], special[CUT_ENGINES:][:REVERSED_ENGINES]
    made = []
    for number, (rate, bits, condition, ignition, cylinders) in enumerate(drawn):
        continuous = rate <= CONTINUOUS_UP_TO_HZ and rng.random() < 0.5
        made.append(StudyRecipe(
            engines=1, cylinders=(cylinders,), ignition_types=(ignition,), sample_rates_Hz=(rate,), bits=(bits,),
            recordings=("continuous",) if continuous else ("sweeps",), channel_sets=("secondary",), max_channels=4,
            conditions=(condition,) if condition != "normal" else CONDITIONS[1:],
            faulty_share=0.6 if condition != "normal" else 0.0, severity=(0.5, 1.0), firings_per_lead=2,
            missing_share=0.0, sync_share=0.0, cut_share=float(number in cut), reversed_share=float(number in turned),
            engine_speed_rpm=(1800.0, 6000.0) if continuous else (600.0, 6000.0), name=f"p{number + 1:02d}",
        ))  # fmt: skip
    return made


def keep(made: list[SimulatedCapture], engine: str, fast: bool, rng: np.random.Generator) -> list[Kept]:
    """Choose captures and firings of one engine by chance, faulty and sound leads in turn where there are both."""
    places = [(k, row) for k, one in enumerate(made) for row in range(one.truth["firing"].size)
              if not one.truth["absent"][row] and one.truth["on_record"][row]]  # fmt: skip
    places = [places[k] for k in rng.permutation(len(places))]
    groups = [[place for place in places if (made[place[0]].truth["condition"][place[1]] == "normal") == sound]
              for sound in (False, True)]  # fmt: skip
    turns = [place for k in range(len(places)) for group in groups for place in group[k : k + 1]]
    chosen: dict[int, list[int]] = {}
    for k, row in turns:
        if sum(map(len, chosen.values())) == FIRINGS:
            break
        if k in chosen or not fast or len(chosen) < CAPTURES_WHEN_FAST:
            chosen.setdefault(k, []).append(row)
    kept = []
    for number, k in enumerate(sorted(chosen), start=1):
        name = f"{engine}/{engine}-{number:02d}.npz"
        capture = made[k].capture.with_(name=name, recording=name, sweep=0, engine=engine, note="simulated, invented")
        kept.append(Kept(made[k], capture, tuple(sorted(chosen[k]))))
    return kept


def place_rows(kept: list[Kept], seed: int) -> list[dict]:
    """Return where to look, each place with its reader: firings are dealt out by chance, four readers in turn."""
    rng = np.random.default_rng([seed, 3])
    rows = []
    for one in kept:
        truth = one.made.truth
        for row in one.read:
            channel = next(c for c in one.capture.channels if c.name == truth["channel"][row])
            at = truth["time_s"][row] + 1e-3 * rng.uniform(-PLACE_JITTER_MS, PLACE_JITTER_MS)
            last = channel.start_s + (len(channel) - 1) / channel.sample_rate_Hz
            at = min(max(at, channel.start_s), last)
            rows.append({"capture": one.capture.name, "channel": channel.name, "time_s": f"{at:.6f}"})
    for turn, k in enumerate(rng.permutation(len(rows))):
        rows[k]["reader"] = READERS[turn % len(READERS)]
    return rows


def statement(tree: str) -> Statement:
    """Return what is said of the set before anybody has read it."""
    return Statement(
        "Simulated firings, read by eye off pictures of the labelling page, blind, each firing twice.",
        licence="MIT", creator="the sigkit developers", published="2026-11-25", invented=True,
        how_made=f"`datasets/make_picture_read.py`: circuits integrated in time, then pickup and recorder; seed "
                 f"{seed_of(tree)}, the first 16 digits of the hash of the committed tree, {tree}. Rates, bits and "
                 "conditions in turn, put together by chance; secondary leads only. Where to look (`places/`) is the "
                 f"true switching-off moved at random by up to {PLACE_JITTER_MS} ms; the page moves its window by up "
                 "to 1 ms more. All engines are for testing.",
        not_for="training; statements about how well people read burn times on a workshop's screen",
    )  # fmt: skip


def main(tree: str) -> None:
    """Write the whole data set anew; not over readings, which cannot be made again."""
    seed = seed_of(tree)
    if (HOME / "readings").exists():
        raise SystemExit(f"{HOME} holds readings; move it away first")
    shutil.rmtree(HOME, ignore_errors=True)
    kept: list[Kept] = []
    for number, recipe in enumerate(recipes(seed)):
        made = simulate_captures(recipe, np.random.SeedSequence([seed, 2, number]))
        kept += keep(made, recipe.name, recipe.sample_rates_Hz[0] >= 2e6, np.random.default_rng([seed, 4, number]))
    names, rows = {}, []
    for one in kept:
        path = HOME / "captures" / one.capture.name
        path.parent.mkdir(parents=True, exist_ok=True)
        write_capture(one.capture, path)
        unique = f"{one.capture.engine}:{one.made.capture.name}"
        for table in (one.made.truth, one.made.intervals):
            if "engine" in table:
                table["engine"][:] = one.capture.engine
            table["capture"][:] = unique
        names[unique] = one.capture.name
        rows.append({"capture": one.capture.name, "engine": one.capture.engine,
                     "cylinder": "|".join(channel.cylinder for channel in one.capture.channels),
                     "ignition_type": one.capture.ignition_type, "channels": len(one.capture.channels),
                     "origin": "simulated", "sha256": file_hash(path)})  # fmt: skip
    write_sidecar(HOME / "captures" / "captures.csv", [one.capture for one in kept])
    truth, intervals = stack_truth([one.made for one in kept])
    write_truth(HOME / "truth.parquet", truth, names)
    write_truth(HOME / "truth_intervals.parquet", intervals, names)
    write_typed_csv(HOME / "manifest.csv", list(rows[0]), rows)
    engines = sorted({row["engine"] for row in rows})
    write_typed_csv(HOME / "splits.csv", ["engine", "split"], [{"engine": one, "split": "test"} for one in engines])
    (HOME / "places").mkdir()
    places = place_rows(kept, seed)
    for reader in READERS:
        own = [row for row in places if row["reader"] == reader]
        write_typed_csv(HOME / "places" / f"{reader}.csv", ["capture", "channel", "time_s"], own)
    write_description(HOME, statement(tree), splits={"seed": None, "from": "the maker: all engines are for testing"},
                      extra={"tree": tree, "seed": seed})  # fmt: skip
    write_card(Dataset.open(HOME))


if __name__ == "__main__":
    main(sys.argv[2] if sys.argv[1:2] == ["--tree"] else committed_tree())
