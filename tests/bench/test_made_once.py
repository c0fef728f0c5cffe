"""A folder of the cache that several processes want at once."""

from __future__ import annotations

import pytest

from sigkit.bench.made_once import made_once


def test_what_is_there_stays(tmp_path):
    home = tmp_path / "cache" / "data"
    made_once(home, lambda folder: (folder / "first").touch())
    made_once(home, lambda folder: (folder / "second").touch())
    assert [one.name for one in home.iterdir()] == ["first"]


def test_the_quicker_process_wins(tmp_path):
    home = tmp_path / "data"

    def late(folder):
        (folder / "mine").touch()
        # Another process ends in the meantime.
        home.mkdir()
        (home / "theirs").touch()

    made_once(home, late)
    assert [one.name for one in home.iterdir()] == ["theirs"]
    assert list(tmp_path.iterdir()) == [home]


def test_a_failure_leaves_nothing(tmp_path):
    def fail(folder):
        (folder / "half").touch()
        raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match="stopped"):
        made_once(tmp_path / "data", fail)
    assert list(tmp_path.iterdir()) == []
