"""A copy of the small invented data set that a test may break, and the script that makes it."""

from __future__ import annotations

import importlib.util
import shutil
from pathlib import Path
from types import ModuleType

import pytest

DATASETS = Path(__file__).resolve().parents[2] / "datasets"


@pytest.fixture
def ferry(tmp_path: Path) -> Path:
    """Copy of the invented contribution, with its metadata."""
    return Path(shutil.copytree(DATASETS / "ferry-contribution", tmp_path / "ferry-contribution"))


@pytest.fixture(scope="session")
def maker() -> ModuleType:
    """The script that makes the invented contribution."""
    spec = importlib.util.spec_from_file_location("make_contributed_example", DATASETS / "make_contributed_example.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
