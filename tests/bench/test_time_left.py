"""The estimate of the time left: by the past, by the pace, by the workers."""

from __future__ import annotations

import math

import pytest

from sigkit.bench.time_left import TimeLeft


def test_what_is_kept_takes_no_time_and_workers_share_the_rest():
    left = TimeLeft([0.0, 30.0, 30.0, 60.0], workers=2)
    assert left.kept == 1
    assert left.seconds() == 60.0
    assert TimeLeft([40.0], workers=8).seconds() == 40.0


def test_the_pace_of_this_machine_scales_what_is_left():
    left = TimeLeft([10.0, 20.0, 30.0], workers=1)
    left.done(0, 5.0)
    assert left.seconds() == pytest.approx(25.0)
    left.done(1, 40.0)
    assert left.seconds() == pytest.approx(45.0)
    left.done(2, 45.0)
    assert left.words() == "nothing left"


def test_without_any_past_the_first_run_tells():
    left = TimeLeft([math.nan] * 3, workers=1)
    assert left.words() == "no past run tells how long"
    left.done(0, 50.0)
    assert left.words() == "about 2 min left"
