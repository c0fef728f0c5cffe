"""Simulated engines that several rooms test on: made once a run."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sigkit import provenance
from sigkit.simulate.simulated_capture import SimulatedCapture, simulate_captures
from sigkit.simulate.study_recipe import StudyRecipe


@pytest.fixture(scope="session", autouse=True)
def _same_draw_at_every_commit():
    """Hold still what studies draw their seeds from: a test that fails then speaks of the change, not of the draw."""
    real = provenance.tree_hash
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(provenance, "tree_hash", lambda path=None: "git:the-tests-own" if path is None else real(path))
        yield


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


@pytest.fixture(scope="session")
def sound_engines() -> list[SimulatedCapture]:
    """Twelve sound engines of both kinds, a good recorder: for shares that scatter by engine."""
    return _made(75, engines=12)


@pytest.fixture(scope="session")
def make_label_set() -> Callable[[Path], Path]:
    """Return what makes a small data set to label: two captures of two leads, drawn (invented), and proposals."""

    def make(folder: Path) -> Path:
        (folder / "captures").mkdir(parents=True)
        generator = np.random.default_rng(5)
        rows = []
        for name in ("harbour-otter-07.npz", "quay-heron-11.npz"):
            rate = 200e3
            leads = generator.normal(0.0, 0.02, (2, 16_000))
            for lead in range(2):
                for at in (2_000 + 400 * lead, 6_000 + 400 * lead, 10_000 + 400 * lead):
                    leads[lead, at - 600 : at] += 0.4
                    leads[lead, at : at + 6] -= 8.0
                    leads[lead, at + 6 : at + 260] -= 1.0
                    ring = np.arange(200)
                    leads[lead, at + 260 : at + 460] += np.exp(-ring / 50) * np.sin(ring / 5)
                    rows.append((name, f"lead_{lead + 1}", at / rate))
            np.savez(folder / "captures" / name, lead_1=leads[0], lead_2=leads[1], sample_rate=rate)
        lines = [f"{name},{lead},secondary_voltage" for name in sorted({row[0] for row in rows})
                 for lead in ("lead_1", "lead_2")]  # fmt: skip
        (folder / "captures" / "captures.csv").write_text("\n".join(["capture,channel,kind", *lines]) + "\n")
        names = "\n".join(sorted({row[0] for row in rows}))
        (folder / "manifest.csv").write_text(f"capture\n{names}\n")
        table = "\n".join(f"{name},{lead},{time_s:.7f},0.5,narrow_gap" for name, lead, time_s in rows)
        (folder / "proposals.csv").write_text(
            f"capture,channel,time_s,condition_probability,condition\n{table}\n"
        )
        return folder

    return make
