"""Sweeps of one recording in one file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sigkit.capture.open_captures import open_captures
from sigkit.capture.write_sweeps import write_sweeps
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel


def sweep(number: int, length: int = 40) -> Capture:
    samples = np.arange(length, dtype=np.int16) * (number + 1)
    channels = tuple(
        Channel(name, samples + shift, 2e5, start_s=-1e-3, scale=0.5, zero=3.0, unit="V", kind="secondary_voltage",
                full_scale=(-10.0, 20.0))
        for shift, name in enumerate(("lead_1", "lead_4"))
    )  # fmt: skip
    return Capture(f"s{number}", channels, engine_speed_rpm=900.0 + number)


def test_eleven_sweeps_come_back_in_order_and_whole(tmp_path: Path) -> None:
    # More than nine: the tenth must not come before the second.
    written = [sweep(number, 40 + number) for number in range(11)]
    write_sweeps(written, tmp_path / "a.npz")
    read = list(open_captures([str(tmp_path)]))
    assert [one.name for one in read] == [f"a.npz#sweep-{number}" for number in range(1, 12)]
    assert {one.recording for one in read} == {"a.npz"}
    for before, after in zip(written, read, strict=True):
        assert after.engine_speed_rpm == before.engine_speed_rpm
        for old, new in zip(before.channels, after.channels, strict=True):
            np.testing.assert_array_equal(new.samples, old.samples)
            for name in ("name", "sample_rate_Hz", "start_s", "scale", "zero", "unit", "kind", "full_scale"):
                assert getattr(new, name) == getattr(old, name)


def test_what_is_no_set_of_sweeps_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="two sweeps at least"):
        write_sweeps([sweep(1)], tmp_path / "a.npz")
    uneven = sweep(2).with_(channels=sweep(2).channels[:1])
    with pytest.raises(ValueError, match="as many channels each"):
        write_sweeps([sweep(1), uneven], tmp_path / "a.npz")
    with pytest.raises(ValueError, match=r"ends with \.npz"):
        write_sweeps([sweep(1), sweep(2)], tmp_path / "a.h5")
    assert not list(tmp_path.iterdir())
