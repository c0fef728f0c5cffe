"""Agreement of readers on a data set, held against the closed forms and against scikit-learn."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score

from sigkit.corpus.dataset import Dataset
from sigkit.corpus.firing_examples import FiringExamples
from sigkit.corpus.import_readings import import_readings
from sigkit.corpus.label_journal import LabelJournal, new_entry_id
from sigkit.corpus.label_record import CaptureMark, FiringLabel
from sigkit.corpus.reader_agreement import gather_readings, reader_agreement
from sigkit.corpus.second_look import consensus_rows, rank_suspected, suspected_rows
from sigkit.corpus.write_agreement import write_agreement
from sigkit.errors import DatasetError


def pairs_of(opened, reader):
    """Return burn times of a reader by firing, one column a presentation."""
    found: dict = {}
    for one in opened.firing_labels(reader):
        found.setdefault((one.capture, one.channel, one.time_s), {})[one.presentation] = one.burn_ms
    return np.array([[found[key][0], found[key][1]] for key in sorted(found)])


def test_repeatability_and_bias_equal_their_closed_forms(ferry):
    opened = Dataset.open(ferry)
    found = reader_agreement(opened, gather_readings(opened))
    first, second = pairs_of(opened, "r01"), pairs_of(opened, "r02")
    # Of pairs, the variance within is the mean of half the squared differences (ISO 5725-2, two readings a cell).
    within = [np.mean(np.diff(one, axis=1) ** 2) / 2 for one in (first, second)]
    precision = found["timing"]["burn_time_ms"]["precision"]
    assert precision["by_reader"]["r01"]["value"] == pytest.approx(np.sqrt(within[0]))
    assert precision["by_reader"]["r02"]["value"] == pytest.approx(np.sqrt(within[1]))
    assert precision["repeatability"]["value"] == pytest.approx(np.sqrt(np.mean(within)))
    assert precision["reproducibility"]["value"] > precision["repeatability"]["value"]
    limits = found["timing"]["burn_time_ms"]["between"]["r01 - r02"]
    assert limits["bias"]["value"] == pytest.approx(np.mean(first.mean(axis=1) - second.mean(axis=1)))
    assert limits["pairs"] == 16
    assert limits["lower"]["value"] < limits["bias"]["value"] < limits["upper"]["value"]
    gauge = found["timing"]["burn_time_ms"]["gauge"]
    assert (gauge["items"], gauge["readers"], gauge["repeats"]) == (16, 2, 2)
    assert reader_agreement(opened, gather_readings(opened)) == found


def test_one_reader_shows_repeatability_only(ferry):
    opened = Dataset.open(ferry)
    found = reader_agreement(opened, gather_readings(opened, ["r01"]))
    precision = found["timing"]["burn_time_ms"]["precision"]
    assert precision["repeatability"]["value"] > 0
    assert precision["reproducibility"]["value"] is None
    assert found["timing"]["burn_time_ms"]["between"] == {}
    assert found["detection"] == {}
    assert "not_available" in found["timing"]["burn_time_ms"]["intraclass_correlation"]


def disagreeing(ferry, tmp_path):
    """Add a third reader who sees other conditions on every third firing, and one burn time 0.4 ms off."""
    rows = Dataset.open(ferry).firing_labels("r01")
    lines = ["file,channel,time_s,burn_time_ms,resolution_ms,condition"]
    seen = []
    for place, one in enumerate(row for row in rows if row.presentation == 0):
        condition = "fouled_plug" if place % 3 == 0 else one.condition
        seen.append((one.condition, condition))
        burn = one.burn_ms + (0.4 if place == 5 else 0.0)
        lines.append(f"{one.capture},{one.channel},{one.time_s},{burn:.2f},0.05,{condition}")
    path = tmp_path / "third.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    import_readings(Dataset.open(ferry), path, "r03")
    return seen


def test_kappa_equals_scikit_learns(ferry, tmp_path):
    seen = disagreeing(ferry, tmp_path)
    opened = Dataset.open(ferry)
    conditions = reader_agreement(opened, gather_readings(opened))["conditions"]["condition"]
    expected = cohen_kappa_score([one for one, _ in seen], [other for _, other in seen])
    assert conditions["cohen_kappa"]["r01 - r03"]["value"] == pytest.approx(expected)
    assert conditions["cohen_kappa"]["r01 - r02"]["value"] == pytest.approx(1.0)
    assert conditions["alpha"]["value"] < 1
    assert conditions["fleiss_kappa"]["value"] < 1


def test_consensus_puts_disputed_firings_first(ferry, tmp_path):
    disagreeing(ferry, tmp_path)
    rows = consensus_rows(gather_readings(Dataset.open(ferry)))
    assert len(rows) == 16
    assert "burn times differ" in rows[0]["reason"]
    assert rows[0]["burn_time_range_ms"] == max(row["burn_time_range_ms"] for row in rows)
    assert sum("conditions differ" in row["reason"] for row in rows) == 6
    last = [row["adjudicate"] for row in rows]
    assert last == sorted(last, reverse=True)


def test_detection_only_where_both_went_through_the_capture(ferry):
    name, rest = "e01/e01-001.npz", {"answer": "no_spark", "origin": "cursor"}
    for reader, times in (("r05", (0.02, 0.03, 0.05)), ("r06", (0.0203, 0.0302, 0.07))):
        journal = LabelJournal(ferry / "labels", reader)
        journal.append([FiringLabel(new_entry_id(), new_entry_id(), reader, name, "lead_1", time_s, **rest)
                        for time_s in times])  # fmt: skip
        journal.append([CaptureMark(new_entry_id(), new_entry_id(), reader, name, exhaustive=True)])
    opened = Dataset.open(ferry)
    found = reader_agreement(opened, gather_readings(opened, ["r01", "r05", "r06"]))["detection"]
    assert "exhaustively" in found["r01 - r05"]["not_scored"]
    assert (found["r05 - r06"]["pairs"], found["r05 - r06"]["captures"]) == (2, 1)
    assert found["r05 - r06"]["f1"]["value"] == pytest.approx(2 * 2 / 6)


def examples(flipped: list[int], engines: int = 6) -> FiringExamples:
    """Return drawn windows of two clear shapes on several engines, with some labels exchanged."""
    rng = np.random.default_rng(4)
    n = 20 * engines
    kind = np.arange(n) % 2
    grid = np.linspace(0, 1, 64)
    shapes = np.stack([np.exp(-8 * grid), np.exp(-2 * grid)])
    windows = (shapes[kind] + 0.05 * rng.normal(size=(n, 64))).astype(np.float32)
    windows *= np.where(rng.random(n) < 0.5, -1, 1)[:, None]
    condition = np.where(kind == 0, "normal", "wide_gap")
    condition[flipped] = np.where(kind[flipped] == 0, "wide_gap", "normal")
    word = np.array(["x"] * n)
    return FiringExamples(windows, 1 + rng.random(n), condition, np.array([f"e{row // 20}" for row in range(n)]), word,
                          word, word, word, np.arange(n) / 10, 1 + rng.random(n))  # fmt: skip


def test_exchanged_labels_are_ranked_first():
    flipped = [7, 44, 93]
    rows = rank_suspected(examples(flipped), "r01")
    assert sorted(round(10 * row["time_s"]) for row in rows[:3]) == flipped
    assert [row["suspected"] for row in rows[:3]] == ["yes"] * 3
    assert sum(row["suspected"] == "yes" for row in rows) == 3


def test_nothing_is_suspected_where_nothing_can_be(ferry):
    with pytest.raises(DatasetError, match="it can suspect nothing"):
        suspected_rows(Dataset.open(ferry), "r01")
    with pytest.raises(DatasetError, match="fewer than two engines"):
        rank_suspected(examples([], engines=1), "r01")


def test_report_and_queues_are_written_once(ferry, tmp_path):
    opened = Dataset.open(ferry)
    out = tmp_path / "agreement"
    lines = write_agreement(opened, out)
    text = (out / "agreement.md").read_text(encoding="utf-8")
    assert "| r01 | imported |" in text
    assert "no capture is marked exhaustively" in text
    told = json.loads((out / "agreement.json").read_text(encoding="utf-8"))
    assert told["dataset_hash"] == opened.dataset_hash
    with open(out / "adjudicate.csv", encoding="utf-8", newline="") as stream:
        queue = list(csv.DictReader(stream))
    assert len(queue) == told["second_look"]["to_adjudicate"] > 0
    assert any(str(len(queue)) in line for line in lines)
    with pytest.raises(DatasetError, match="is there already"):
        write_agreement(opened, out)
    for reader in opened.readers:
        (ferry / "labels" / f"{reader}.jsonl").unlink()
    bare = Dataset.open(ferry)
    with pytest.raises(DatasetError, match="no labels of a person"):
        gather_readings(bare)


def test_adjudication_queue_opens_in_the_labelling_app(ferry, tmp_path):
    from sigkit.label.label_session import LabelSession, LabelSettings

    disagreeing(ferry, tmp_path)
    opened = Dataset.open(ferry)
    write_agreement(opened, tmp_path / "agreement")
    queue = tmp_path / "agreement" / "adjudicate.csv"
    session = LabelSession(ferry, LabelSettings("r07", "firing", proposals=(queue,)))
    with open(queue, encoding="utf-8", newline="") as stream:
        wanted = {(row["capture"], row["channel"]) for row in csv.DictReader(stream)}
    assert wanted <= {(task.capture, task.channel) for task in session.tasks}
