"""A tiny protocol and its data set, made once."""

from __future__ import annotations

import sys
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


@pytest.fixture
def install(tmp_path, monkeypatch):
    """Return a function that puts a package with one plug-in on the path, as far as entry points can tell."""

    def put(name: str, source: str, group: str = "detectors") -> None:
        home = tmp_path / f"site-{name}"
        module = "stranger_" + "".join(sign if sign.isalnum() else "_" for sign in name)
        info = home / f"{module}-1.0.dist-info"
        info.mkdir(parents=True)
        (home / f"{module}.py").write_text(source, encoding="utf-8")
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.0\n", encoding="utf-8")
        (info / "entry_points.txt").write_text(f"[sigkit.{group}]\n{name} = {module}:Plugin\n", encoding="utf-8")
        monkeypatch.syspath_prepend(str(home))

    yield put
    for module in [one for one in sys.modules if one.startswith("stranger_")]:
        del sys.modules[module]
