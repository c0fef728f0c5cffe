"""Make ``datasets/river-ferry-demo``: simulated captures of an invented river-ferry cooperative's eight engines.

Run from the project's folder: ``python datasets/make_river_ferry_demo.py``. The same seed and versions give the
same files. Boats, engines and faults are invented; nothing was recorded.
"""

from __future__ import annotations

import shutil
import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sigkit.capture.open_source import open_source
from sigkit.capture.sidecar import write_sidecar
from sigkit.capture.source_reference import SourceReference
from sigkit.capture.write_capture import write_capture
from sigkit.capture.write_delimited import write_delimited
from sigkit.contracts.reader import ReadOptions
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.dataset_card import write_card
from sigkit.corpus.describe import Statement, write_description
from sigkit.corpus.typed_csv import write_typed_csv
from sigkit.provenance import file_hash
from sigkit.simulate.simulated_capture import SimulatedCapture, simulate_captures, stack_truth
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.simulate.write_truth import write_truth

SEED = 20_260_412
ZIPPED = "teal"
#: Separator and decimal mark of the delimited files, in turn.
DIALECTS = ((",", "."), (";", ","), ("\t", "."))
STATEMENT = Statement(
    "Simulated captures of the eight petrol inboard engines of an invented river-ferry cooperative, with three damaged "
    "files beside them.",
    licence="MIT", creator="the sigkit developers", published="2026-11-25", invented=True,
    how_made=f"""`datasets/make_river_ferry_demo.py`, seed {SEED}: circuits integrated in time, pickup and recorder.
The seed was taken as the first of several under which every condition appears: no sample of how often any does.
Formats: delimited text in three dialects, WAV, NumPy, HDF5, MATLAB, Parquet, Arrow, one zip (checksums in
`manifest.csv` are of the files before zipping). Truth: `truth.parquet`, `truth_intervals.parquet`. Splits by whole
engine were set by hand.""",
    not_for="training anything that is used on an engine",
)
HOME = Path(__file__).resolve().parent / "river-ferry-demo"


@dataclass(frozen=True)
class Boat:
    """One invented boat and how its engine was recorded."""

    name: str
    split: str
    endings: tuple[str, ...]
    recipe: StudyRecipe


def _recipe(
    cylinders: int, ignition: str, faults: tuple[str, ...], rate: float, bits: int, **more: object
) -> StudyRecipe:
    settings: dict = {
        "engines": 1, "cylinders": (cylinders,), "ignition_types": (ignition,), "conditions": faults,
        "sample_rates_Hz": (rate,), "bits": (bits,), "recordings": ("continuous",), "channel_sets": ("secondary",),
        "captures_per_engine": 6, "firings_per_lead": 5, "engine_speed_rpm": (2400.0, 4200.0), "faulty_share": 0.4,
        "second_share": 0.0, "severity": (0.75, 1.0), "cut_share": 0.0, "missing_share": 0.0, "reversed_share": 0.0,
        "range_shares": (1.0, 0.0, 0.0), "sync_share": 0.0, "name": "ferry",
    }  # fmt: skip
    settings.update(more)
    return StudyRecipe(**settings)


BOATS = (
    Boat("heron", "train", (".npz", ".csv", ".wav"),
         _recipe(4, "shared_coil", ("wide_gap", "fouled_plug"), 100e3, 12)),
    Boat("otter", "train", (".parquet", ".h5", ".mat"),
         _recipe(3, "coil_on_plug", ("lean_mixture", "open_secondary"), 200e3, 12)),
    Boat("kingfisher", "calibrate", (".npz", ".arrow"),
         _recipe(6, "shared_coil", ("high_resistance", "insulation_leak"), 100e3, 10)),
    Boat("mayfly", "calibrate", (".npy", ".txt"),
         _recipe(4, "coil_on_plug", ("narrow_gap", "low_compression"), 50e3, 12)),
    Boat("teal", "develop", (".mat", ".npz"),
         _recipe(4, "coil_on_plug", ("shorted_winding", "low_coil_energy"), 200e3, 8, missing_share=1.0)),
    Boat("pike", "develop", (".h5", ".npz"),
         _recipe(4, "coil_on_plug", ("wide_gap",), 100e3, 12, reversed_share=0.25)),
    Boat("dipper", "test", (".csv",),
         _recipe(4, "coil_on_plug", ("fouled_plug", "wide_gap"), 200e3, 10, recordings=("sweeps",),
                 firings_per_lead=3)),
    Boat("grebe", "test", (".npz", ".parquet"),
         _recipe(2, "shared_coil", ("low_coil_energy",), 500e3, 14, channel_sets=("secondary+primary+current",),
                 captures_per_engine=4)),
)  # fmt: skip


def main() -> None:
    """Write the whole data set anew."""
    shutil.rmtree(HOME, ignore_errors=True)
    folder = HOME / "captures"
    folder.mkdir(parents=True)
    made: list[SimulatedCapture] = []
    named, rows, names = [], [], {}
    texts = 0
    for number, boat in enumerate(BOATS):
        for order, one in enumerate(simulate_captures(boat.recipe, np.random.SeedSequence([SEED, number]))):
            ending = boat.endings[order % len(boat.endings)]
            name = f"{boat.name}/{boat.name}-{order + 1:02d}{ending}"
            capture = one.capture.with_(name=name, recording=name, sweep=0, engine=boat.name)
            capture = capture.with_(note="simulated, invented")
            if ending == ".wav":
                # WAV holds fractions of full scale; the sidecar gives the volts of 16-bit full scale.
                capture = capture.with_(channels=tuple(
                    c.with_(full_scale=(-32768 * c.scale, 32768 * c.scale)) for c in capture.channels))  # fmt: skip
            (folder / boat.name).mkdir(exist_ok=True)
            if ending in (".csv", ".txt"):
                write_delimited(capture, folder / name, *DIALECTS[texts % len(DIALECTS)])
                texts += 1
            else:
                write_capture(capture, folder / name)
            options = ReadOptions(boat.recipe.sample_rates_Hz[0])
            read = open_source(SourceReference(name, str(folder / name)), options)[0]
            # The sidecar speaks of channels as the file names them.
            capture = capture.with_(channels=tuple(
                c.with_(name=r.name) for c, r in zip(capture.channels, read.channels, strict=True)))  # fmt: skip
            if boat.name == ZIPPED:
                capture = capture.with_(name=f"{ZIPPED}.zip!{name}", recording=f"{ZIPPED}.zip!{name}")
            renamed = {old.name: new.name for old, new in zip(one.capture.channels, read.channels, strict=True)}
            for table in (one.truth, one.intervals):
                if "engine" in table:
                    table["engine"][:] = boat.name
                table["channel"] = np.array([renamed[name] for name in table["channel"]], dtype=object)
            unique = f"{boat.name}:{one.capture.name}"
            one.truth["capture"][:] = unique
            one.intervals["capture"][:] = unique
            names[unique] = capture.name
            made.append(one)
            named.append(capture)
            cylinders = "|".join(channel.cylinder for channel in capture.channels)
            rows.append({"capture": capture.name, "engine": boat.name, "cylinder": cylinders,
                         "ignition_type": one.capture.ignition_type, "channels": len(capture.channels),
                         "origin": "simulated", "sha256": file_hash(folder / name)})  # fmt: skip
    _zip_some(folder, ZIPPED)
    _damage(folder)
    write_sidecar(folder / "captures.csv", named)
    truth, intervals = stack_truth(made)
    write_truth(HOME / "truth.parquet", truth, names)
    write_truth(HOME / "truth_intervals.parquet", intervals, names)
    write_typed_csv(HOME / "manifest.csv", list(rows[0]), rows)
    splits = [{"engine": boat.name, "split": boat.split} for boat in BOATS]
    write_typed_csv(HOME / "splits.csv", ["engine", "split"], splits)
    write_description(HOME, STATEMENT, splits={"seed": None, "from": "the maker, by hand"})
    write_card(Dataset.open(HOME))


def _zip_some(folder: Path, boat: str) -> None:
    """Pack one boat's captures into a zip, as archives come."""
    with zipfile.ZipFile(folder / f"{boat}.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted((folder / boat).iterdir()):
            entry = zipfile.ZipInfo(f"{boat}/{path.name}", (2026, 4, 8, 0, 0, 0))
            archive.writestr(entry, path.read_bytes(), zipfile.ZIP_DEFLATED)
    shutil.rmtree(folder / boat)


def _damage(folder: Path) -> None:
    """Add three damaged files: cut off, empty, and words where numbers should be."""
    broken = folder / "damaged"
    broken.mkdir()
    whole = next(path for path in sorted((folder / "heron").iterdir()) if path.suffix == ".npz").read_bytes()
    (broken / "cut-off.npz").write_bytes(whole[: len(whole) // 3])
    (broken / "empty.wav").write_bytes(b"")
    words = "time (ms),voltage (V)\n0.0,1.5\n0.005,battery low\n0.010,1.4\n"
    (broken / "words.csv").write_text(words, encoding="utf-8")


if __name__ == "__main__":
    main()
