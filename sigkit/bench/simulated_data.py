"""The simulated data set of a protocol: made once from the committed tree, in the layout of every data set."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from sigkit import provenance
from sigkit.bench.check_protocol import SPLITS
from sigkit.bench.made_once import made_once
from sigkit.bench.protocol import Protocol
from sigkit.capture.profile import ENDING as PROFILE_ENDING
from sigkit.capture.profile import Profile, write_profile
from sigkit.capture.sidecar import write_sidecar
from sigkit.capture.write_capture import write_capture
from sigkit.capture.write_sweeps import write_sweeps
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.describe import Statement, write_description
from sigkit.corpus.open_dataset import open_dataset
from sigkit.corpus.typed_csv import write_typed_csv
from sigkit.simulate.simulated_capture import SimulatedCapture, simulate_captures, stack_truth
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.simulate.write_truth import write_truth
from sigkit.types.capture import Capture


def data_seed(protocol: Protocol) -> int:
    """Return the seed of a protocol's data: from the committed tree and the protocol's data section."""
    return provenance.seed_from(provenance.tree_hash(), protocol.data_hash)


def protocol_data(protocol: Protocol, cache: Path, workers: int = 1, progress: bool = False) -> Dataset:
    """Return the data set of a protocol; a simulated one is made on first use.

    Parameters
    ----------
    protocol : Protocol
    cache : Path
        Folder that keeps simulated data sets.
    workers : int
    progress : bool

    Raises
    ------
    DatasetError
        When a stored data set breaks a rule, an engine in two splits among them.
    """
    if "folder" in protocol.data:
        return open_dataset(protocol.data["folder"])
    seed = data_seed(protocol)
    home = cache / f"simulated-{seed:016x}"
    made_once(home, lambda folder: _make(protocol, seed, folder, workers, progress))
    return Dataset.open(home, checksums=False)


def _make(protocol: Protocol, seed: int, home: Path, workers: int, progress: bool) -> None:
    recipe: dict[str, Any] = {
        name: tuple(v) if isinstance(v, list) else v for name, v in protocol.data.get("recipe", {}).items()
    }
    made: list[SimulatedCapture] = []
    split_of: dict[str, str] = {}
    for number, split in enumerate(SPLITS):
        engines = int(protocol.data["engines"].get(split, 0))
        if not engines:
            continue
        entries: dict[str, Any] = {**recipe, "engines": engines, "name": split}
        study = StudyRecipe(**entries)
        parts = simulate_captures(
            study,
            np.random.SeedSequence([seed, number]),
            workers=workers,
            progress=f"simulating {split}" if progress else "",
        )
        made += parts
        split_of |= {one.capture.engine: split for one in parts}
    folder = home / "captures"
    folder.mkdir()
    named, manifest = _write_recordings(made, folder)
    write_sidecar(folder / "captures.csv", named)
    write_typed_csv(home / "manifest.csv", list(manifest[0]), manifest)
    write_typed_csv(
        home / "splits.csv",
        ["engine", "split"],
        [{"engine": engine, "split": split} for engine, split in sorted(split_of.items())],
    )
    truth, intervals = stack_truth(made)
    names = {one.capture.name: new.name for one, new in zip(made, named, strict=True)}
    write_truth(home / "truth.parquet", truth, names)
    write_truth(home / "truth_intervals.parquet", intervals, names)
    write_description(
        home,
        Statement(
            f"Simulated engines of the benchmark's protocol {protocol.name}.",
            licence="MIT",
            invented=True,
            creator="the sigkit developers",
            how_made=f"circuits integrated in time; seed {seed}",
        ),
    )


def _write_recordings(made: list[SimulatedCapture], folder: Path) -> tuple[list[Capture], list[dict[str, Any]]]:
    """Write one file a recording and one profile an engine; return the captures under the names of their files.

    Sweeps of one recording share a file: apart, nothing would say that one trigger and one recorder made them.
    """
    recordings: dict[str, list[Capture]] = {}
    for one in made:
        recordings.setdefault(one.capture.recording or one.capture.name, []).append(one.capture)
    renamed: dict[str, Capture] = {}
    manifest = []
    for recording, sweeps in recordings.items():
        name = recording.replace("#", "_") + ".npz"
        if len(sweeps) > 1:
            write_sweeps(sweeps, folder / name)
        else:
            write_capture(sweeps[0], folder / name)
        for number, sweep in enumerate(sweeps, start=1):
            several = len(sweeps) > 1
            renamed[sweep.name] = sweep.with_(
                name=f"{name}#sweep-{number}" if several else name,
                recording=name,
                sweep=number if several else 0,
            )
        manifest.append(_manifest_row(renamed[sweeps[0].name].with_(name=name), provenance.file_hash(folder / name)))
    for engine in {one.capture.engine: one.capture for one in made}.values():
        profile = Profile(
            engine.engine,
            engine=engine.engine,
            ignition_type=engine.ignition_type,
            firing_order=engine.firing_order,
            shared_coil_pairs=engine.shared_coil_pairs,
            match_engine=engine.engine,
        )
        write_profile(profile, folder / f"{engine.engine}{PROFILE_ENDING}")
    return [renamed[one.capture.name] for one in made], manifest


def _manifest_row(capture: Capture, digest: str) -> dict[str, Any]:
    cylinder = "|".join(channel.cylinder for channel in capture.channels)
    return {
        "capture": capture.name,
        "engine": capture.engine,
        "cylinder": cylinder.strip("|") and cylinder,
        "ignition_type": capture.ignition_type,
        "channels": len(capture.channels),
        "origin": "simulated",
        "sha256": digest,
    }
