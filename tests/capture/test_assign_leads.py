"""Leads named on the command line, for files and for channels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sigkit.capture.open_captures import open_captures
from sigkit.capture.source_reference import Rejection
from sigkit.capture.write_capture import write_capture
from sigkit.errors import ProfileError
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

LEADS = ("1", "3", "4", "2", "5")


def single(folder: Path, count: int, first: int = 1) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(first, first + count):
        capture = Capture("c", (Channel("U", np.arange(20.0) * number, 1e5, unit="V"),))
        write_capture(capture, folder / f"lead{number}.npz")


def several(path: Path, names: tuple[str, ...], kinds: tuple[str, ...] = ()) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    kinds = kinds or ("unknown",) * len(names)
    channels = tuple(Channel(name, np.arange(20.0), 1e5, unit="V", kind=kind) for name, kind in zip(names, kinds))
    write_capture(Capture("c", channels), path)


def leads_of(what: Path, leads: tuple[str, ...]) -> dict[str, list[str] | str]:
    """Return leads by capture, or the reason of the refusal."""
    found: dict[str, list[str] | str] = {}
    for one in open_captures([str(what)], leads=leads):
        if isinstance(one, Rejection):
            found[one.capture] = one.reason
        else:
            assert all(channel.cylinder == channel.lead for channel in one.channels)
            found[one.name] = [channel.lead for channel in one.channels]
    return found


def test_files_of_a_folder_take_leads_in_turn(tmp_path: Path) -> None:
    single(tmp_path, 5)
    assert list(leads_of(tmp_path, LEADS).values()) == [[lead] for lead in LEADS]


def test_each_folder_starts_anew(tmp_path: Path) -> None:
    single(tmp_path / "heron", 2)
    single(tmp_path / "otter", 2)
    assert list(leads_of(tmp_path, ("a", "b")).values()) == [["a"], ["b"], ["a"], ["b"]]


def test_channels_of_one_file_take_leads_in_turn(tmp_path: Path) -> None:
    several(tmp_path / "a.npz", ("w", "x", "y", "z", "v"))
    assert leads_of(tmp_path, LEADS) == {"a.npz": list(LEADS)}


def test_a_channel_that_cannot_show_a_lead_takes_none(tmp_path: Path) -> None:
    several(tmp_path / "a.npz", ("p", "sync", "q"), ("secondary_voltage", "synchronising_pulse", "unknown"))
    assert leads_of(tmp_path, ("1", "2")) == {"a.npz": ["1", "", "2"]}


def test_files_and_channels_may_mix(tmp_path: Path) -> None:
    single(tmp_path / "heron", 2)
    several(tmp_path / "otter" / "a.npz", ("p", "q"))
    assert list(leads_of(tmp_path, ("a", "b")).values()) == [["a"], ["b"], ["a", "b"]]


def test_a_count_that_fits_nothing_is_explained(tmp_path: Path) -> None:
    single(tmp_path, 4)
    reasons = leads_of(tmp_path, LEADS)
    assert all("5 leads are named, but this file has 1 channels that can show one and its folder holds 4 files" in
               str(reason) for reason in reasons.values())  # fmt: skip
    assert len(reasons) == 4


def test_a_damaged_file_keeps_its_place_and_a_note_takes_none(tmp_path: Path) -> None:
    single(tmp_path, 3)
    content = (tmp_path / "lead2.npz").read_bytes()
    (tmp_path / "lead2.npz").write_bytes(content[: len(content) // 2])
    (tmp_path / "a remark.txt").write_text("calm water, warm engine\n")
    found = leads_of(tmp_path, ("1", "2", "3"))
    assert found["lead1.npz"] == ["1"]
    assert found["lead3.npz"] == ["3"]
    assert "cut off" in str(found["lead2.npz"])


def test_a_left_out_channel_keeps_its_place(tmp_path: Path) -> None:
    hole = np.where(np.arange(20) == 5, np.nan, np.arange(20.0))
    channels = (Channel("p", np.arange(20.0), 1e5), Channel("q", hole, 1e5), Channel("r", np.arange(20.0) ** 2, 1e5))
    write_capture(Capture("c", channels), tmp_path / "a.npz")
    assert leads_of(tmp_path, ("1", "2", "3")) == {"a.npz": ["1", "3"]}


def test_what_is_left_of_a_file_of_two_channels_is_no_file_of_one(tmp_path: Path) -> None:
    """Two files and two leads: the file that lost a channel still holds both leads, in its own order."""
    hole = np.where(np.arange(20) == 5, np.nan, np.arange(20.0))
    for name in ("a", "b"):
        channels = (Channel("p", hole, 1e5), Channel("q", np.arange(20.0), 1e5))
        write_capture(Capture("c", channels), tmp_path / f"{name}.npz")
    assert leads_of(tmp_path, ("1", "2")) == {"a.npz": ["2"], "b.npz": ["2"]}


def test_a_lead_named_twice_is_an_error(tmp_path: Path) -> None:
    single(tmp_path, 2)
    with pytest.raises(ProfileError, match="named twice"):
        list(open_captures([str(tmp_path)], leads=("1", "1")))


def test_the_cylinder_of_the_sidecar_stays(tmp_path: Path) -> None:
    single(tmp_path, 2)
    (tmp_path / "captures.csv").write_text("capture,cylinder\nlead1.npz,7\n")
    first, second = open_captures([str(tmp_path)], leads=("a", "b"))
    assert isinstance(first, Capture)
    assert isinstance(second, Capture)
    assert (first.channels[0].lead, first.channels[0].cylinder) == ("a", "7")
    assert (second.channels[0].lead, second.channels[0].cylinder) == ("b", "b")
