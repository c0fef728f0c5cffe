"""Simulated data sets: what belongs to one recording stays together, and what is known of an engine is told."""

from __future__ import annotations

import pytest

from sigkit.bench.algorithm_worker import captures_of
from sigkit.bench.copy_captures import copy_captures
from sigkit.bench.evaluate import score_file
from sigkit.bench.protocol import read_protocol
from sigkit.bench.simulated_data import protocol_data

TEXT = """
name = "tiny_sweeps"
task = "role"

[data.engines]
develop = 1
test = 2

[data.recipe]
firings_per_lead = 3
sample_rates_Hz = [100e3]
cylinders = [4]
ignition_types = ["shared_coil"]
recordings = ["sweeps"]
channel_sets = ["secondary"]
conditions = []
faulty_share = 0.0
cut_share = 0.0
sync_share = 0.0
nuisance = 0.2
"""


@pytest.fixture(scope="module")
def sweeps(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sweeps")
    path = folder / "tiny_sweeps.toml"
    path.write_text(TEXT, encoding="utf-8")
    protocol = read_protocol(path)
    return protocol, protocol_data(protocol, folder / "cache")


def test_the_sweeps_of_a_coil_are_one_recording(sweeps, tmp_path):
    _, dataset = sweeps
    truth = dataset.truth("test")
    copy_captures(dataset, "test", tmp_path / "given")
    given = captures_of(tmp_path / "given")
    assert {one.name for one in given} == set(truth["capture"].to_pylist())
    # Two engines of two coils, each with its sweeps in one file.
    assert len({one.recording for one in given}) == len(dataset.capture_names("test")) == 4
    for one in given:
        assert one.name == f"{one.recording}#sweep-{one.sweep}"
        assert len(one.channels) == 2


def test_what_is_known_of_an_engine_reaches_the_algorithm(sweeps, tmp_path):
    _, dataset = sweeps
    copy_captures(dataset, "test", tmp_path / "given")
    for one in captures_of(tmp_path / "given"):
        assert len(one.firing_order) == 4
        assert len(one.shared_coil_pairs) == 2
        assert one.ignition_type == "shared_coil"
        assert {channel.lead for channel in one.channels} in [set(pair) for pair in one.shared_coil_pairs]


def test_samples_survive_the_common_file(sweeps):
    _, dataset = sweeps
    for one in dataset.captures("develop"):
        assert all(len(channel) > 100 and channel.samples.max() > channel.samples.min() for channel in one.channels)
        assert len({len(channel) for channel in one.channels}) == 1


def test_predictions_name_each_sweep(sweeps, tmp_path):
    protocol, dataset = sweeps
    rows = [r for r in dataset.truth("test").to_pylist() if r["on_record"] and not r["absent"]]
    lines = [f"{r['capture']},{r['channel']},{r['coil_off_s']},{r['role']}" for r in rows]
    path = tmp_path / "mine.csv"
    path.write_text("\n".join(["capture,channel,time_s,role", *lines]) + "\n", encoding="utf-8")
    scored = score_file(path, protocol, dataset)
    assert scored.metrics["right"]["value"] == 1.0
