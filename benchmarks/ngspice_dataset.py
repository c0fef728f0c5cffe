"""A labelled data set of firings solved by ngspice, in the layout that ``sigkit bench run`` takes.

Run from the project's folder: ``python benchmarks/ngspice_dataset.py FOLDER --workers 2``. Needs the program ngspice.
A protocol whose ``[data]`` says ``folder = "FOLDER"`` then runs on it.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np
from ngspice_firings import Recorded, record_engine
from numpy.typing import NDArray
from study_files import read_study

from sigkit import provenance
from sigkit.capture.sidecar import write_sidecar
from sigkit.capture.write_capture import write_capture
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.describe import Statement, write_description
from sigkit.corpus.typed_csv import write_typed_csv
from sigkit.jobs import TaskFailure, run_jobs
from sigkit.simulate.truth_table import TRUTH_COLUMNS
from sigkit.simulate.write_truth import write_truth
from sigkit.types.firing_table import Table, concatenate

HERE = Path(__file__).resolve().parent
#: Shortest burn of a spark, seconds: shorter is a flash (the simulator's rule).
SPARK_S = 0.05e-3


def main() -> int:
    """Make the data set."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="the new data set; must not exist")
    parser.add_argument("--protocol", type=Path, default=HERE / "protocols" / "ngspice_firings.toml")
    parser.add_argument("--develop", type=int, default=8, help="engines of the develop split")
    parser.add_argument("--test", type=int, default=40, help="engines of the test split")
    parser.add_argument("--workers", type=int, default=0, help="processes; 0 is one a core")
    options = parser.parse_args()
    protocol = read_study(options.protocol, "ngspice_firings")
    seed = provenance.study_seed(options.protocol)
    made = make_dataset(options.folder, protocol, seed, options.develop, options.test, options.workers)
    sys.stdout.write(f"{options.folder}: {len(made.engines)} engines\n")
    return 0


def make_dataset(
    home: Path, protocol: dict[str, Any], seed: int, develop: int, test: int, workers: int = 1
) -> Dataset:
    """Solve, record and write down so many engines; the first ones are the develop split.

    Raises
    ------
    SystemExit
        When the folder exists, or an engine fails.
    """
    if home.exists():
        raise SystemExit(f"ngspice_dataset: {home} exists; give a new folder")
    tasks = [(protocol, seed, number) for number in range(develop + test)]
    made: list[Recorded] = []
    for part in run_jobs(_one, tasks, workers, progress="solving", describe=lambda task: f"engine {task[2]}"):
        if isinstance(part, TaskFailure):
            sys.stderr.write(part.details)
            raise SystemExit(f"ngspice_dataset: {part}")
        made.append(part)
    folder = home / "captures"
    folder.mkdir(parents=True)
    manifest, names, named, truths = [], {}, [], []
    for one in made:
        name = f"{one.capture.name}.npz"
        write_capture(one.capture, folder / name)
        names[one.capture.name] = name
        named.append(one.capture.with_(name=name))
        manifest.append({
            "capture": name, "engine": one.capture.engine, "cylinder": "1", "ignition_type": "coil_on_plug",
            "channels": 1, "origin": "simulated", "sha256": provenance.file_hash(folder / name),
        })  # fmt: skip
        truths.append(truth_of(one))
    write_sidecar(folder / "captures.csv", named)
    write_typed_csv(home / "manifest.csv", list(manifest[0]), manifest)
    splits = [{"engine": one.capture.engine, "split": "develop" if number < develop else "test"}
              for number, one in enumerate(made)]  # fmt: skip
    write_typed_csv(home / "splits.csv", ["engine", "split"], splits)
    write_truth(home / "truth.parquet", concatenate(truths), names)
    write_description(home, Statement(
        "Firings of ignition circuits of other structure than the simulator's, solved by ngspice.", licence="MIT",
        invented=True, creator="the sigkit developers", how_made=f"circuits solved by ngspice; seed {seed}",
    ))  # fmt: skip
    return Dataset.open(home)


def _one(task: tuple[dict[str, Any], int, int]) -> Recorded:
    return record_engine(*task)


def truth_of(made: Recorded) -> Table:
    """Return the truth of an engine's firings in the simulator's columns; what is not known is NaN, "" or False."""
    n, rate = made.off_s.size, made.instrument.sample_rate_Hz
    burn_s = made.end_s - made.begin_s
    channel = made.capture.channels[0]
    last = len(channel) - 1
    known: dict[str, Any] = {
        "capture": made.capture.name, "recording": made.capture.name, "channel": channel.name, "kind": channel.kind,
        "engine": made.capture.engine, "coil": "1", "cylinder": "1", "lead": "1", "role": "single",
        "ignition_type": "coil_on_plug", "firing": np.arange(n), "event": np.arange(n),
        # The tower swings down in every circuit.
        "polarity": -int(np.sign(made.gain)), "cylinders": 1, "bits": made.instrument.bits, "time_s": made.off_s,
        "coil_off_s": made.off_s, "coil_on_s": made.off_s - made.coil.dwell_s, "dwell_time_ms": made.coil.dwell_s * 1e3,
        "breakdown_s": made.begin_s, "burn_end_s": made.end_s, "burn_time_ms": burn_s * 1e3,
        "burn_voltage_V": made.burn_voltage_V, "sample_rate_Hz": rate, "bandwidth_Hz": made.instrument.bandwidth_Hz,
        "sparked": np.where(np.isfinite(burn_s), np.where(burn_s >= SPARK_S, "yes", "flash"), "no").astype(object),
        "on_record": (made.off_s >= 0) & (made.off_s * rate <= last), "absent": False,
        "soft_end": made.coil.soft_s > 0, "measurable": made.measurable,
    }  # fmt: skip
    return {name: _column(name, known, n) for name in TRUTH_COLUMNS}


_TEXT = ("capture", "recording", "channel", "kind", "engine", "coil", "cylinder", "lead", "role", "ignition_type",
         "sparked", "condition", "lead_condition", "partner_condition")  # fmt: skip
_FLAGS = ("on_record", "absent", "soft_end", "flashed_over", "reversed_polarity", "cut", "clipped", "measurable")
_WHOLE = ("firing", "event", "polarity", "cylinders", "conduction_intervals", "restrikes", "repeat_strikes", "bits")


def _column(name: str, known: dict[str, Any], n: int) -> NDArray:
    kind: tuple[Any, type] = (np.nan, float)
    if name in _TEXT:
        kind = ("", object)
    elif name in _FLAGS:
        kind = (False, bool)
    elif name in _WHOLE:
        kind = (0, np.int64)
    return np.array(np.broadcast_to(np.asarray(known.get(name, kind[0]), dtype=kind[1]), n))


if __name__ == "__main__":
    raise SystemExit(main())
