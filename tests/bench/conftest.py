"""A tiny protocol and its data set, made once."""

from __future__ import annotations

from pathlib import Path

import pytest

from sigkit.bench.protocol import read_protocol
from sigkit.bench.simulated_data import protocol_data

TEXT = """
name = "tiny_{task}"
task = "{task}"

[data.engines]
develop = 2
test = 3

[data.recipe]
firings_per_lead = 3
sample_rates_Hz = [200e3]
cylinders = [2]
recordings = ["continuous"]
channel_sets = ["secondary"]
nuisance = 0.2
"""


@pytest.fixture(scope="session")
def tiny(tmp_path_factory):
    """Return a function from task to (protocol, data set); all tasks share one data set."""
    folder: Path = tmp_path_factory.mktemp("bench")

    def make(task: str):
        path = folder / f"tiny_{task}.toml"
        path.write_text(TEXT.format(task=task), encoding="utf-8")
        protocol = read_protocol(path)
        return protocol, protocol_data(protocol, folder / "cache")

    return make
