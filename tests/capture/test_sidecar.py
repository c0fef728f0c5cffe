"""Sidecars: checked with line and column, matched by path, applied without losing anything."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest

from sigkit.capture.apply_sidecar import apply_sidecar
from sigkit.capture.open_captures import open_captures, plan_opening
from sigkit.capture.sidecar import COLUMNS, SidecarRow, parse_sidecar, read_sidecar, write_sidecar
from sigkit.capture.source_reference import Rejection
from sigkit.capture.write_capture import write_capture
from sigkit.errors import ProfileError
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

CSV = "time (ms),U (V)\n" + "".join(f"{k / 100:.2f},{k % 7}\n" for k in range(50))
TWO = "time (ms),A (V),B (V)\n" + "".join(f"{k / 100:.2f},{k % 7},{k % 5}\n" for k in range(50))


def opened(folder: Path) -> dict[str, Capture]:
    return {one.name: one for one in open_captures([str(folder)]) if isinstance(one, Capture)}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("engine\nheron\n", "line 1: the column capture is missing"),
        ("capture,rpm\na.csv,5\n", "line 1: unknown column 'rpm'; known: capture, channel"),
        ("capture,capture\na,b\n", "stands twice"),
        ("capture,kind\na.csv,spark\n", "line 2: kind is 'spark'; expected one of secondary_voltage"),
        ("capture,ignition_type\na.csv,magneto\n", "line 2: ignition_type is 'magneto'"),
        ("capture,pickup_ratio\n\na.csv,1:1000\n", "line 3: pickup_ratio is '1:1000'; a positive number"),
        ("capture,sample_rate_Hz\na.csv,-5\n", "line 2: sample_rate_Hz is '-5'"),
        ("capture,sample_rate_Hz\na.csv,inf\n", "line 2: sample_rate_Hz is 'inf'"),
        ("capture,note\n,hello\n", "line 2: the cell under capture is empty"),
        ("capture,note\na.csv,one,two\n", "line 2: 3 cells under 2 columns"),
    ],
)
def test_faults_are_named_with_their_place(text: str, words: str) -> None:
    with pytest.raises(ProfileError, match=words):
        parse_sidecar(text.encode(), "captures.csv")


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="UTF-8"):
        parse_sidecar(b"capture\n\xff\xfe\n", "captures.csv")
    with pytest.raises(ProfileError, match="cannot be read"):
        read_sidecar(tmp_path / "captures.csv")


def test_semicolons_and_decimal_commas() -> None:
    [row] = parse_sidecar("\ufeffcapture;pickup_ratio;note\na.csv;1000,5;x, y\n".encode(), "captures.csv")
    assert (row.number("pickup_ratio"), row.text("note"), row.line) == (1000.5, "x, y", 2)


def test_every_column_reaches_the_capture(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(TWO)
    (tmp_path / "captures.csv").write_text(
        "capture,channel,kind,sample_rate_Hz,pickup_ratio,full_scale_V,engine,cylinder,coil,ignition_type,"
        "engine_speed_rpm,profile,note\n"
        "a.csv,,,,,,Heron,,,shared_coil,1850,,calm\n"
        "a.csv,A,secondary_voltage,,1000,10,,1,L,,,,\n"
        "a.csv,2,primary_voltage,,,,,4,L,,,,\n"
    )
    capture = opened(tmp_path)["a.csv"]
    assert (capture.engine, capture.ignition_type, capture.engine_speed_rpm, capture.note) == (
        "Heron", "shared_coil", 1850.0, "calm")  # fmt: skip
    first, second = capture.channels
    assert (first.kind, first.pickup_ratio, first.full_scale, first.cylinder, first.lead, first.coil) == (
        "secondary_voltage", 1000.0, (-10.0, 10.0), "1", "1", "L")  # fmt: skip
    assert (second.kind, second.pickup_ratio, second.cylinder, second.coil) == ("primary_voltage", None, "4", "L")
    assert capture.warnings == ()


def test_without_a_sidecar_the_folder_stands_for_the_engine(tmp_path: Path) -> None:
    root = tmp_path / "pier"
    (root / "heron" / "may").mkdir(parents=True)
    for name in ("heron/may/a.csv", "heron/b.csv", "c.csv"):
        (root / name).write_text(CSV)
    with zipfile.ZipFile(root / "otter.zip", "w") as packed:
        packed.writestr("d.csv", CSV)
    assert {name: capture.engine for name, capture in opened(root).items()} == {
        "heron/may/a.csv": "heron/may", "heron/b.csv": "heron", "c.csv": "pier", "otter.zip!d.csv": "otter.zip"
    }  # fmt: skip


def test_the_nearest_sidecar_wins_cell_by_cell(tmp_path: Path) -> None:
    (tmp_path / "heron").mkdir()
    (tmp_path / "heron" / "a.csv").write_text(CSV)
    (tmp_path / "captures.csv").write_text("capture,engine,note\nheron/a.csv,Far,far\n")
    (tmp_path / "heron" / "captures.csv").write_text("capture,engine\na.csv,Near\n")
    capture = opened(tmp_path)["heron/a.csv"]
    assert (capture.engine, capture.note) == ("Near", "far")


def test_a_sidecar_in_a_zip_and_at_an_address(tmp_path: Path) -> None:
    import fsspec

    with zipfile.ZipFile(tmp_path / "z.zip", "w") as packed:
        packed.writestr("in/a.csv", CSV)
        packed.writestr("in/captures.csv", "capture,engine\na.csv,Heron\n")
    assert opened(tmp_path)["z.zip!in/a.csv"].engine == "Heron"
    system = fsspec.filesystem("memory")
    system.pipe({"/pier/a.csv": CSV.encode(), "/pier/captures.csv": b"capture,engine\na.csv,Otter\n"})
    try:
        [capture] = open_captures(["memory://pier"])
        assert isinstance(capture, Capture)
        assert (capture.engine, capture.source) == ("Otter", "memory:///pier/a.csv")
        assert len(capture.channels[0]) == 50
    finally:
        system.rm("/pier", recursive=True)


def test_lines_that_name_no_file_or_several_are_told(tmp_path: Path) -> None:
    for folder in ("heron", "otter"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "a.csv").write_text(CSV)
    (tmp_path / "heron" / "b.csv").write_text(CSV)
    (tmp_path / "captures.csv").write_text("capture,engine\nmissing.csv,X\na.csv,Y\nb.csv,Z\n")
    warnings = plan_opening([str(tmp_path)]).warnings
    assert any("line 2: there is no file 'missing.csv'" in warning for warning in warnings)
    assert any("line 3: 'a.csv' could be any of heron/a.csv, otter/a.csv" in warning for warning in warnings)
    captures = opened(tmp_path)
    assert [captures[name].engine for name in ("heron/a.csv", "otter/a.csv", "heron/b.csv")] == ["heron", "otter", "Z"]


def test_a_line_for_one_sweep(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(CSV + "\n" + CSV)
    (tmp_path / "captures.csv").write_text("capture,note\na.csv,all\na.csv#sweep-2,second\n")
    captures = opened(tmp_path)
    assert [captures[f"a.csv#sweep-{k}"].note for k in (1, 2)] == ["all", "second"]


def test_unknown_channel_and_lone_cylinder_are_warnings() -> None:
    capture = Capture("a.csv", (Channel("A", np.arange(9), 1e5), Channel("B", np.arange(9), 1e5)))
    rows = [SidecarRow(2, (("capture", "a.csv"), ("channel", "C"), ("cylinder", "1"))),
            SidecarRow(3, (("capture", "a.csv"), ("cylinder", "2")))]  # fmt: skip
    told = apply_sidecar(capture, rows)
    assert any("line 2: there is no channel 'C'; the capture has A, B" in warning for warning in told.warnings)
    assert any("line 3: a cylinder for a capture of several channels" in warning for warning in told.warnings)
    assert [channel.cylinder for channel in told.channels] == ["", ""]


def test_a_line_for_a_channel_wins_over_a_line_for_the_capture_in_any_order() -> None:
    capture = Capture("a.csv", (Channel("A", np.arange(9), 1e5), Channel("B", np.arange(9), 1e5)))
    rows = [SidecarRow(2, (("capture", "a.csv"), ("channel", "B"), ("kind", "coil_current"))),
            SidecarRow(3, (("capture", "a.csv"), ("kind", "secondary_voltage")))]  # fmt: skip
    for order in (rows, rows[::-1]):
        assert [c.kind for c in apply_sidecar(capture, order).channels] == ["secondary_voltage", "coil_current"]


def test_samples_are_never_touched() -> None:
    samples = np.arange(9)
    capture = Capture("a.wav", (Channel("A", samples, 1e5, scale=0.1),), format="wav")
    rows = [SidecarRow(2, (("capture", "a.wav"), ("sample_rate_Hz", "5"), ("full_scale_V", "20")))]
    told = apply_sidecar(capture, rows).channels[0]
    assert told.samples is samples
    assert told.sample_rate_Hz == 1e5
    assert (told.scale, told.unit) == (2.0, "V")


def test_full_scale_without_fractions_is_a_warning() -> None:
    capture = Capture("a.npy", (Channel("A", np.arange(9), 1e5),), format="numpy")
    told = apply_sidecar(capture, [SidecarRow(2, (("capture", "a.npy"), ("full_scale_V", "20")))])
    assert (told.channels[0].unit, told.channels[0].scale) == ("", 1.0)
    assert "no fractions of full scale" in told.warnings[0]


def test_the_sidecar_gives_rate_and_array(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", big=np.arange(100.0), pickup=np.arange(40.0))
    np.save(tmp_path / "b.npy", np.arange(30.0))
    (tmp_path / "captures.csv").write_text("capture,channel,sample_rate_Hz\na.npz,pickup,50000\nb.npy,,20000\n")
    captures = opened(tmp_path)
    assert [(c.name, len(c), c.sample_rate_Hz) for c in captures["a.npz"].channels] == [("pickup", 40, 50_000.0)]
    assert captures["b.npy"].channels[0].sample_rate_Hz == 20_000.0


def test_the_form_is_read_back(tmp_path: Path) -> None:
    limited = Channel("A", np.arange(9.0), 1e6 / 3, unit="V", full_scale=(-800.0, 799.975))
    channels = (limited, Channel("B", np.arange(9.0) ** 2, 1e6 / 3))
    write_capture(Capture("a", channels), tmp_path / "a.npz")
    np.save(tmp_path / "b.npy", np.arange(30.0))
    form = tmp_path / "captures.csv"
    write_sidecar(form, open_captures([str(tmp_path)]))
    rows = read_sidecar(form)
    assert [(row.capture, row.text("channel")) for row in rows] == [("a.npz", "A"), ("a.npz", "B"), ("b.npy", "")]
    assert [row.number("full_scale_V") for row in rows] == [800.0, None, None]
    assert "sample rate is not in the file" in rows[2].text("note")
    assert form.read_text().splitlines()[0] == ",".join(COLUMNS)
    assert opened(tmp_path)["a.npz"].warnings == ()
    with pytest.raises(ProfileError, match="exists already"):
        write_sidecar(form, [])
    write_sidecar(form, [Rejection("x.csv", "", "torn", "")], overwrite=True)
    assert [row.capture for row in read_sidecar(form)] == ["x.csv"]
