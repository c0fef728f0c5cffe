"""What is listed of folders, lists, zips and addresses."""

from __future__ import annotations

import os
import shutil
import zipfile
from pathlib import Path

import pytest

from sigkit.capture.list_sources import list_sources
from sigkit.errors import CaptureError

CSV = "time (ms),U (V)\n0,1\n1,2\n2,1\n"


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Two engines, a zip, and everything that is no capture."""
    root = tmp_path / "ferries"
    for name in ("heron/b.csv", "heron/a.csv", "otter/deep/c.csv", "d.csv"):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(CSV)
    for name in ("captures.csv", "heron/.hidden.csv", ".git/x.csv", "heron/boat.profile.toml", "README.md"):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text("capture\nd.csv\n" if name == "captures.csv" else "x")
    with zipfile.ZipFile(root / "z.zip", "w") as packed:
        packed.writestr("in/e.csv", CSV)
        packed.writestr("in/captures.csv", "capture\ne.csv\n")
        packed.writestr("__MACOSX/in/._e.csv", "x")
    return root


NAMES = ["d.csv", "heron/a.csv", "heron/b.csv", "otter/deep/c.csv", "z.zip!in/e.csv"]


def names(*what: Path | str) -> list[str]:
    return [one.name for one in list_sources([str(one) for one in what]).sources]


def test_a_folder_is_walked_and_sorted(archive: Path) -> None:
    listing = list_sources([str(archive)])
    assert [one.name for one in listing.sources] == NAMES
    assert listing.rejections == ()
    assert [one.name for one in listing.sidecars] == ["captures.csv", "z.zip!in/captures.csv"]
    assert listing.profile_folders == (str(archive / "heron"),)
    assert [one.folder for one in listing.sources] == ["", "heron", "heron", "otter/deep", "z.zip!in"]
    assert listing.sources[0].size_bytes == len(CSV)


def test_the_order_given_changes_nothing(archive: Path) -> None:
    parts = [archive / "otter", archive / "z.zip", archive / "heron", archive / "d.csv"]
    assert names(*parts) == names(*reversed(parts)) == NAMES


def test_what_is_given_twice_counts_once(archive: Path) -> None:
    assert names(archive, archive / "heron" / "a.csv", f"{archive}/./heron") == NAMES


def test_two_folders_keep_their_files_apart(archive: Path) -> None:
    (archive / "otter" / "a.csv").write_text(CSV)
    assert names(archive / "heron", archive / "otter") == ["heron/a.csv", "heron/b.csv", "otter/a.csv",
                                                           "otter/deep/c.csv"]  # fmt: skip


def test_a_list_file(archive: Path, tmp_path: Path) -> None:
    listed = tmp_path / "list.txt"
    listed.write_text(f"# to screen\n\nferries/heron\n{archive / 'd.csv'}\n", encoding="utf-8-sig")
    assert names(f"@{listed}") == ["d.csv", "heron/a.csv", "heron/b.csv"]
    listed.write_text("ferries/heron\nferries/missing.csv\n")
    with pytest.raises(CaptureError, match=r"missing.csv.*does not exist") as caught:
        names(f"@{listed}")
    assert caught.value.place == "line 2"


@pytest.mark.parametrize("what", ["no-such-folder", "@no-such-list.txt"])
def test_what_does_not_exist_is_an_error(what: str) -> None:
    with pytest.raises(CaptureError, match="there is no such"):
        list_sources([what])


def test_results_of_an_earlier_screening_are_no_captures(archive: Path) -> None:
    for name in ("run.json", "firings.parquet", "rejected.csv", "firings.csv"):
        (archive / "report" / name).parent.mkdir(exist_ok=True)
        (archive / "report" / name).write_text("x")
    assert names(archive) == NAMES


def test_a_zip_is_known_by_its_content(archive: Path) -> None:
    shutil.move(archive / "z.zip", archive / "z.dat")
    (archive / "q.zip").write_text(CSV)
    assert names(archive) == [*NAMES[:4], "q.zip", "z.dat!in/e.csv"]


@pytest.mark.skipif(os.name == "nt", reason="needs symbolic links")
def test_dangling_link_is_listed_not_fatal(archive: Path) -> None:
    (archive / "gone.csv").symlink_to(archive / "nowhere.csv")
    assert "gone.csv" in names(archive)


def test_a_file_address_is_a_path(archive: Path) -> None:
    assert names(f"file://{archive}") == NAMES
    assert list_sources([f"file://{archive}"]).sources[0].path == str(archive / "d.csv")


def test_address_of_another_file_system() -> None:
    import fsspec

    system = fsspec.filesystem("memory")
    system.pipe({"/pier/heron/a.csv": CSV.encode(), "/pier/heron/captures.csv": b"capture\na.csv\n"})
    try:
        listing = list_sources(["memory://pier"])
        assert [one.name for one in listing.sources] == ["heron/a.csv"]
        assert [one.name for one in listing.sidecars] == ["heron/captures.csv"]
        assert names("memory://pier/heron/*.csv") == ["a.csv"]
        assert names("memory://pier/heron/a.csv") == ["a.csv"]
        with pytest.raises(CaptureError, match="nothing is there"):
            list_sources(["memory://elsewhere"])
        with pytest.raises(CaptureError, match="cannot be reached"):
            list_sources(["nosuchscheme://x"])
    finally:
        system.rm("/pier", recursive=True)
