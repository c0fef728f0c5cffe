"""Simulated engines that several rooms test on: made once a run."""

from __future__ import annotations

import pytest

from sigkit.simulate.simulated_capture import SimulatedCapture, simulate_captures
from sigkit.simulate.study_recipe import StudyRecipe


def _made(seed: int, **settings: object) -> list[SimulatedCapture]:
    chosen: dict = {
        "engines": 2, "cylinders": (4,), "firings_per_lead": 6, "recordings": ("continuous",), "bits": (12,),
        "channel_sets": ("secondary",), "sample_rates_Hz": (500e3,), "faulty_share": 0.0, "missing_share": 0.0,
        "reversed_share": 0.0, "cut_share": 0.0, "nuisance": 0.2, "range_shares": (1.0, 0.0, 0.0), "sync_share": 0.0,
        "engine_speed_rpm": (2000.0, 3500.0),
    }  # fmt: skip
    chosen.update(settings)
    return simulate_captures(StudyRecipe(**chosen), seed)


@pytest.fixture(scope="session")
def plug_engines() -> list[SimulatedCapture]:
    """Two sound engines with a coil on each plug, a good recorder."""
    return _made(71, ignition_types=("coil_on_plug",))


@pytest.fixture(scope="session")
def shared_engines() -> list[SimulatedCapture]:
    """Two sound engines with shared coils, a good recorder."""
    return _made(72, ignition_types=("shared_coil",))
