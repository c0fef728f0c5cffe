"""The first table: lines done by hand from rows, and a small run end to end with the simulator's truth."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"
PROTOCOL = {
    "level": 0.95, "resamples": 50, "role": {"fewest_firings": 2}, "ring": {"fewest_cycles": 3},
    "burn_time": {"timed_from_Hz": 200000, "within_ms": 0.05, "gross_ms": 0.1},
}  # fmt: skip
STRATA = {"least_coverage": 0.9, "fewest_engines": 5, "resamples": 5000, "level": 0.05}


@pytest.fixture(autouse=True)
def _scripts_on_the_path(monkeypatch):
    monkeypatch.syspath_prepend(str(BENCHMARKS))
    yield
    for name in ("first_table", "first_table_rows", "first_table_lines", "first_table_strata", "study_files"):
        sys.modules.pop(name, None)


def rows_of(**changes):
    """Return eight rows: two engines with three perfect answers and one spurious detection each."""
    n = 8
    spurious = np.arange(n) % 4 == 3
    rows = {
        "engine": np.repeat(["e1", "e2"], 4), "capture": np.repeat(["c1", "c2"], 4), "channel": np.full(n, "lead_1"),
        "kind": np.full(n, "secondary_voltage"), "lead": np.full(n, "1"), "coil": np.full(n, "1"),
        "role": np.full(n, "power"), "polarity": np.full(n, -1), "ignition_type": np.full(n, "shared_coil"),
        "recording": np.full(n, ""), "sparked": np.full(n, "yes"), "on_record": ~spurious,
        "cut": np.zeros(n, bool), "clipped": np.zeros(n, bool), "measurable": ~spurious, "soft_end": np.zeros(n, bool),
        "condition": np.full(n, "normal"), "sample_rate_Hz": np.repeat([100e3, 1e6], 4), "bits": np.full(n, 8),
        "burn_time_ms": np.full(n, 1.5), "spurious": spurious, "detected": ~spurious,
        "answer_polarity": np.full(n, -1), "answer_role": np.full(n, "power"), "answer_sparked": np.full(n, "yes"),
        "answer_condition": np.full(n, "normal"), "answer_condition_set": np.full(n, "normal|wide_gap"),
        "answer_probability": np.full(n, 0.9),
    }  # fmt: skip
    for name in ("coil_off", "breakdown", "burn_end", "burn_time"):
        rows[f"{name}_error_s"] = np.where(spurious, np.nan, 1e-6)
        rows[f"{name}_inside"] = ~spurious
    rows["burn_time_half_width_s"] = np.where(spurious, np.nan, 2e-6)
    rows["burn_voltage_asked"], rows["burn_voltage_error"] = ~spurious, np.where(spurious, np.nan, -0.02)
    rows["burn_voltage_inside"], rows["pickup_time_constant_s"] = ~spurious, np.repeat([np.inf, 0.02], 4)
    for name, error in (("burn_slope", 0.2), ("ring_frequency", 0.001), ("ring_damping_ratio", -0.05)):
        rows[f"{name}_asked"], rows[f"{name}_error"] = ~spurious, np.where(spurious, np.nan, error)
        rows[f"{name}_inside"] = ~spurious
    rows["ring_cycles"] = np.where(spurious, np.nan, 5.0)
    return rows | changes


def lines_of(rows):
    from first_table_lines import make_lines

    return {(one.part, one.quantity): one for one in make_lines(rows, PROTOCOL, np.random.default_rng(0))}


def test_lines_by_hand():
    lines = lines_of(rows_of())
    recall = lines["all", "detection recall, secondary channels"]
    assert (recall.value, recall.counted, recall.answered_share, recall.engines) == (1.0, 6, 1.0, 2)
    assert lines["all", "detection precision, all channels but coil current"].value == 0.75
    assert lines["all", "burn time from 200 kS/s: bias"].value == pytest.approx(1.0)
    assert lines["all", "burn time below 200 kS/s: bias"].value == pytest.approx(0.1)  # 1 µs is 0.1 samples
    assert lines["all", "condition: macro-F1 of the best guess"].value == 1.0
    assert lines["all", "condition: mean size of the set"].value == 2.0
    assert lines["100 kS/s", "polarity right, by secondary lead"].counted == 1
    assert ("normal", "detection precision, all channels but coil current") not in lines


def test_an_unanswered_measurable_firing_is_a_failure():
    error = rows_of()["burn_time_error_s"].copy()
    error[0] = np.nan
    sparked = np.full(8, "yes", dtype="U7")
    sparked[0] = "unknown"
    lines = lines_of(rows_of(burn_time_error_s=error, answer_sparked=sparked))
    within = lines["all", "burn time answered within 0.05 ms"]
    assert within.value == within.answered_share == pytest.approx(5 / 6)
    spark = lines["all", "spark state right"]
    assert spark.value == spark.answered_share == pytest.approx(5 / 6)


def test_a_lead_without_detections_or_with_one_wrong_sign_fails_polarity():
    detected = rows_of()["detected"].copy()
    detected[:3] = False
    assert lines_of(rows_of(detected=detected))["all", "polarity right, by secondary lead"].value == 0.5
    wrong = np.full(8, -1)
    wrong[5] = 1
    assert lines_of(rows_of(answer_polarity=wrong))["all", "polarity right, by secondary lead"].value == 0.5


def test_a_missed_firing_is_a_missed_condition():
    from first_table_lines import confusion_of_best

    detected, judged = rows_of()["detected"].copy(), np.full(8, "normal|wide_gap")
    detected[0], judged[0] = False, ""
    rows = rows_of(detected=detected, answer_condition_set=judged)
    assert lines_of(rows)["all", "condition: macro-F1 of the best guess"].value == pytest.approx(10 / 11)
    table = np.array(confusion_of_best(rows))
    assert table.sum() == 6
    assert table[0, 0] == 5
    assert table[0, -1] == 1


def test_scored_rows_are_the_truth_and_do_not_depend_on_the_company():
    from first_table_rows import score_engines

    from sigkit.simulate.simulated_capture import simulate_captures
    from sigkit.simulate.study_recipe import StudyRecipe

    entries = {
        "engines": 2, "cylinders": (2,), "firings_per_lead": 4, "sample_rates_Hz": (2e5,), "bits": (12,),
        "recordings": ("continuous",), "channel_sets": ("secondary",), "cut_share": 0.0,
    }  # fmt: skip
    rows = score_engines((entries, 1e-3, 5, 0))
    made = simulate_captures(StudyRecipe(**entries, name="task0"), np.random.SeedSequence([5, 0]))
    real = ~rows["spurious"]
    assert real.sum() == sum(int((~one.truth["absent"]).sum()) for one in made)
    np.testing.assert_allclose(
        rows["burn_time_ms"][real],
        np.concatenate([one.truth["burn_time_ms"][~one.truth["absent"]] for one in made]),
    )
    assert all(column.dtype.kind != "O" for column in rows.values())
    again = score_engines((entries, 1e-3, 5, 0))
    for name, column in rows.items():
        np.testing.assert_array_equal(column, again[name])
    # Without any tolerance next to nothing is found: the scorer does look at the positions.
    # (At this rate; below it the instants are right to the sample.)
    fast = entries | {"sample_rates_Hz": (5e6,)}
    strict, usual = (score_engines((fast, tolerance_s, 5, 0)) for tolerance_s in (0.0, 1e-3))
    assert strict["detected"].sum() < usual["detected"].sum()
    assert strict["spurious"].sum() > rows["spurious"].sum()


def test_a_stopped_run_goes_on_and_more_workers_change_nothing(tmp_path, monkeypatch):
    import first_table

    def fake(task):
        number = task[3]
        return {name: np.resize(column, 8) for name, column in rows_of(bits=np.full(8, number)).items()}

    monkeypatch.setattr(first_table, "score_engines", fake)
    monkeypatch.setattr(first_table, "FIRINGS_A_TASK", 6)
    protocol = {"engines_a_task": 2, "recipe": {"bits": [8]}, "matching": {"tolerance_ms": 1.0}}
    about = {"seed": 1, "model_hash": "", "uncommitted_changes": False}
    whole = first_table.collect(protocol, about, 20, 1, None)
    assert first_table.asked(whole) == 24  # four tasks of six, the first number not below 20
    first_table.collect(protocol, about, 10, 1, tmp_path)
    monkeypatch.setattr(first_table, "score_engines", lambda task: fake(task) if task[3] > 1 else 1 / 0)
    rest = first_table.collect(protocol, about, 20, 1, tmp_path)
    for name, column in whole.items():
        np.testing.assert_array_equal(rest[name], column)


def test_a_failing_task_stops_the_study(monkeypatch):
    import first_table

    monkeypatch.setattr(first_table, "score_engines", lambda task: 1 / 0)
    about = {"seed": 1, "model_hash": "", "uncommitted_changes": False}
    protocol = {"engines_a_task": 2, "recipe": {}, "matching": {"tolerance_ms": 1.0}}
    with pytest.raises(SystemExit, match="task 0: ZeroDivisionError"):
        first_table.collect(protocol, about, 20, 1, None)


def test_markdown_and_json_say_when_it_is_only_a_look():
    import first_table
    from first_table_lines import make_lines

    lines = make_lines(rows_of(), PROTOCOL, np.random.default_rng(0))
    about = {
        "complete": False, "uncommitted_changes": True, "firings": 6, "engines": 2, "seed": 1, "sigkit_tree": "git:1",
        "protocol": "p.toml", "model": "none",
    }  # fmt: skip
    result = {"about": about, "confusion_of_best_guess": [], "strata": [], "strata_settings": STRATA}
    text = first_table.as_markdown(result, lines)
    assert "A look, not a result" in text
    assert "not committed" in text
    rows = [row for row in text.splitlines() if row.startswith("|") and not row.startswith("|---")]
    assert {row.count("|") for row in rows} == {8}


def test_what_intervals_say_by_hand():
    rows = rows_of()
    rows["burn_time_error_s"] = np.array([1e-6, 5e-6, 300e-6, np.nan, 2e-6, 3e-6, 150e-6, np.nan])
    rows["burn_time_half_width_s"] = np.array([2e-6, 4e-6, 20e-6, np.nan, 1e-6, 3e-6, 100e-6, np.nan])
    lines = lines_of(rows)
    unaware = lines["all", "burn time wrong by more than 0.1 ms with a half-width below half of that, of answered"]
    assert unaware.value == pytest.approx(1 / 6)  # 300 µs with 20 µs; 150 µs with 100 µs knows
    assert lines["all", "burn time: median half-width of the 95 % interval"].value == pytest.approx(3.5)
    # Ranks of errors 1 4 6 2 3 5, of half-widths 2 4 5 1 3 6: sum of squared differences 4, rho = 1 - 6 * 4 / 210.
    rank = lines["all", "burn time: rank correlation of half-width and absolute error (Spearman)"]
    assert rank.value == pytest.approx(1 - 24 / 210)
    voltage = lines["all", "burn voltage, not clipped: 95 % quantile of the absolute relative error"]
    assert (voltage.value, voltage.counted) == (pytest.approx(0.02), 6)
    flat = "burn voltage, not clipped, pickups that pass zero frequency: median of the absolute relative error"
    assert lines["all", flat].counted == 3  # the first engine's
    rows["burn_voltage_inside"] = rows["burn_voltage_inside"] & (np.arange(8) != 1)
    covered = lines_of(rows)["all", "95 % interval of burn voltage covers the truth, of answered"]
    assert (covered.value, covered.counted) == (pytest.approx(5 / 6), 6)


def test_strata_whose_intervals_are_too_narrow_are_refused_and_others_are_not():
    from first_table_strata import coverage_by_stratum, strata_markdown

    rng = np.random.default_rng(3)
    engine = np.repeat([f"e{number}" for number in range(40)], 20)
    bits = np.repeat([8, 12], 400)
    rows = {
        "engine": engine, "spurious": np.zeros(800, bool), "kind": np.full(800, "secondary_voltage"),
        "measurable": np.ones(800, bool), "burn_time_error_s": np.zeros(800), "bits": bits,
        "sample_rate_Hz": np.where(np.arange(800) < 40, 20e3, 1e6), "condition": np.full(800, "normal"),
        "burn_time_inside": rng.random(800) < np.where(bits == 8, 0.7, 0.95),
    }  # fmt: skip
    [found] = coverage_by_stratum(rows, STRATA, rng, [("sample_rate_Hz", "bits")])
    assert (found["tested"], found["left_out"], found["refused"]) == (2, 1, 1)
    assert found["lowest"][0]["stratum"] == ["1000 kS/s", "8 bit"]
    assert found["lowest"][1]["p_corrected"] > 0.5
    assert "rate x bits**: 2 strata tested, 1 refused, 1 left out" in strata_markdown([found], STRATA)


@pytest.mark.parametrize(("content", "said"), [
    (None, "cannot be read"), (b"\xff\xfe", "UTF-8"), (b"a = [", "TOML"), (b'name = "rivals"', "expected name"),
])  # fmt: skip
def test_a_protocol_that_is_none_is_named_with_what_is_wrong(content, said, tmp_path):
    from study_files import read_study

    path = tmp_path / "mine.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SystemExit, match=said) as raised:
        read_study(path, "first_table")
    assert str(path) in str(raised.value)


def test_lines_of_slope_and_ring_by_hand():
    lines = lines_of(rows_of(ring_cycles=np.array([5.0, 5.0, 2.0, np.nan] * 2)))
    slope = lines["all", "burn slope, not clipped: median of the absolute relative error"]
    assert (slope.value, slope.counted, slope.answered_share) == (0.2, 6, 1.0)
    # Of six rings four show enough cycles.
    words = "ring frequency, rings that show 3 cycles or more: 95 % quantile of the absolute relative error"
    ring = lines["all", words]
    assert (ring.value, ring.counted) == (pytest.approx(0.001), 4)
    assert lines["all", "95 % interval of ring damping ratio covers the truth, of answered"].value == 1.0
    inside = np.array([True, False, False, False] * 2)
    lines = lines_of(rows_of(burn_slope_inside=inside))
    assert lines["all", "95 % interval of burn slope covers the truth, of answered"].value == pytest.approx(1 / 3)
