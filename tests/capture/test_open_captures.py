"""Opening archives: plans that travel to workers, readers that fail, names that lie."""

from __future__ import annotations

import pickle
from collections.abc import Generator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sigkit.capture import open_source as module
from sigkit.capture.open_captures import open_captures, open_planned, plan_opening, rejection_of
from sigkit.capture.source_reference import Rejection, SourceReference
from sigkit.capture.write_capture import write_capture
from sigkit.contracts.reader import ReadOptions
from sigkit.errors import CaptureError
from sigkit.shipped import demo_archive
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel


def fill(folder: Path, count: int = 4) -> None:
    for number in range(count):
        samples = np.arange(200.0) * (number + 1)
        write_capture(Capture("c", (Channel("U", samples, 1e5, unit="V"),)), folder / f"{number}.npz")


def summary(captures: Sequence[Capture]) -> list[tuple[str, str, float]]:
    return [(one.name, one.engine, float(one.channels[0].values().sum())) for one in captures]


def test_a_plan_is_small_and_opens_in_another_process(tmp_path: Path) -> None:
    fill(tmp_path)
    (tmp_path / "captures.csv").write_text("capture,engine\n0.npz,Heron\n")
    plan = plan_opening([str(tmp_path)], leads=("a", "b", "c", "d"))
    assert all(len(pickle.dumps(planned)) < 5000 for planned in plan.sources)
    here = [open_planned(planned) for planned in plan.sources]
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        there = list(pool.map(open_planned, plan.sources))
    assert [summary(captures) for captures in here] == [summary(captures) for captures in there]
    assert [captures[0].channels[0].lead for captures in there] == ["a", "b", "c", "d"]
    assert there[0][0].engine == "Heron"


def test_planning_reads_no_capture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(tmp_path)
    monkeypatch.setattr("sigkit.capture.read_numpy.NumpyReader.read", lambda *_: pytest.fail("a capture was read"))
    assert len(plan_opening([str(tmp_path)]).sources) == 4


def test_each_file_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sigkit.capture.read_numpy import NumpyReader

    fill(tmp_path)
    seen: list[str] = []
    read = NumpyReader.read

    def counted(self: NumpyReader, source: Any, name: str, options: ReadOptions) -> Sequence[Capture]:
        seen.append(name)
        return read(self, source, name, options)

    monkeypatch.setattr(NumpyReader, "read", counted)
    assert len(list(open_captures([str(tmp_path)]))) == 4
    assert seen == ["0.npz", "1.npz", "2.npz", "3.npz"]


def test_files_are_opened_one_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(tmp_path)
    opened = open_captures([str(tmp_path)])
    first = next(opened)
    assert isinstance(first, Capture)
    assert first.name == "0.npz"
    monkeypatch.setattr(module, "rank_readers", lambda *_: pytest.fail("opened ahead"))
    assert isinstance(opened, Generator)
    opened.close()


class Stranger:
    """A reader of another package, sure of everything and good for nothing."""

    name = "stranger"
    suffixes = (".str",)
    likelihood: Any = 0.85

    def sniff(self, head: bytes, name: str) -> float:
        return self.likelihood

    def read(self, source: Any, name: str, options: ReadOptions) -> Sequence[Capture]:
        raise ZeroDivisionError("by nothing")


@pytest.fixture
def stranger(monkeypatch: pytest.MonkeyPatch) -> Stranger:
    reader = Stranger()
    usable, broken = module._readers()
    monkeypatch.setattr(module, "_readers", lambda: ((*usable, ("stranger", reader)), broken))
    return reader


def test_a_failing_reader_leaves_the_file_to_the_next(stranger: Stranger, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("time (ms),U (V)\n0,1\n1,2\n2,1\n")
    [capture] = module.open_source(SourceReference("a.csv", str(path)))
    assert capture.format == "delimited"
    path.write_text("time (ms),U (V)\n0,1\n1,x\n2,1\n3,4\n")
    with pytest.raises(CaptureError, match=r"stranger failed: ZeroDivisionError.*as delimited: .*'x'"):
        module.open_source(SourceReference("a.csv", str(path)))
    stranger.likelihood = 1.0
    with pytest.raises(CaptureError, match=r"ZeroDivisionError: by nothing\. To mend"):
        module.open_source(SourceReference("a.csv", str(path)))


def test_a_reader_that_cannot_even_sniff_is_passed_over(stranger: Stranger, tmp_path: Path) -> None:
    stranger.likelihood = "high"
    path = tmp_path / "a.bin"
    path.write_bytes(bytes(range(200)))
    with pytest.raises(CaptureError, match=r"no reader knows this content.*wav: begins with RIFF.*stranger: failed"):
        module.open_source(SourceReference("a.bin", str(path)))


def test_an_error_becomes_a_row(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(b"RIFFxxxxWAVE")
    [planned] = plan_opening([str(tmp_path)]).sources
    with pytest.raises(CaptureError) as caught:
        open_planned(planned)
    row = rejection_of(planned, caught.value)
    assert (row.capture, row.size_bytes) == ("a.wav", 12)
    assert row == next(one for one in open_captures([str(tmp_path)]) if isinstance(one, Rejection))


def test_the_shipped_archive_opens() -> None:
    """The demo archive holds every format, a zip, a sidecar and three damaged files, all invented."""
    everything = list(open_captures([str(demo_archive())]))
    captures = [one for one in everything if isinstance(one, Capture)]
    assert {one.format for one in captures} == {"delimited", "wav", "numpy", "hdf5", "matlab", "arrow"}
    assert [one.capture for one in everything if isinstance(one, Rejection)] == [
        "damaged/cut-off.npz", "damaged/empty.wav", "damaged/words.csv"]  # fmt: skip
    assert all(one.engine and one.warnings == () for one in captures)
    channels = [channel for one in captures for channel in one.channels]
    assert all(channel.lead for channel in channels if channel.kind == "secondary_voltage")
