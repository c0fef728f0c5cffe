"""Sweeps, learning curve and transfer: what their tables are made of, done by hand or with the general tools."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from sigkit.errors import PluginError
from sigkit.simulate.study_recipe import StudyRecipe

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"
SCRIPTS = ("robustness", "learning_curve", "transfer", "ngspice_dataset", "ngspice_firings", "ngspice_circuits",
           "first_table", "first_table_rows", "first_table_lines")  # fmt: skip


@pytest.fixture(autouse=True)
def _scripts_on_the_path(monkeypatch):
    monkeypatch.syspath_prepend(str(BENCHMARKS))
    yield
    for name in SCRIPTS:
        sys.modules.pop(name, None)


def test_every_point_of_the_sweeps_is_a_recipe_and_differs_from_its_neighbours():
    from robustness import WORDS, entries_of

    protocol = tomllib.loads((BENCHMARKS / "protocols" / "robustness.toml").read_text(encoding="utf-8"))
    common = {name: tuple(v) if isinstance(v, list) else v for name, v in protocol["recipe"].items()}
    assert {"noise", "crosstalk", "bandwidth_Hz", "pickup_time_constant_s", "scale"} <= set(protocol["sweep"])
    for name, values in protocol["sweep"].items():
        assert name in WORDS
        recipes = [StudyRecipe(**{**common, **entries_of(name, value)}) for value in values]
        assert len(set(recipes)) == len(values)


def test_burn_voltage_lines_by_hand():
    from robustness import burn_voltage_lines

    n = 6
    rows = {
        "spurious": np.zeros(n, bool), "kind": np.full(n, "secondary_voltage"), "engine": np.repeat(["e1", "e2"], 3),
        "burn_voltage_asked": np.array([1, 1, 1, 1, 0, 0], bool),
        "burn_voltage_error": np.array([0.01, -0.03, np.nan, 0.019, 0.0, 0.0]),
        "burn_voltage_scaled": np.array([1, 0, 0, 0, 1, 1], bool),
    }  # fmt: skip
    lines = burn_voltage_lines(rows, {"level": 0.95, "resamples": 20}, np.random.default_rng(0))
    within, scaled = lines
    assert (within.value, within.answered_share, within.counted) == (0.5, 0.75, 4)  # unanswered is wrong
    assert scaled.value == 0.25


def test_picture_and_table_of_a_sweep_hold_infinity_and_words(tmp_path):
    from dataclasses import asdict

    from first_table_lines import Line
    from robustness import as_markdown, draw

    line = asdict(Line("all", "detection recall, secondary channels", 0.5, 0.6, 0.9, "share", 4, 1.0, 2))
    points = [{"property": "pickup_time_constant_s", "value": value, "lines": [line]} for value in (0.01, "inf")]
    points += [{"property": "scale", "value": {"said": "nothing", "ratio_known_share": 0.0}, "lines": []}]
    draw(points, tmp_path / "picture.png")
    assert (tmp_path / "picture.png").stat().st_size > 10_000
    about = {"engines_a_value": 1, "seed": 1, "sigkit_tree": "git:1", "complete": False, "uncommitted_changes": False}
    text = as_markdown(about, points)
    assert "| inf | 0.5 (0.6 to 0.9) |" in text
    assert "| nothing | – |" in text
    assert "A look, not a result" in text



def test_smaller_train_splits_lie_within_greater_ones_and_test_stays():
    import dataclasses

    from learning_curve import with_fewer

    from sigkit.corpus.dataset import Dataset

    splits = {f"e{number}": "train" for number in range(12)} | {"d": "develop", "t": "test"}
    whole = Dataset(Path("nowhere"), "nowhere", None, splits, {})

    def kept(size, draw):
        found = with_fewer(whole, size, draw, 7).splits
        assert found["d"] == "develop"
        assert found["t"] == "test"
        return {engine for engine, split in found.items() if split == "train"}

    assert [len(kept(size, 0)) for size in (1, 5, 12)] == [1, 5, 12]
    assert kept(3, 0) < kept(6, 0) < kept(9, 0)
    assert kept(6, 0) != kept(6, 1)
    assert kept(6, 0) == kept(6, 0)
    assert dataclasses.asdict(whole)["splits"] == splits
    with pytest.raises(SystemExit, match="13 engines to learn from"):
        with_fewer(whole, 13, 0, 7)


def test_a_run_that_fails_to_learn_is_a_line_and_not_the_end(tmp_path, monkeypatch):
    import learning_curve

    from sigkit.bench.protocol import read_protocol

    def fail(*_):
        raise PluginError("needs firings of three engines at least, got 2")

    monkeypatch.setattr(learning_curve, "choose_setting", fail)
    monkeypatch.setattr(learning_curve.Dataset, "open", lambda *_, **__: _empty())
    row = learning_curve.run_one((read_protocol("condition"), tmp_path, "condition_learner", 2, 0, 1))
    assert "got 2" in row["problem"]
    about = {"complete": True, "uncommitted_changes": False, "bench_protocol": "condition", "test_engines": 1,
             "seed": 1, "sigkit_tree": "git:1", "left_out": {}}  # fmt: skip
    assert "got 2" in learning_curve.as_markdown(about, [row])


def _empty():
    from sigkit.corpus.dataset import Dataset

    return Dataset(Path("nowhere"), "nowhere", None, {"a": "train", "b": "train", "t": "test"}, {})


def test_who_learns_is_who_has_fit_and_comes_untrained():
    from learning_curve import learns

    from sigkit.bench.protocol import read_protocol

    protocol = read_protocol("condition")
    assert learns(protocol, "condition_learner")
    assert not learns(protocol, "condition_pipeline")


def _recorded():
    from ngspice_circuits import draw_coil
    from ngspice_firings import Recorded

    from sigkit.simulate.instrument import Instrument
    from sigkit.types.capture import Capture
    from sigkit.types.channel import Channel

    record = np.round(100 * np.sin(np.arange(4000) / 7.0)).astype(np.int16)
    channel = Channel("lead_1", record, 1e5, unit="V", kind="secondary_voltage", lead="1", cylinder="1", coil="1")
    capture = Capture("solved-000", (channel,), engine="solved-000", ignition_type="coil_on_plug")
    coil = draw_coil("rotor_gap", np.random.default_rng(1))
    off = np.array([0.01, 0.02, 0.03])
    begin, end = np.array([0.0101, 0.0201, np.nan]), np.array([0.0111, 0.02013, np.nan])
    return Recorded(capture, "rotor_gap", coil, Instrument(1e5, 12, 5e4), -1e-3, off, begin, end,
                    np.array([1.0, 0.9, np.nan]), np.array([True, False, False]), np.zeros(3, np.int64),
                    end)  # fmt: skip


def test_truth_of_solved_firings_is_what_the_solution_says():
    from ngspice_dataset import truth_of

    from sigkit.simulate.truth_table import TRUTH_COLUMNS

    truth = truth_of(_recorded())
    assert tuple(truth) == TRUTH_COLUMNS
    assert truth["sparked"].tolist() == ["yes", "flash", "no"]
    assert truth["polarity"].tolist() == [1, 1, 1]  # swings down, recorded upside down
    assert truth["burn_time_ms"] == pytest.approx([1.0, 0.03, np.nan], nan_ok=True)
    assert truth["burn_voltage_V"] == pytest.approx([1.0, 0.9, np.nan], nan_ok=True)
    assert truth["on_record"].all()


def test_solved_firings_make_a_data_set_that_the_bench_scores(tmp_path, monkeypatch):
    import ngspice_dataset

    from sigkit.bench.protocol import Protocol
    from sigkit.bench.sealed_labels import SealedLabels, write_choice
    from sigkit.bench.task_scores import score_task

    monkeypatch.setattr(ngspice_dataset, "_one", lambda task: _recorded())
    made = ngspice_dataset.make_dataset(tmp_path / "solved", {}, 1, 0, 1)
    assert made.splits == {"solved-000": "test"}
    write_choice(tmp_path / "choice.json", "nobody", [], {}, "none")
    truth = SealedLabels(made, "nobody", tmp_path / "choice.json").truth("test")
    said = {
        "capture": np.full(2, "solved-000.npz", object), "channel": np.full(2, "lead_1", object),
        "time_s": np.array([0.01, 0.02]), "burn_time_ms": np.array([1.01, 5.0]),
    }  # fmt: skip
    scored = score_task(Protocol("p", "burn_time", "p", 1e-3, {}), truth, said, 1)
    assert scored.counted == 1
    assert scored.metrics["within 25 µs"]["value"] == 1.0
    assert scored.metrics["median error"]["value"] == pytest.approx(10.0)
    with pytest.raises(SystemExit, match="exists"):
        ngspice_dataset.make_dataset(tmp_path / "solved", {}, 1, 0, 1)


def test_burn_level_is_the_median_of_the_middle_of_the_burn():
    from ngspice_firings import burn_level

    time_s = np.linspace(-1e-4, 2e-3, 2101)
    tower = np.where(time_s < 0, 14.0, 14.0 - 800.0 - 2e5 * time_s)
    tower[(time_s > 0) & (time_s < 2e-4)] -= 9e3  # outside the middle: of no weight
    # A straight line's median over the middle 40 % is its value halfway.
    assert burn_level(time_s, tower, 1e-4, 1.1e-3) == pytest.approx(-800.0 - 2e5 * 0.6e-3, rel=1e-6)
    assert np.isnan(burn_level(time_s, tower, np.nan, np.nan))


def test_difference_is_ours_less_the_rivals_on_the_same_engines():
    from transfer import add_differences, ranked

    engine = np.repeat(["a", "b"], 4)
    rows = [{"protocol": "burn_time", "task": "burn_time", "algorithm": name, "origin": origin,
             "simulated": {}, "solved": {"primary": "m", "metrics": {"m": {"value": value}}}}
            for name, origin, value in (("rival", "baseline", 0.25), ("own", "built-in", 1.0))]  # fmt: skip
    own, theirs = np.ones(8), np.array([1, 1, 0, 0, 0, 0, 0, 0.0])
    outcomes = {("burn_time", "own"): {data: (engine, [own]) for data in ("simulated", "solved")},
                ("burn_time", "rival"): {"simulated": (engine[::-1], [theirs]),
                                         "solved": (engine, [theirs])}}  # fmt: skip
    add_differences(rows, outcomes, 1)
    assert rows[0]["solved"]["ours_ahead"]["value"] == 0.75
    assert "ours_ahead" not in rows[0]["simulated"]  # other firings: not compared
    assert "ours_ahead" not in rows[1]["solved"]
    assert [row["algorithm"] for row in ranked(rows, "burn_time")] == ["own", "rival"]
