"""A small archive: some of the shipped invented captures, damaged files, and records without any firing."""

from __future__ import annotations

import functools
import shutil

import numpy as np
import pytest

from sigkit.screen import screen_archive as room
from sigkit.screen.screen_archive import screen_archive
from sigkit.shipped import demo_archive


@pytest.fixture(scope="session", autouse=True)
def model_loaded_once():
    """Load the shipped model once for all runs of this room: it takes longer than a small run."""
    patch = pytest.MonkeyPatch()
    patch.setattr(room, "load_default_model", functools.cache(room.load_default_model))
    yield
    patch.undo()


@pytest.fixture(scope="session")
def small_archive(tmp_path_factory):
    folder = tmp_path_factory.mktemp("archive")
    demo = demo_archive()
    for name, most in (("otter", 3), ("dipper", 3), ("damaged", 3)):
        (folder / name).mkdir()
        for path in sorted((demo / name).iterdir())[:most]:
            shutil.copy(path, folder / name)
    shutil.copy(demo / "captures.csv", folder)
    # Mains hum and noise, no ignition in it: readable, and nothing to be found.
    time_s = np.arange(40_000) / 200e3
    hum = np.sin(2 * np.pi * 50 * time_s) + np.random.default_rng(5).normal(0, 0.01, time_s.size)
    np.savez(folder / "hum.npz", voltage=hum, sample_rate=200e3)
    return folder


@pytest.fixture(scope="session")
def screened(small_archive, tmp_path_factory):
    """Output of one run with one worker, and its summary."""
    out = tmp_path_factory.mktemp("run") / "report"
    return out, screen_archive([str(small_archive)], out, workers=1, progress=False)
