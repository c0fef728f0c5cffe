"""A capture with everything a format may lose: odd names, negative start, stored integers with scale and zero."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from sigkit.types.capture import Capture
from sigkit.types.channel import Channel


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20240611)


@pytest.fixture
def make_capture(rng: np.random.Generator) -> Callable[..., Capture]:
    """Return a maker of captures with two channels of one length, type and rate, as every format can hold."""

    def make(dtype: str = "int16", n: int = 500, rate: float = 200_000.0, start_s: float = -0.0125) -> Capture:
        samples = [rng.integers(-2000, 2000, n).astype(dtype) for _ in range(2)]
        return Capture(
            "heron/lead 1",
            (
                Channel("lead 1 (north)", samples[0], rate, start_s, scale=0.0025, zero=12.0, unit="V",
                        kind="secondary_voltage", full_scale=(-5.0, 5.0)),
                Channel("strøm|coil", samples[1], rate, start_s, scale=0.01, unit="A", kind="coil_current"),
            ),
            time_origin="2024-05-04T10:11:12",
            engine_speed_rpm=1850.0,
        )  # fmt: skip

    return make
