"""Writing: complete or not there, and honest about what a format cannot hold."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sigkit.capture import write_capture as module
from sigkit.capture.atomic_file import atomic_file
from sigkit.capture.write_capture import WRITERS, write_capture
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel


def test_the_ending_chooses_the_format(tmp_path: Path) -> None:
    capture = Capture("c", (Channel("U", np.arange(9.0), 1e5),))
    signatures = {".csv": b"#", ".wav": b"RIFF", ".npz": b"PK", ".npy": b"\x93NUMPY", ".h5": b"\x89HDF",
                  ".mat": b"MATLAB", ".parquet": b"PAR1", ".arrow": b"ARROW1"}  # fmt: skip
    for ending, signature in signatures.items():
        write_capture(capture, tmp_path / f"a{ending}")
        assert (tmp_path / f"a{ending}").read_bytes().startswith(signature)
    assert len(list(tmp_path.iterdir())) == len(signatures)


def test_unknown_ending_and_format(tmp_path: Path) -> None:
    capture = Capture("c", (Channel("U", np.arange(9.0), 1e5),))
    with pytest.raises(ValueError, match=r"ending '\.xyz'; known endings: \.csv"):
        write_capture(capture, tmp_path / "a.xyz")
    with pytest.raises(ValueError, match="unknown format 'tape'"):
        write_capture(capture, tmp_path / "a.csv", "tape")
    with pytest.raises(ValueError, match="no channels"):
        write_capture(Capture("c", ()), tmp_path / "a.csv")


@pytest.mark.parametrize("format", ["delimited", "wav", "npy"])
def test_what_does_not_fit_is_refused_and_leaves_no_file(format: str, tmp_path: Path) -> None:
    uneven = Capture("c", (Channel("a", np.arange(9.0), 1e5), Channel("b", np.arange(5.0), 1e5)))
    with pytest.raises(ValueError, match="do not fit"):
        write_capture(uneven, tmp_path / "a", format)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("rate", "dtype", "words"), [(1e6 / 3, "int16", "whole number"), (48_000, "int64", "no WAV form")]
)
def test_wav_limits(rate: float, dtype: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=words):
        write_capture(Capture("c", (Channel("a", np.arange(9).astype(dtype), rate),)), tmp_path / "a.wav")


def test_losses_are_told(tmp_path: Path) -> None:
    capture = Capture("c", (Channel("a", np.arange(9, dtype=np.int16), 1e5, start_s=1.0, scale=0.5, unit="V"),))
    lost = {format: write_capture(capture, tmp_path / "a", format) for format in WRITERS}
    assert [format for format, what in lost.items() if not what] == ["npz", "hdf5", "matlab", "parquet", "arrow"]
    assert "start" in lost["wav"]
    assert "sample rate" in lost["npy"]
    assert "stored integers and their scale" in lost["delimited"]


def test_a_failure_keeps_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.npz"
    path.write_bytes(b"old")

    def fail(capture: Capture, place: Path) -> tuple[str, ...]:
        place.write_bytes(b"half")
        raise OSError("disk full")

    monkeypatch.setattr(module, "import_module", lambda name: type("M", (), {"write_npz": staticmethod(fail)}))
    with pytest.raises(OSError, match="disk full"):
        write_capture(Capture("c", (Channel("a", np.arange(9.0), 1e5),)), path)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_atomic_file_replaces_at_the_end_only(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    with atomic_file(path) as temporary:
        temporary.write_text("new")
        assert not path.exists()
        assert temporary.suffix == ".txt"
    assert path.read_text() == "new"
    assert list(tmp_path.iterdir()) == [path]
