"""Make ``datasets/ferry-contribution``: an invented data set made the way a contribution is, small enough to read.

Run from the project's folder: ``python datasets/make_contributed_example.py``. Four engines of the invented
river-ferry cooperative are simulated, written as a contributor's recorder might write them (with dates, a serial and
an owner that must not get out), and taken through import, labels of two readers, splits and card. The readers'
values are invented too: the simulator's truth plus drawn errors, so the set says nothing about how people read.
"""

from __future__ import annotations

import csv
import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np

from sigkit.capture.write_delimited import write_delimited
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.dataset_card import write_card
from sigkit.corpus.describe import Statement
from sigkit.corpus.import_readings import import_readings
from sigkit.corpus.make_dataset import import_captures, new_dataset
from sigkit.corpus.make_splits import make_splits
from sigkit.simulate.simulated_capture import SimulatedCapture, simulate_captures
from sigkit.simulate.study_recipe import StudyRecipe

SEED = 20_261_125
HOME = Path(__file__).resolve().parent / "ferry-contribution"
#: Engine -> ignition type and the condition of its faulty lead.
ENGINES = {"e01": ("coil_on_plug", "wide_gap"), "e02": ("coil_on_plug", "lean_mixture"),
           "e03": ("shared_coil", "wide_gap"), "e04": ("shared_coil", "lean_mixture")}  # fmt: skip
#: What an invented recorder adds, and the import must leave behind.
PRIVATE = "# owner: Invented Person\n# recorder serial: INV-0001\n# position: 0.0000 N 0.0000 E\n# plate: INV 123\n"
#: Reader -> bias and spread of the invented readings, ms.
READERS = {"r01": (0.0, 0.02), "r02": (0.03, 0.04)}
RESOLUTION_MS = 0.05
STATEMENT = Statement(
    "Simulated captures of four engines of an invented river-ferry cooperative, prepared the way a contribution is.",
    licence="MIT", creator="the sigkit developers", published="2026-11-25", invented=True,
    how_made="Circuits integrated in time, then pickup and recorder (`datasets/make_contributed_example.py`, seed "
             f"{SEED}). Readings of r01 and r02 are invented as well: true burn time plus drawn errors, rounded to "
             f"{RESOLUTION_MS} ms.",
    not_for="any statement about how well people read burn times: no person read it",
)  # fmt: skip


def main(home: Path = HOME) -> None:
    """Write the whole data set anew."""
    shutil.rmtree(home, ignore_errors=True)
    with tempfile.TemporaryDirectory() as work:
        made = write_recordings(Path(work))
        write_readings(Path(work), made)
        new_dataset(home, STATEMENT)
        for engine, (ignition_type, _) in ENGINES.items():
            import_captures(home, [str(Path(work) / engine)], engine=engine, origin="simulated",
                            ignition_type=ignition_type, cylinders=["1", "2"], contributor="c01")  # fmt: skip
        make_splits(home, SEED)
        for reader in READERS:
            import_readings(Dataset.open(home), Path(work) / f"{reader}.csv", reader,
                            saved_at="2026-11-25T12:00:00+00:00")  # fmt: skip
    write_card(Dataset.open(home))


def write_recordings(folder: Path) -> dict[str, SimulatedCapture]:
    """Write a CSV recording of each engine as a contributor might have it; return what was simulated."""
    made = {}
    for number, (engine, (ignition_type, condition)) in enumerate(ENGINES.items()):
        recipe = StudyRecipe(
            engines=1, cylinders=(2,), ignition_types=(ignition_type,), conditions=(condition,), name="ferry",
            sample_rates_Hz=(50e3,), bits=(12,), recordings=("continuous",), channel_sets=("secondary",),
            captures_per_engine=1, firings_per_lead=2, engine_speed_rpm=(3000.0, 3600.0), faulty_share=0.5,
            second_share=0.0, severity=(0.8, 1.0), cut_share=0.0, missing_share=0.0, reversed_share=0.0,
            range_shares=(1.0, 0.0, 0.0), sync_share=0.0,
        )  # fmt: skip
        one = simulate_captures(recipe, np.random.SeedSequence([SEED, number]))[0]
        place = folder / engine / "Invented Person 2026-11-20.csv"
        place.parent.mkdir(parents=True)
        write_delimited(one.capture, place)
        place.write_text(PRIVATE + place.read_text(encoding="utf-8"), encoding="utf-8")
        made[engine] = one
    return made


def write_readings(folder: Path, made: dict[str, SimulatedCapture]) -> None:
    """Write each invented reader's values, each firing read twice, in the form that ``sigkit label import`` takes."""
    for number, (reader, (bias_ms, spread_ms)) in enumerate(READERS.items()):
        rng = np.random.default_rng([SEED, 100 + number])
        with open(folder / f"{reader}.csv", "w", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow(["file", "channel", "time_s", "burn_time_ms", "resolution_ms", "condition", "presentation"])
            for engine, one in made.items():
                truth = one.truth
                for row in np.flatnonzero(truth["measurable"]):
                    for presentation in (0, 1):
                        read = truth["burn_time_ms"][row] + bias_ms + rng.normal(0, spread_ms)
                        step = max(round(read / RESOLUTION_MS), 0) * RESOLUTION_MS
                        writer.writerow([f"{engine}/{engine}-001.npz", f"lead_{truth['cylinder'][row]}",
                                         f"{truth['time_s'][row]:.6f}", f"{step:.2f}", RESOLUTION_MS,
                                         truth["condition"][row], presentation])  # fmt: skip


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HOME)
