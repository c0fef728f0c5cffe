"""Files written by general libraries read by ours, and ours read by them."""

from __future__ import annotations

import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sigkit.capture.open_source import open_source
from sigkit.capture.source_reference import SourceReference
from sigkit.capture.write_capture import write_capture
from sigkit.contracts.reader import ReadOptions
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

RATE = 100_000.0


def opened(path: Path, **options: Any) -> Capture:
    [capture] = open_source(SourceReference(path.name, str(path)), ReadOptions(**options))
    return capture


@pytest.fixture
def volts(rng: np.random.Generator) -> np.ndarray:
    return np.cumsum(rng.normal(size=400))


@pytest.fixture
def capture(volts: np.ndarray) -> Capture:
    first = Channel("U", volts, RATE, start_s=-0.001, unit="V")
    return Capture("c", (first, Channel("I", volts[::-1], RATE, start_s=-0.001, unit="A")))


def test_pandas_csv(volts: np.ndarray, capture: Capture, tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    time = np.arange(400) / RATE
    for number, settings in enumerate(({}, {"sep": ";", "decimal": ","}, {"sep": "\t", "encoding": "utf-16"})):
        path = tmp_path / f"{number}.csv"
        pandas.DataFrame({"time (s)": time, "U (mV)": volts}).to_csv(path, index=False, **settings)
        np.testing.assert_allclose(opened(path).channels[0].values(), volts * 1e-3, rtol=1e-14)
        assert opened(path).channels[0].sample_rate_Hz == RATE
    write_capture(capture, tmp_path / "ours.csv")
    frame = pandas.read_csv(tmp_path / "ours.csv", comment="#")
    assert list(frame.columns) == ["time (s)", "U (V)", "I (A)"]
    np.testing.assert_array_equal(frame["U (V)"], volts)
    np.testing.assert_allclose(frame["time (s)"], time - 0.001, atol=1e-12)


def test_pandas_parquet_and_feather(volts: np.ndarray, capture: Capture, tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    time = np.arange(400) / RATE
    frame = pandas.DataFrame({"time (s)": time, "U (kV)": volts, "lead": ["a"] * 400})
    frame.to_parquet(tmp_path / "p.parquet")
    frame.to_feather(tmp_path / "f.feather")
    for name in ("p.parquet", "f.feather"):
        back = opened(tmp_path / name)
        np.testing.assert_allclose(back.channels[0].values(), volts * 1e3, rtol=1e-14)
        assert (back.channels[0].sample_rate_Hz, back.channels[0].name) == (RATE, "U")
        assert any("lead (large_string)" in w or "lead (string)" in w for w in back.warnings)
    dated = pandas.DataFrame({"when": pandas.date_range("2024-05-04", periods=400, freq="10us"), "U": volts})
    dated.to_parquet(tmp_path / "d.parquet")
    back = opened(tmp_path / "d.parquet")
    assert back.channels[0].sample_rate_Hz == pytest.approx(RATE)
    assert back.time_origin.startswith("2024-05-04")
    assert back.channels[0].start_s == 0.0
    write_capture(capture, tmp_path / "ours.parquet")
    np.testing.assert_array_equal(pandas.read_parquet(tmp_path / "ours.parquet")["channel_0"], volts)


def test_missing_cells_of_a_table_are_refused(volts: np.ndarray, tmp_path: Path) -> None:
    from sigkit.errors import CaptureError

    pandas = pytest.importorskip("pandas")
    frame = pandas.DataFrame({"time (s)": np.arange(400) / RATE, "U": volts})
    frame.loc[395:, "U"] = None
    frame.to_parquet(tmp_path / "p.parquet")
    with pytest.raises(CaptureError, match="5 of 400 samples"):
        opened(tmp_path / "p.parquet")


@pytest.mark.parametrize(("subtype", "step"), [
    ("PCM_U8", 2**-7), ("PCM_16", 2**-15), ("PCM_24", 2**-23), ("PCM_32", 2**-31), ("FLOAT", 2**-24),
    ("DOUBLE", 2**-52),
])  # fmt: skip
def test_soundfile_wav(subtype: str, step: float, rng: np.random.Generator, tmp_path: Path) -> None:
    """libsndfile reads and writes fractions of full scale: so must we, to half a step of the format."""
    soundfile = pytest.importorskip("soundfile")
    signal = rng.uniform(-0.9, 0.9, (300, 3))
    soundfile.write(tmp_path / "a.wav", signal, 48_000, subtype=subtype)
    back = opened(tmp_path / "a.wav")
    reference, rate = soundfile.read(tmp_path / "a.wav")
    assert rate == back.channels[0].sample_rate_Hz
    for number, channel in enumerate(back.channels):
        np.testing.assert_array_equal(channel.values(), reference[:, number])
        np.testing.assert_allclose(channel.values(), signal[:, number], atol=step)
        assert channel.unit == ""
    scaled = opened(tmp_path / "a.wav", full_scale_V=20.0)
    np.testing.assert_allclose(scaled.channels[1].values(), 20 * reference[:, 1], rtol=1e-12)
    assert scaled.channels[1].unit == "V"


@pytest.mark.parametrize("width", [1, 2, 3, 4])
def test_wave_of_the_standard_library(width: int, rng: np.random.Generator, tmp_path: Path) -> None:
    """RIFF WAVE: 8 bit is offset binary, wider ones are two's complement, little-endian."""
    top = 2 ** (8 * width - 1)
    codes = rng.integers(-top, top, 200)
    stored = codes + 128 if width == 1 else codes
    with wave.open(str(tmp_path / "a.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(width)
        file.setframerate(200_000)
        file.writeframes(b"".join(int(c).to_bytes(width, "little", signed=width > 1) for c in stored))
    [channel] = opened(tmp_path / "a.wav").channels
    np.testing.assert_array_equal(channel.values(), codes / top)
    assert channel.full_scale == (-1.0, 1.0 - 1.0 / top)
    assert channel.sample_rate_Hz == 200_000.0


def test_our_wav_in_the_standard_library(rng: np.random.Generator, tmp_path: Path) -> None:
    codes = rng.integers(-(2**15), 2**15, 200).astype(np.int16)
    lost = write_capture(Capture("c", (Channel("U", codes, 44_100.0),)), tmp_path / "a.wav")
    assert "start" in lost
    with wave.open(str(tmp_path / "a.wav")) as file:
        assert (file.getframerate(), file.getsampwidth(), file.getnchannels()) == (44_100, 2, 1)
        np.testing.assert_array_equal(np.frombuffer(file.readframes(200), "<i2"), codes)


def test_numpy_files(volts: np.ndarray, capture: Capture, tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", voltage=volts, fs=RATE, scale_mV=2.0)
    back = opened(tmp_path / "a.npz").channels[0]
    np.testing.assert_allclose(back.values(), volts * 2e-3, rtol=1e-15)
    assert (back.unit, back.sample_rate_Hz, back.name) == ("V", RATE, "voltage")
    np.savez_compressed(tmp_path / "b.npz", current_mA=volts, time_ms=np.arange(400) * 0.01 - 1, other=np.arange(3))
    back = opened(tmp_path / "b.npz").channels[0]
    assert (back.unit, back.kind, back.start_s) == ("A", "coil_current", pytest.approx(-1e-3))
    np.savez(tmp_path / "c.npz", small=volts[:7], samples=np.stack([volts, -volts]), sample_rate=RATE)
    back_c = opened(tmp_path / "c.npz")
    assert [channel.name for channel in back_c.channels] == ["samples_1", "samples_2"]
    assert back_c.channels[0].unit == ""
    assert any("largest" in warning for warning in back_c.warnings)
    write_capture(capture, tmp_path / "ours.npz")
    with np.load(tmp_path / "ours.npz", allow_pickle=False) as held:
        np.testing.assert_array_equal(held["channel_1"], volts[::-1])
        assert held["sample_rate"].tolist() == [RATE, RATE]


def test_structured_npy_with_time(volts: np.ndarray, tmp_path: Path) -> None:
    table = np.zeros(400, dtype=[("time_s", "f8"), ("lead_mV", "f4")])
    table["time_s"], table["lead_mV"] = np.arange(400) / RATE, volts
    np.save(tmp_path / "a.npy", table)
    back = opened(tmp_path / "a.npy").channels[0]
    assert (back.name, back.unit, back.sample_rate_Hz) == ("lead", "V", RATE)


def test_h5py_files(volts: np.ndarray, capture: Capture, tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    with h5py.File(tmp_path / "a.h5", "w") as file:
        group = file.create_group("recording")
        group.attrs["sample_rate"] = RATE
        file.attrs["sample_rate"] = 5.0  # the nearest statement counts
        for name, factor, unit in (("north", 1, "V"), ("south", 2, "mV")):
            data = group.create_dataset(name, data=volts * factor, chunks=(64,), compression="gzip")
            data.attrs["unit"] = unit
        file["remark"] = "calibrated"
    back = opened(tmp_path / "a.h5")
    assert [(c.name, c.unit, c.scale, c.sample_rate_Hz) for c in back.channels] == [
        ("north", "V", 1.0, RATE), ("south", "V", 1e-3, RATE)]  # fmt: skip
    write_capture(capture, tmp_path / "ours.h5")
    with h5py.File(tmp_path / "ours.h5") as file:
        np.testing.assert_array_equal(file["channel_0"][()], volts)
        assert file.attrs["unit"].tolist() == ["V", "A"]


def test_hdf5_groups_are_sweeps_with_their_own_statements(volts: np.ndarray, tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    with h5py.File(tmp_path / "a.h5", "w") as file:
        for number in (1, 2, 10):
            group = file.create_group(f"sweep{number}")
            group["voltage"] = volts + number
            group.attrs["fs"] = RATE * number
    captures = open_source(SourceReference("a.h5", str(tmp_path / "a.h5")))
    assert [capture.name for capture in captures] == ["a.h5#sweep-1", "a.h5#sweep-2", "a.h5#sweep-3"]
    assert [capture.channels[0].sample_rate_Hz for capture in captures] == [RATE, 2 * RATE, 10 * RATE]
    np.testing.assert_array_equal(captures[2].channels[0].samples, volts + 10)


def test_hdf5_behind_a_user_block(volts: np.ndarray, tmp_path: Path) -> None:
    """MATLAB 7.3 files are HDF5 behind a block of 512 bytes; texts are UTF-16 code units of class char."""
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "a.mat"
    with h5py.File(path, "w", userblock_size=512) as file:
        file["voltage"] = volts.reshape(1, -1)
        file["fs"] = np.array([[RATE]])
        unit = file.create_dataset("unit", data=np.array([[ord("m")], [ord("V")]], dtype=np.uint16))
        unit.attrs["MATLAB_class"] = np.bytes_(b"char")
    content = bytearray(path.read_bytes())
    content[:19] = b"MATLAB 7.3 MAT-file"
    path.write_bytes(content)
    back = opened(path).channels[0]
    np.testing.assert_allclose(back.values(), volts * 1e-3, rtol=1e-15)
    assert back.sample_rate_Hz == RATE


@pytest.mark.parametrize("settings", [{}, {"do_compression": True}, {"format": "4"}])
def test_scipy_mat_files(settings: dict, volts: np.ndarray, capture: Capture, tmp_path: Path) -> None:
    from scipy.io import loadmat, savemat

    savemat(tmp_path / "a.mat", {"voltage": volts, "fs": RATE, "unit": "kV"}, **settings)
    back = opened(tmp_path / "a.mat").channels[0]
    np.testing.assert_allclose(back.values(), volts * 1e3, rtol=1e-15)
    assert back.sample_rate_Hz == RATE
    write_capture(capture, tmp_path / "ours.mat")
    np.testing.assert_array_equal(loadmat(tmp_path / "ours.mat")["channel_0"].ravel(), volts)


def test_scipy_structure(volts: np.ndarray, tmp_path: Path) -> None:
    from scipy.io import savemat

    record = {"voltage": volts, "fs": RATE, "unit": "mV", "nothing": np.array([]),
              "names": np.array(["a", "bc"], object)}  # fmt: skip
    savemat(tmp_path / "a.mat", {"rec": record})
    back = opened(tmp_path / "a.mat").channels[0]
    assert (back.name, back.unit, back.sample_rate_Hz) == ("voltage", "V", RATE)
    np.testing.assert_allclose(back.values(), volts * 1e-3, rtol=1e-15)


def test_pyarrow_ipc_and_metadata(volts: np.ndarray, capture: Capture, tmp_path: Path) -> None:
    import pyarrow as pa

    table = pa.table({"U": volts, "W": -volts}).replace_schema_metadata({"sample_rate": "100 kHz", "unit": "V"})
    with pa.OSFile(str(tmp_path / "a.arrow"), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table)
    back = opened(tmp_path / "a.arrow")
    assert [(c.name, c.unit, c.sample_rate_Hz) for c in back.channels] == [("U", "V", RATE), ("W", "V", RATE)]
    before = pa.total_allocated_bytes()
    np.testing.assert_array_equal(back.channels[1].samples, -volts)
    assert pa.total_allocated_bytes() == before
    write_capture(capture, tmp_path / "ours.arrow")
    with pa.memory_map(str(tmp_path / "ours.arrow")) as source:
        np.testing.assert_array_equal(pa.ipc.open_file(source).read_all()["channel_0"], volts)


def test_names_min_and_max_are_refused_in_arrays(volts: np.ndarray, tmp_path: Path) -> None:
    from sigkit.errors import CaptureError

    np.savez(tmp_path / "a.npz", voltage_min=volts - 1, voltage_max=volts + 1, fs=RATE)
    with pytest.raises(CaptureError, match="reduced for display"):
        opened(tmp_path / "a.npz")
