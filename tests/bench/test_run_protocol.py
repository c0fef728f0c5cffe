"""A whole run on a tiny protocol: result, repetition, predictions from elsewhere, a function."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from sigkit.bench.evaluate import evaluate, score_file
from sigkit.bench.prediction_table import read_predictions
from sigkit.bench.protocol import protocol_names, read_protocol
from sigkit.bench.run_protocol import competitors, run_paths, run_protocol
from sigkit.bench.task_scores import primary_statistic
from sigkit.errors import SettingsError
from sigkit.score.classification import macro_f1
from sigkit.types.firing_table import CONDITIONS


def truth_rows(dataset, split):
    return [row for row in dataset.truth(split).to_pylist() if row["on_record"] and not row["absent"]]


def write(path, rows):
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_every_shipped_protocol_can_be_read_and_has_competitors():
    assert {"firing_detection", "burn_time", "condition"} <= set(protocol_names())
    for name in protocol_names():
        assert any(one.origin == "built-in" and not one.problem for one in competitors(read_protocol(name)))


def test_shipped_protocols_share_one_data_set():
    # Roles have engines of their own: of the others, too few have shared coils.
    assert len({read_protocol(name).data_hash for name in protocol_names() if name != "role"}) == 1


def test_a_run_repeats_bit_for_bit(tiny, tmp_path):
    protocol, dataset = tiny("burn_time")
    results = []
    for folder in ("a", "b"):
        runs = tmp_path / folder
        runs.mkdir()
        result = run_protocol(protocol, "instant_networks", dataset, runs)
        results.append(
            ({k: v for k, v in result.items() if k != "time"}, run_paths(runs, protocol, "instant_networks")[1])
        )
    assert results[0][0] == results[1][0]
    with np.load(results[0][1]) as first, np.load(results[1][1]) as second:
        for name in first.files:
            np.testing.assert_array_equal(first[name], second[name])
        value = primary_statistic("burn_time")(first["outcome_0_close"])
    assert value == results[0][0]["metrics"][results[0][0]["primary"]]["value"]
    assert results[0][0]["choice"]["split"] == "develop"


def test_true_values_in_a_spreadsheet_score_full_marks(tiny, tmp_path):
    protocol, dataset = tiny("burn_time")
    kept = ("capture", "channel", "burn_time_ms")
    rows = [{**{name: r[name] for name in kept}, "time_s": r["coil_off_s"]}
            for r in truth_rows(dataset, "test")]  # fmt: skip
    scored = score_file(write(tmp_path / "mine.csv", rows), protocol, dataset)
    assert scored.counted > 0
    assert scored.metrics[scored.primary]["value"] == 1.0
    assert scored.metrics["bias"]["value"] == pytest.approx(0.0, abs=1e-6)
    late = [{**row, "burn_time_ms": row["burn_time_ms"] + 0.03} for row in rows]
    worse = score_file(write(tmp_path / "late.csv", late), protocol, dataset)
    assert worse.metrics[worse.primary]["value"] == 0.0
    assert worse.metrics["within 50 µs"]["value"] == 1.0
    assert worse.metrics["bias"]["value"] == pytest.approx(30.0, abs=1e-3)


def test_half_of_the_firings_are_half_the_recall(tiny, tmp_path):
    protocol, dataset = tiny("firing_detection")
    rows = [{"capture": r["capture"], "channel": r["channel"], "time_s": r["coil_off_s"]}
            for r in truth_rows(dataset, "test") if r["kind"] == "secondary_voltage"]  # fmt: skip
    scored = score_file(write(tmp_path / "half.csv", rows[::2]), protocol, dataset)
    kept = len(rows[::2])
    assert scored.metrics["recall"]["value"] == pytest.approx(kept / len(rows))
    assert scored.metrics["precision"]["value"] == 1.0
    assert scored.metrics["F1"]["value"] == pytest.approx(2 * kept / (kept + len(rows)))


def test_a_function_of_a_notebook_is_scored(tiny):
    protocol, dataset = tiny("polarity")

    def upwards(capture):
        return {"channel": [c.name for c in capture.channels], "polarity": ["1"] * len(capture.channels)}

    scored = evaluate(upwards, protocol, dataset=dataset)
    signs = {(r["capture"], r["channel"]): r["polarity"] for r in truth_rows(dataset, "develop")
             if r["kind"] == "secondary_voltage"}  # fmt: skip
    assert scored.metrics[scored.primary]["value"] == pytest.approx(np.mean([s > 0 for s in signs.values()]))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("capture,channel,time_s\n", "'burn_time_ms' is missing"),
        ("capture,channel,time_s,burn_time_ms,colour\n", "unknown column 'colour'"),
        ("capture,channel,time_s,burn_time_ms\n{c},lead_1,0.1,1,4\n", "line 2: not as many cells"),
        (
            "capture,channel,time_s,burn_time_ms\n{c},lead_1,0.1,long\n",
            "line 2, column burn_time_ms: 'long' is no number",
        ),
        ("capture,channel,time_s,burn_time_ms\n{c},lead_1,,1\n", "line 2, column time_s: a time is needed"),
        ("capture,channel,time_s,burn_time_ms\nother.npz,lead_1,0.1,1\n", "line 2, column capture: 'other.npz'"),
        ("capture,channel,time_s,burn_time_ms\n{c},lead_1,0.1,inf\n", "is infinite"),
    ],
)
def test_a_wrong_table_is_refused_with_its_place(tiny, tmp_path, text, words):
    protocol, dataset = tiny("burn_time")
    names = set(dataset.capture_names("test"))
    path = tmp_path / "wrong.csv"
    path.write_text(text.format(c=sorted(names)[0]), encoding="utf-8")
    with pytest.raises(SettingsError, match=r"wrong\.csv") as caught:
        read_predictions(path, protocol, names)
    assert words in str(caught.value)


def test_macro_f1_of_codes_equals_the_scorers_own():
    rng = np.random.default_rng(4)
    true, answer = rng.integers(0, len(CONDITIONS), (2, 300))
    names = np.array(CONDITIONS)
    expected = macro_f1(names[true], names[answer], list(CONDITIONS))
    assert primary_statistic("condition")(true.astype(float), answer.astype(float)) == pytest.approx(expected)


def test_area_under_the_curve_equals_scikit_learns():
    from sklearn.metrics import roc_auc_score

    rng = np.random.default_rng(5)
    faulty, score = (rng.random(200) < 0.3).astype(float), np.round(rng.normal(size=200), 1)
    assert primary_statistic("screening_rank")(faulty, score) == pytest.approx(roc_auc_score(faulty, score))
