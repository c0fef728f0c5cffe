"""What every registered reader must do, tried on files of its own format. A new reader must be added here."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sigkit import registry
from sigkit.capture.list_sources import list_sources
from sigkit.capture.open_source import open_source, rank_readers
from sigkit.capture.source_reference import SourceReference
from sigkit.capture.write_capture import WRITERS, write_capture
from sigkit.contracts.reader import Reader, ReadOptions
from sigkit.errors import CaptureError
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

#: Written format -> reader that must know it, ending.
FORMATS = {
    "delimited": ("delimited", ".csv"), "wav": ("wav", ".wav"), "npz": ("numpy", ".npz"), "npy": ("numpy", ".npy"),
    "hdf5": ("hdf5", ".h5"), "matlab": ("matlab", ".mat"), "parquet": ("arrow", ".parquet"),
    "arrow": ("arrow", ".arrow"),
}  # fmt: skip
#: Formats that keep everything.
EXACT = ("npz", "hdf5", "matlab", "parquet", "arrow")
#: Formats whose samples must come as a memory map from a local file.
MAPPED = ("wav", "npy", "hdf5")

MakeCapture = Callable[..., Capture]


def reader_of(format: str) -> Reader:
    return registry.load("readers", FORMATS[format][0])()


def options_of(format: str, capture: Capture) -> ReadOptions:
    """An npy file holds no rate: it is given, as a sidecar would."""
    return ReadOptions(sample_rate_Hz=capture.channels[0].sample_rate_Hz if format == "npy" else None)


def written(format: str, capture: Capture, folder: Path, name: str = "capture") -> Path:
    path = folder / f"{name}{FORMATS[format][1]}"
    write_capture(capture, path, format)
    return path


def open_path(path: Path, rate: float | None = None) -> list[Capture]:
    return open_source(SourceReference(path.name, str(path)), ReadOptions(sample_rate_Hz=rate))


def test_every_registered_reader_is_tried() -> None:
    assert set(registry.names("readers")) == {reader for reader, _ in FORMATS.values()}
    assert set(WRITERS) == set(FORMATS)


@pytest.mark.parametrize("format", FORMATS)
def test_reader_keeps_the_contract(format: str) -> None:
    reader = reader_of(format)
    assert isinstance(reader, Reader)
    assert reader.name == FORMATS[format][0]
    assert FORMATS[format][1] in reader.suffixes
    assert all(suffix.startswith(".") and suffix == suffix.lower() for suffix in reader.suffixes)


@pytest.mark.parametrize("format", FORMATS)
def test_content_is_known_by_its_reader_alone(format: str, make_capture: MakeCapture, tmp_path: Path) -> None:
    head = written(format, make_capture(), tmp_path).read_bytes()[:65536]
    found = rank_readers(head, "no-ending")
    assert found[0][1].name == FORMATS[format][0]
    assert found[0][0] >= 0.7
    assert all(likelihood < 0.5 for likelihood, _ in found[1:])


@pytest.mark.parametrize("format", FORMATS)
def test_values_and_rate_come_back(format: str, make_capture: MakeCapture, tmp_path: Path) -> None:
    capture = make_capture()
    [back] = reader_of(format).read(str(written(format, capture, tmp_path)), "c", options_of(format, capture))
    assert back.format == FORMATS[format][0]
    assert (back.name, back.recording, back.sweep) == ("c", "c", 0)
    assert len(back.channels) == 2
    for one, other in zip(back.channels, capture.channels, strict=True):
        assert one.sample_rate_Hz == other.sample_rate_Hz
        if format in ("wav", "npy"):  # no place for scale and zero: the stored samples are what comes back
            np.testing.assert_array_equal(one.samples, other.samples)
        else:
            np.testing.assert_array_equal(one.values(), other.values())
            assert one.unit == other.unit


@pytest.mark.parametrize("format", [format for format in FORMATS if format not in ("wav", "npy")])
def test_names_kinds_start_and_origin_come_back(format: str, make_capture: MakeCapture, tmp_path: Path) -> None:
    capture = make_capture(start_s=-0.012345678901)
    if format == "delimited":  # text joins names by a bar
        capture = capture.with_(channels=tuple(c.with_(name=c.name.replace("|", " ")) for c in capture.channels))
    [back] = reader_of(format).read(str(written(format, capture, tmp_path)), "c", ReadOptions())
    assert [c.name for c in back.channels] == [c.name for c in capture.channels]
    assert [c.kind for c in back.channels] == [c.kind for c in capture.channels]
    assert [c.start_s for c in back.channels] == [-0.012345678901] * 2
    assert back.time_origin == capture.time_origin
    assert back.engine_speed_rpm == 1850.0
    assert back.warnings == ()


@pytest.mark.parametrize("format", EXACT)
@pytest.mark.parametrize("dtype", ["int8", "uint8", "int16", "uint16", "int32", "float32", "float64"])
def test_exact_formats_lose_nothing(format: str, dtype: str, make_capture: MakeCapture, tmp_path: Path) -> None:
    capture = make_capture(dtype, rate=1e6 / 3)
    path = tmp_path / f"c{FORMATS[format][1]}"
    assert write_capture(capture, path, format) == ()
    [back] = reader_of(format).read(str(path), "c", ReadOptions())
    for one, other in zip(back.channels, capture.channels, strict=True):
        assert one.samples.dtype == other.samples.dtype
        np.testing.assert_array_equal(one.samples, other.samples)
        for what in ("name", "sample_rate_Hz", "start_s", "scale", "zero", "unit", "kind", "full_scale"):
            assert getattr(one, what) == getattr(other, what), what


@pytest.mark.parametrize("format", EXACT)
def test_channels_of_different_length_and_rate(format: str, tmp_path: Path) -> None:
    capture = Capture("c", (Channel("a", np.arange(50.0), 1e5), Channel("b", np.arange(20.0), 4e4, start_s=0.5)))
    [back] = reader_of(format).read(str(written(format, capture, tmp_path)), "c", ReadOptions())
    assert [len(c) for c in back.channels] == [50, 20]
    assert [(c.sample_rate_Hz, c.start_s) for c in back.channels] == [(1e5, 0.0), (4e4, 0.5)]


@pytest.mark.parametrize("format", FORMATS)
def test_a_stream_gives_the_same_as_a_path(format: str, make_capture: MakeCapture, tmp_path: Path) -> None:
    capture = make_capture()
    path = written(format, capture, tmp_path)
    options = options_of(format, capture)
    [by_path] = reader_of(format).read(str(path), "c", options)
    [by_stream] = reader_of(format).read(io.BytesIO(path.read_bytes()), "c", options)
    for one, other in zip(by_path.channels, by_stream.channels, strict=True):
        np.testing.assert_array_equal(one.samples, other.samples)
        assert one.with_(samples=0).__dict__ == other.with_(samples=0).__dict__


@pytest.mark.parametrize("format", MAPPED)
def test_samples_are_mapped_not_loaded(format: str, make_capture: MakeCapture, tmp_path: Path) -> None:
    capture = make_capture()
    [back] = reader_of(format).read(str(written(format, capture, tmp_path)), "c", options_of(format, capture))
    for channel in back.channels:
        base = channel.samples
        while not isinstance(base, np.memmap) and base.base is not None:
            base = base.base
        assert isinstance(base, np.memmap)


@pytest.mark.parametrize("format", FORMATS)
def test_the_ending_does_not_matter(format: str, make_capture: MakeCapture, tmp_path: Path) -> None:
    wrong = ".wav" if format != "wav" else ".csv"
    path = tmp_path / f"c{wrong}"
    write_capture(make_capture(), path, format)
    [back] = open_path(path, 200_000.0)
    assert back.format == FORMATS[format][0]
    assert any("the name says" in warning for warning in back.warnings)


@pytest.mark.parametrize("format", FORMATS)
def test_empty_file_is_refused(format: str, tmp_path: Path) -> None:
    path = tmp_path / f"c{FORMATS[format][1]}"
    path.write_bytes(b"")
    with pytest.raises(CaptureError, match="empty") as caught:
        open_path(path)
    assert caught.value.remedy


@pytest.mark.parametrize("format", FORMATS)
@pytest.mark.parametrize("share", [0.3, 0.6, 0.98])
def test_cut_off_file_is_refused_or_shorter(
    format: str, share: float, make_capture: MakeCapture, tmp_path: Path
) -> None:
    """Text cut within a row is refused; cut between characters of its last number it cannot be told from whole."""
    path = written(format, make_capture(n=4000), tmp_path)
    content = path.read_bytes()
    cut = content[: int(share * len(content))]
    if format == "delimited":
        cut = cut[: cut.rindex(b",", 0, cut.rindex(b","))]  # one of three columns is left
    path.write_bytes(cut)
    with pytest.raises(CaptureError, match=r"cut off|damaged|columns where") as caught:
        open_path(path, 200_000.0)
    assert caught.value.source == path.name
    assert caught.value.remedy


@pytest.mark.parametrize("format", FORMATS)
def test_flipped_bytes_never_escape_as_another_error(
    format: str, make_capture: MakeCapture, tmp_path: Path, rng: np.random.Generator
) -> None:
    """Damage either is refused with a reason or leaves something readable; samples have no checksum."""
    path = written(format, make_capture(n=300), tmp_path)
    content = np.frombuffer(path.read_bytes(), dtype=np.uint8)
    outcomes = set()
    for _ in range(40):
        damaged = content.copy()
        positions = rng.integers(0, min(len(damaged), 1500), 6)
        damaged[positions] = rng.integers(0, 256, 6)
        path.write_bytes(damaged.tobytes())
        try:
            outcomes.add(type(open_path(path, 200_000.0)[0]).__name__)
        except CaptureError as error:
            outcomes.add("explained" if error.reason and error.remedy else "unexplained")
    assert "explained" in outcomes
    assert outcomes <= {"explained", "Capture"}


def spoilt(samples: np.ndarray) -> Capture:
    return Capture("c", (Channel("U", samples, 1e5, unit="V"),))


SPOILT = {
    "constant": (np.full(50, 3.0), "same value"),
    "all missing": (np.full(50, np.nan), "all 50 samples are missing"),
    "a few missing": (np.where(np.arange(50) == 7, np.nan, np.arange(50.0)), "1 of 50 samples .* sample 7"),
    "infinite": (np.where(np.arange(50) == 9, np.inf, np.arange(50.0)), "1 of 50 samples"),
    "one sample": (np.array([1.5]), "1 sample|one time stamp|at least two samples"),
}


@pytest.mark.parametrize("format", FORMATS)
@pytest.mark.parametrize("fault", SPOILT)
def test_files_without_a_usable_signal_are_refused(format: str, fault: str, tmp_path: Path) -> None:
    samples, words = SPOILT[fault]
    path = written(format, spoilt(samples), tmp_path)
    with pytest.raises(CaptureError, match=words) as caught:
        open_path(path, 1e5)
    assert caught.value.remedy


@pytest.mark.parametrize("format", [format for format in FORMATS if format != "npy"])
def test_a_rate_that_contradicts_the_file_is_a_warning(
    format: str, make_capture: MakeCapture, tmp_path: Path
) -> None:
    [back] = open_path(written(format, make_capture(), tmp_path), 48_000.0)
    assert back.channels[0].sample_rate_Hz == 200_000.0
    assert any("48000 Hz was given" in warning for warning in back.warnings)


def test_one_bad_channel_is_left_out_and_named(make_capture: MakeCapture, tmp_path: Path) -> None:
    bad = np.where(np.arange(30) == 3, np.nan, np.arange(30.0))
    channels = (Channel("a", np.arange(30.0), 1e5), Channel("b", bad, 1e5), Channel("c", np.zeros(30), 1e5))
    [back] = open_path(written("npz", Capture("x", channels), tmp_path))
    assert [channel.name for channel in back.channels] == ["a", "c"]
    assert back.metadata["channels_in_file"] == "a|b|c"
    assert any("b was left out" in warning for warning in back.warnings)
    assert any("c is constant" in warning for warning in back.warnings)


def test_all_formats_are_listed_and_opened_from_one_folder(make_capture: MakeCapture, tmp_path: Path) -> None:
    for format in FORMATS:
        written(format, make_capture(), tmp_path, format)
    listing = list_sources([str(tmp_path)])
    assert len(listing.sources) == len(FORMATS)
    assert all(open_source(one, ReadOptions(sample_rate_Hz=200_000.0)) for one in listing.sources)
