"""Damaged, hostile and hopeless inputs: each is refused with its reason, and the rest goes on."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from pathlib import Path

import numpy as np
import pytest

from sigkit.capture import limits
from sigkit.capture.open_captures import open_captures
from sigkit.capture.source_reference import Rejection
from sigkit.types.capture import Capture

GOOD = "time (ms),U (V)\n" + "".join(f"{k / 100:.2f},{k % 7}\n" for k in range(50))


def sorted_out(*what: Path) -> tuple[list[str], dict[str, Rejection]]:
    """Return names of captures and rejections by name."""
    captures, rejections = [], {}
    for one in open_captures([str(path) for path in what]):
        if isinstance(one, Capture):
            captures.append(one.name)
        else:
            rejections[one.capture] = one
    return captures, rejections


def zipped(members: dict[str, bytes], compression: int = zipfile.ZIP_DEFLATED) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", compression) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return buffer.getvalue()


def npy(header: str, body: bytes = b"") -> bytes:
    text = header.encode() + b"\n"
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", len(text)) + text + body


BAD = {
    "empty.csv": (b"", "empty"),
    "words.csv": (b"no numbers here\n", "no row of numbers"),
    "noise.bin": (bytes(range(256)) * 4, "no reader knows this content"),
    "picture.wav": (b"\x89PNG\r\n\x1a\n" + bytes(100), "no reader knows this content"),
    "letters.wav": (b"RIFF\x10\x00\x00\x00WAVE", "no samples found"),
    "short.wav": (b"RIFF" + struct.pack("<I", 2036) + b"WAVEfmt "
                  + struct.pack("<IHHIIHH", 16, 1, 1, 8000, 16000, 2, 16)
                  + b"data" + struct.pack("<I", 2000) + bytes(10), "cut off"),
    "law.wav": (b"RIFF" + struct.pack("<I", 136) + b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 99, 1, 8000, 8000, 1, 8)
                + b"data" + struct.pack("<I", 100) + bytes(range(100)), "unusual WAV"),
    "huge.npy": (npy("{'descr': '<f8', 'fortran_order': False, 'shape': (1000000000000,), }", bytes(80)), "cut off"),
    "deep.npy": (npy("{'descr': '<f8', 'fortran_order': False, 'shape': " + "(" * 900 + "}"), "damaged"),
    "objects.npy": (npy("{'descr': '|O', 'fortran_order': False, 'shape': (3,), }", bytes(80)), "never loaded"),
    "text.npz": (zipped({"a.npy": npy("{'descr': '<U4', 'fortran_order': False, 'shape': (2,), }", bytes(32))}),
                 "no numeric array"),
    "cut.npz": (zipped({"a.npy": npy("{'descr': '<f8', 'fortran_order': False, 'shape': (9,), }", bytes(72))})[:-30],
                "cut off"),
    "half.parquet": (b"PAR1" + bytes(500), "cut off or damaged Parquet"),
    "half.arrow": (b"ARROW1\x00\x00" + bytes(500), "cut off or damaged Parquet or Arrow"),
    "half.h5": (b"\x89HDF\r\n\x1a\n" + bytes(500), "damaged HDF5"),
    "half.mat": (b"MATLAB 5.0 MAT-file" + b" " * 105 + b"\x00\x01IM" + struct.pack("<2I", 14, 4000), "cut off"),
    "constant.csv": (b"time (ms),U (V)\n" + b"".join(b"%d,3\n" % k for k in range(9)), "same value"),
    "holes.csv": (b"time (ms),U (V)\n" + b"".join(b"%d,%s\n" % (k, b"nan" if k == 4 else b"%d" % k) for k in range(9)),
                  "1 of 9 samples"),
    "single.csv": (b"time (ms),U (V)\n1,2\n", "one time stamp"),
    "rateless.npy": (npy("{'descr': '<f8', 'fortran_order': False, 'shape': (9,), }", np.arange(9.0).tobytes()),
                     "sample rate is not in the file"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_one_bad_file_is_refused_with_its_reason(name: str, tmp_path: Path) -> None:
    content, words = BAD[name]
    (tmp_path / name).write_bytes(content)
    captures, rejections = sorted_out(tmp_path)
    assert captures == []
    assert words in rejections[name].reason
    assert rejections[name].remedy
    assert rejections[name].size_bytes == len(content)


def test_bad_files_do_not_stop_the_good_one(tmp_path: Path) -> None:
    for name, (content, _) in BAD.items():
        (tmp_path / name).write_bytes(content)
    (tmp_path / "good.csv").write_text(GOOD)
    captures, rejections = sorted_out(tmp_path)
    assert captures == ["good.csv"]
    assert set(rejections) == set(BAD)


def test_the_same_in_a_zip(tmp_path: Path) -> None:
    members = {name: content for name, (content, _) in BAD.items()} | {"good.csv": GOOD.encode()}
    (tmp_path / "all.zip").write_bytes(zipped(members))
    captures, rejections = sorted_out(tmp_path)
    assert captures == ["all.zip!good.csv"]
    assert set(rejections) == {f"all.zip!{name}" for name in BAD}


def test_zip_within_zip(tmp_path: Path) -> None:
    inner = zipped({"deep/a.csv": GOOD.encode()})
    (tmp_path / "outer.zip").write_bytes(zipped({"inner.zip": inner, "b.csv": GOOD.encode()}))
    captures, rejections = sorted_out(tmp_path)
    assert captures == ["outer.zip!b.csv", "outer.zip!inner.zip!deep/a.csv"]
    assert rejections == {}


def test_zip_nested_too_deep(tmp_path: Path) -> None:
    content = GOOD.encode()
    name = "a.csv"
    for _ in range(limits.ARCHIVE_DEPTH + 1):
        content = zipped({name: content})
        name = "n.zip"
    (tmp_path / "top.zip").write_bytes(content)
    captures, rejections = sorted_out(tmp_path)
    assert captures == []
    assert any("nested deeper" in one.reason for one in rejections.values())


def test_locked_member_is_refused_and_the_open_one_read(tmp_path: Path) -> None:
    content = bytearray(zipped({"a.csv": GOOD.encode(), "b.csv": GOOD.encode()}, zipfile.ZIP_STORED))
    # Set the encryption bit of the first member in both of its headers (PKWARE application note, 4.4.4).
    content[6] |= 1
    directory = content.index(b"PK\x01\x02")
    content[directory + 8] |= 1
    (tmp_path / "locked.zip").write_bytes(content)
    captures, rejections = sorted_out(tmp_path)
    assert captures == ["locked.zip!b.csv"]
    assert "password" in rejections["locked.zip!a.csv"].reason


def test_paths_that_lead_out_of_a_zip_are_refused_and_nothing_is_written(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "slip.zip").write_bytes(zipped({"../escaped.csv": GOOD.encode(), "ok.csv": GOOD.encode()}))
    captures, rejections = sorted_out(folder)
    assert captures == ["slip.zip!ok.csv"]
    assert "leads out" in rejections["slip.zip!../escaped.csv"].reason
    assert not (tmp_path / "escaped.csv").exists()


def test_a_bomb_is_not_unpacked(tmp_path: Path) -> None:
    zeros = bytes(limits.RATIO_FREE_BYTES + 1)
    bomb = zipped({"bomb.csv": zeros})
    (tmp_path / "bomb.zip").write_bytes(zipped({"good.csv": GOOD.encode(), "bomb.csv": zeros, "bomb.zip": bomb}))
    captures, rejections = sorted_out(tmp_path)
    assert captures == ["bomb.zip!good.csv"]
    assert "would grow" in rejections["bomb.zip!bomb.csv"].reason
    assert "would grow" in rejections["bomb.zip!bomb.zip!bomb.csv"].reason


def test_a_bomb_in_npz_is_not_unpacked(tmp_path: Path) -> None:
    count = limits.RATIO_FREE_BYTES // 8 + 1
    header = npy(f"{{'descr': '<f8', 'fortran_order': False, 'shape': ({count},), }}", bytes(8 * count))
    (tmp_path / "bomb.npz").write_bytes(zipped({"a.npy": header}))
    _, rejections = sorted_out(tmp_path)
    assert "would grow" in rejections["bomb.npz"].reason


def test_a_member_that_holds_more_than_it_says(tmp_path: Path) -> None:
    """The stated size is what is read at most; the checksum then tells."""
    content = bytearray(zipped({"a.csv": GOOD.encode() * 40}))
    directory = content.index(b"PK\x01\x02")
    content[directory + 24 : directory + 28] = struct.pack("<I", 100)
    (tmp_path / "liar.zip").write_bytes(content)
    captures, rejections = sorted_out(tmp_path)
    assert captures == []
    assert "cannot be read" in rejections["liar.zip!a.csv"].reason


@pytest.mark.parametrize("share", [0.2, 0.9])
def test_cut_off_zip_is_one_rejection(share: float, tmp_path: Path) -> None:
    content = zipped({"a.csv": GOOD.encode(), "b.csv": GOOD.encode()})
    (tmp_path / "cut.zip").write_bytes(content[: int(share * len(content))])
    (tmp_path / "good.csv").write_text(GOOD)
    captures, rejections = sorted_out(tmp_path)
    assert captures == ["good.csv"]
    assert "cannot be listed" in rejections["cut.zip"].reason


def test_damaged_member_of_a_sound_zip(tmp_path: Path) -> None:
    content = bytearray(zipped({"a.csv": GOOD.encode(), "b.csv": GOOD.encode()}, zipfile.ZIP_STORED))
    at = content.index(b"0.10,")
    content[at] ^= 1
    (tmp_path / "one.zip").write_bytes(content)
    captures, rejections = sorted_out(tmp_path)
    assert captures == ["one.zip!b.csv"]
    assert "CRC" in rejections["one.zip!a.csv"].reason


def test_broken_matlab_type_does_not_end_the_process(tmp_path: Path) -> None:
    """A type number outside the tables of scipy 1.17 ended the process: the file is refused before it gets there."""
    from scipy.io import savemat

    savemat(tmp_path / "a.mat", {"voltage": np.random.default_rng(3).normal(size=20), "unit": "V"})
    content = bytearray((tmp_path / "a.mat").read_bytes())
    at = content.rindex(b"\x10\x00\x01\x00V")  # the short element that holds the text "V"
    content[at] = 0xEB
    (tmp_path / "a.mat").write_bytes(content)
    _, rejections = sorted_out(tmp_path)
    assert "element type 235" in rejections["a.mat"].reason


def test_broken_hdf5_heap_is_refused_at_once(tmp_path: Path) -> None:
    """The HDF5 library never returned from free space of size 0 in a heap of texts."""
    import h5py

    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["voltage"] = np.arange(50.0)
        file.attrs["sample_rate"] = 1e5
        file.attrs["names"] = ["one", "two"]
    content = bytearray((tmp_path / "a.h5").read_bytes())
    heap = content.index(b"GCOL")
    content[heap + 16 : heap + 32] = bytes(16)
    (tmp_path / "a.h5").write_bytes(content)
    _, rejections = sorted_out(tmp_path)
    assert "heap of texts is broken" in rejections["a.h5"].reason
    assert rejections["a.h5"].place == f"byte {heap + 16}: free space of 0 bytes does not end with its heap"


def test_compressed_matlab_bomb_is_refused_by_its_claim(tmp_path: Path) -> None:
    """The claimed dimensions are looked at before anything is unpacked."""
    name = struct.pack("<2I", 1, 1) + b"v" + bytes(7)
    side = 2**30
    inner = (struct.pack("<4I", 6, 8, 6, 0) + struct.pack("<2I2i", 5, 8, side, 1) + name
             + struct.pack("<2I", 9, 800) + bytes(800))  # fmt: skip
    packed = zlib.compress(struct.pack("<2I", 14, len(inner)) + inner)
    header = b"MATLAB 5.0 MAT-file" + b" " * 105 + b"\x00\x01IM"
    (tmp_path / "bomb.mat").write_bytes(header + struct.pack("<2I", 15, len(packed)) + packed)
    _, rejections = sorted_out(tmp_path)
    assert "bytes of memory" in rejections["bomb.mat"].reason


@pytest.mark.parametrize("lines", ["capture,speed\na.csv,3\n", "capture,engine_speed_rpm\na.csv,fast\n", ""])
def test_broken_sidecar_stops_its_folder_only(lines: str, tmp_path: Path) -> None:
    for folder in ("heron", "otter"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "a.csv").write_text(GOOD)
    (tmp_path / "heron" / "captures.csv").write_text(lines)
    captures, rejections = sorted_out(tmp_path)
    assert captures == ["otter/a.csv"]
    assert "its sidecar cannot be used" in rejections["heron/a.csv"].reason
