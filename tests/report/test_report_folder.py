"""The output folder appears whole or not at all, and nothing foreign is ever replaced."""

import json

import pytest

from sigkit.errors import SettingsError
from sigkit.report.report_folder import report_folder


def write_run(folder, note):
    (folder / "run.json").write_text(json.dumps({"program": "sigkit screen"}))
    (folder / "report.html").write_text(note)


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_an_error_leaves_nothing(tmp_path):
    def half_way():
        with report_folder(tmp_path / "report") as folder:
            write_run(folder, "half")
            raise RuntimeError("half way")

    with pytest.raises(RuntimeError, match="half way"):
        half_way()
    assert names(tmp_path) == []


def test_an_interruption_keeps_the_earlier_output(tmp_path):
    with report_folder(tmp_path / "report") as folder:
        write_run(folder, "first")

    def interrupted():
        with report_folder(tmp_path / "report", overwrite=True) as folder:
            write_run(folder, "second")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert (tmp_path / "report" / "report.html").read_text() == "first"
    assert names(tmp_path) == ["report"]


def test_an_earlier_output_is_replaced_only_on_demand(tmp_path):
    with report_folder(tmp_path / "report") as folder:
        write_run(folder, "first")
    with pytest.raises(SettingsError, match="--overwrite"), report_folder(tmp_path / "report"):
        pass
    with report_folder(tmp_path / "report", overwrite=True) as folder:
        write_run(folder, "second")
    assert (tmp_path / "report" / "report.html").read_text() == "second"
    assert names(tmp_path) == ["report"]


def test_overwrite_never_touches_what_is_not_ours(tmp_path):
    photos = tmp_path / "photos"
    photos.mkdir()
    (photos / "ferry.jpg").write_text("picture")
    with (
        pytest.raises(SettingsError, match="not the output of an earlier run"),
        report_folder(photos, overwrite=True),
    ):
        pass
    with report_folder(tmp_path / "report") as folder:
        write_run(folder, "first")
    (tmp_path / "report" / "my-notes.txt").write_text("keep")
    with (
        pytest.raises(SettingsError, match=r"my-notes\.txt"),
        report_folder(tmp_path / "report", overwrite=True),
    ):
        pass
    assert (photos / "ferry.jpg").read_text() == "picture"
    assert (tmp_path / "report" / "my-notes.txt").read_text() == "keep"


def test_an_empty_folder_and_missing_parents_are_fine(tmp_path):
    (tmp_path / "empty").mkdir()
    for out in (tmp_path / "empty", tmp_path / "deep" / "er"):
        with report_folder(out) as folder:
            write_run(folder, "x")
        assert names(out) == ["report.html", "run.json"]


def test_a_file_in_the_way_is_an_error(tmp_path):
    (tmp_path / "report").write_text("a file")
    with pytest.raises(SettingsError, match="exists already"), report_folder(tmp_path / "report"):
        pass
    with (
        pytest.raises(SettingsError, match="not the output"),
        report_folder(tmp_path / "report", overwrite=True),
    ):
        pass
