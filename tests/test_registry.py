"""Plug-ins are found by entry point; clashes are errors; broken ones are listed and never fatal."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sigkit import registry
from sigkit.errors import PluginError

GOOD = "class Good:\n    name = 'good'\n    def detect(self, capture):\n        return []\n"


@pytest.fixture
def install(tmp_path, monkeypatch):
    """Return a function that puts a package with one detector entry point on the path."""

    def put(package: str, name: str, source: str, attribute: str = "Good") -> Path:
        root = tmp_path / package
        info = root / f"{package}-1.2.dist-info"
        info.mkdir(parents=True)
        (root / f"{package}.py").write_text(source)
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.2\n")
        (info / "entry_points.txt").write_text(f"[sigkit.detectors]\n{name} = {package}:{attribute}\n")
        monkeypatch.syspath_prepend(str(root))
        return root

    yield put
    for module in list(sys.modules):
        if module.startswith("stranger"):
            del sys.modules[module]


def test_own_plugins_are_registered_like_any_other():
    # The names the project file fixes; they are read from the installed metadata, editable or not.
    assert "block_activity" in registry.names("detectors")
    assert "instant_networks" in registry.names("sigkit.locators")
    assert {"delimited", "wav", "numpy", "hdf5", "matlab", "arrow"} <= set(registry.names("readers"))
    assert {"wavelet_energy", "burn_line_slope", "oscillation_decay"} <= set(registry.names("features"))
    assert "condition_pipeline" in registry.names("classifiers")


def test_a_strangers_plugin_loads(install):
    install("stranger_good", "strange", GOOD)
    assert "strange" in registry.names("detectors")
    assert registry.load("detectors", "strange").name == "good"
    [listed] = [plugin for plugin in registry.plugins("detectors") if plugin.name == "strange"]
    assert listed.problem == ""
    assert listed.distribution == "stranger_good 1.2"


@pytest.mark.parametrize(
    ("source", "attribute", "reason"),
    [
        ("raise RuntimeError('no licence')", "Good", "RuntimeError: no licence"),
        ("import not_there_at_all", "Good", "ModuleNotFoundError"),
        (GOOD, "Absent", "AttributeError"),
        ("class Good:\n    name = 'idle'\n", "Good", "breaks its contract: it has no method detect"),
    ],
)
def test_a_broken_plugin_is_listed_with_its_reason(install, source, attribute, reason):
    install("stranger_bad", "broken", source, attribute)
    assert "broken" in registry.names("detectors")
    problems = {plugin.name: plugin.problem for plugin in registry.plugins("detectors")}
    assert reason in problems["broken"]
    assert len(problems) == len(registry.names("detectors"))
    with pytest.raises(PluginError, match=reason):
        registry.load("detectors", "broken")


def test_a_name_clash_is_an_error(install):
    install("stranger_one", "same", GOOD)
    install("stranger_two", "same", GOOD)
    with pytest.raises(PluginError, match=r"'same' in sigkit\.detectors is claimed by"):
        registry.names("detectors")
    with pytest.raises(PluginError, match=r"stranger_one 1\.2"):
        registry.load("detectors", "same")
    clashing = [plugin for plugin in registry.plugins("detectors") if plugin.name == "same"]
    assert len(clashing) == 2
    assert all("claimed by" in plugin.problem for plugin in clashing)


def test_one_package_seen_twice_is_no_clash(install, monkeypatch):
    root = install("stranger_twice", "twice", GOOD)
    copy = root.parent / "copy"
    (copy / "stranger_twice-1.2.dist-info").mkdir(parents=True)
    for part in ("METADATA", "entry_points.txt"):
        text = (root / "stranger_twice-1.2.dist-info" / part).read_text()
        (copy / "stranger_twice-1.2.dist-info" / part).write_text(text)
    monkeypatch.syspath_prepend(str(copy))
    assert "twice" in registry.names("detectors")


def test_unknown_group_and_name_say_what_is_known():
    with pytest.raises(PluginError, match=r"known: sigkit\.readers"):
        registry.names("sigkit.nothing")
    with pytest.raises(PluginError, match=r"known: .*block_activity"):
        registry.load("detectors", "nothing")
