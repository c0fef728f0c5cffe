"""Tasks, presentation, queues and saving: what a reader is shown and what becomes of the answer."""

import json

import numpy as np
import pytest

from sigkit.corpus.label_journal import LabelConflict, LabelJournal
from sigkit.corpus.label_record import FiringLabel, LabelError
from sigkit.errors import SettingsError
from sigkit.label.capture_store import CaptureStore
from sigkit.label.firing_times import FiringTime
from sigkit.label.label_queues import disagreement
from sigkit.label.label_tasks import LEAST_GAP, firing_tasks

TIMES = [FiringTime("a.npz", "lead_1", 0.02 * k) for k in range(1, 401)]


def test_the_same_seed_gives_the_same_order_and_another_another():
    one, same, other = (firing_tasks(TIMES, "r01", seed, blind=True, repeat_share=0.2) for seed in (3, 3, 4))
    assert one == same
    assert [task.time_s for task in one] != [task.time_s for task in other]
    assert [task.time_s for task in one] != sorted(task.time_s for task in one)
    elsewhere = firing_tasks(TIMES, "r02", 3, blind=True, repeat_share=0.2)
    assert [task.time_s for task in one] != [task.time_s for task in elsewhere]


def test_repeats_are_flipped_or_shifted_and_come_much_later():
    tasks = firing_tasks(TIMES, "r01", 3, blind=True, repeat_share=1.0)
    first = {task.time_s: number for number, task in enumerate(tasks) if task.presentation == 0}
    repeats = [(number, task) for number, task in enumerate(tasks) if task.presentation == 1]
    assert len(repeats) == len(TIMES)
    assert all(task.flipped != (task.shifted_s != 0.0) for _, task in repeats)
    assert 0.3 < np.mean([task.flipped for _, task in repeats]) < 0.7
    assert all(number - first[task.time_s] > 0.2 * len(TIMES) for number, task in repeats)
    assert LEAST_GAP > 0.2


def test_the_place_in_the_window_tells_nothing_of_the_proposal():
    tasks = firing_tasks(TIMES, "r01", 3, blind=True, repeat_share=0.0)
    before_ms = np.array([1e3 * (task.time_s - task.begin_s) for task in tasks])
    assert before_ms.min() >= 4.0 - 1e-9
    assert before_ms.max() <= 6.0 + 1e-9
    assert before_ms.std() > 0.4


def test_a_further_proposal_moves_nothing_else():
    few = {task.token: task for task in firing_tasks(TIMES[:50], "r01", 3, blind=True, repeat_share=0.3)}
    many = {task.token: task for task in firing_tasks(TIMES, "r01", 3, blind=True, repeat_share=0.3)}
    assert all(many[token] == task for token, task in few.items())


def test_instants_come_back_on_the_capture_axis_whatever_the_window(new_session, answer_of):
    session = new_session(repeat_share=1.0)
    for task in session.tasks:
        told = session.item(task.token)
        start_ms = told["channels"][told["channel"]]["start_ms"]
        # A reader who places the true edges of the drawn firing: at time_s and 254 samples later.
        begin = task.time_s * 1e3 + start_ms
        session.save(answer_of(session, task.token, begin, begin + 254 / 200.0, polarity=1 if task.flipped else -1))
    labels = session.journal.firings()
    assert len(labels) == len(session.tasks) == 24
    for one in labels:
        assert one.burn_ms == pytest.approx(1.27, abs=1e-9)
        assert min(abs(one.breakdown_s - time.time_s) for time in session.times) < 1e-9
        assert one.polarity == -1
        assert one.blind
        assert one.resolution_s == pytest.approx(5e-6)
    assert {one.presentation for one in labels} == {0, 1}
    assert session.next_token("unlabelled", "tab") is None


def test_a_flipped_trace_is_the_same_upside_down(new_session):
    session = new_session(repeat_share=1.0)
    flipped = next(task for task in session.tasks if task.flipped)
    plain = next(task for task in session.tasks if task.presentation == 0 and task.time_s == flipped.time_s
                 and (task.capture, task.channel) == (flipped.capture, flipped.channel))  # fmt: skip
    number = session.item(plain.token)["channel"]
    for span, buckets in (((0.0, 12.0), 3000), ((-50.0, 60.0), 100)):
        up, *_ = session.trace(plain.token, number, *span, buckets)
        down, *_ = session.trace(flipped.token, number, *span, buckets)
        assert up.exact == down.exact
        if up.exact:
            np.testing.assert_array_equal(down.values, -up.values)
        else:
            np.testing.assert_array_equal(down.values.reshape(-1, 2)[:, 0], -up.values.reshape(-1, 2)[:, 1])


def test_blind_answers_carry_no_name_time_or_opinion(new_session, label_set):
    other = new_session("r02", blind=False)
    for task in other.tasks:
        other.journal.append([FiringLabel(
            f"e{task.token}", task.token, "r02", task.capture, task.channel, task.time_s, answer="no_spark",
            condition="lean_mixture")])  # fmt: skip
    (label_set / "truth.parquet").write_bytes(b"secret")
    session = new_session()
    said = json.dumps([session.describe(), *(session.item(task.token) for task in session.tasks)])
    for word in ("otter", "heron", "npz", "lead_1", "r02", "lean_mixture", "narrow_gap", "proposal", "others", "truth",
                 "set"):  # fmt: skip
        assert word not in said.replace("start_ms", "")
    seen = json.dumps([new_session("r03", blind=False).item(task.token)
                       for task in new_session("r03", blind=False).tasks])  # fmt: skip
    assert "harbour-otter-07.npz" in seen
    assert "lean_mixture" in seen
    assert "truth" not in seen


def test_queues(new_session, answer_of):
    first = new_session("r01", repeat_share=0.0)
    tokens = first.tokens("unlabelled")
    assert len(tokens) == 12
    assert first.tokens("model_uncertain") == tokens
    audit = first.tokens("random_audit")
    assert audit == new_session("r01", repeat_share=0.0).tokens("random_audit")
    assert len(audit) < 6
    assert first.tokens("disagreement") == []
    first.save(answer_of(first, tokens[0], 6.0, 7.0))
    first.save(answer_of(first, tokens[1], 6.0, 7.0))
    assert first.tokens("unlabelled") == tokens[2:]
    chosen = first.tasks[first._by_token[tokens[0]]]
    second = new_session("r02", repeat_share=0.0)
    same = next(task for task in second.tasks if task.firing == chosen.firing)
    shift_ms = (chosen.begin_s - same.begin_s) * 1e3
    second.save(answer_of(second, same.token, 6.0 + shift_ms, 7.2 + shift_ms))
    third = new_session("r03", repeat_share=0.0)
    asked = third.tokens("disagreement")
    assert len(asked) == 1
    assert third.tasks[third._by_token[asked[0]]].time_s == chosen.time_s
    # Blind, nobody is asked again what he has answered.
    assert second.tokens("disagreement") == []
    assert len(new_session("r02", repeat_share=0.0, blind=False).tokens("disagreement")) == 1
    with pytest.raises(LabelError, match="queue"):
        first.tokens("favourites")


def test_disagreement_of_kind_counts_most():
    made = {"reader": "r01", "capture": "a", "channel": "1", "time_s": 0.01}
    spark = FiringLabel("e1", "l1", intervals=((0.01, 0.011),), **made)
    none = FiringLabel("e2", "l2", answer="no_spark", **made)
    close = FiringLabel("e3", "l3", intervals=((0.01, 0.01104),), **made)
    assert disagreement([spark, none]) == float("inf")
    assert disagreement([spark, close]) == 0.0


def test_two_tabs_get_different_firings_and_no_one_overwrites(new_session, answer_of):
    session = new_session()
    one = session.next_token("unlabelled", "tab-1")
    other = session.next_token("unlabelled", "tab-2")
    assert one != other
    assert session.next_token("unlabelled", "tab-1") == one
    first, second = answer_of(session, one, 6.0, 7.0), answer_of(session, one, 6.0, 7.5)
    session.save(first)
    with pytest.raises(LabelConflict):
        session.save(second)
    assert session.item(one)["history"][-1]["intervals"][0][1] == pytest.approx(7.0)


def test_skipping_goes_on_and_comes_round(new_session):
    session = new_session(repeat_share=0.0)
    seen, token = [], ""
    for _ in range(len(session.tasks) + 1):
        token = session.next_token("unlabelled", "tab", token)
        seen.append(token)
    assert len(set(seen[:-1])) == len(session.tasks)
    assert seen[-1] == seen[0]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"intervals": [[6.0, 5.0]]}, "lies before"),
        ({"intervals": [[6.0, 1e9]]}, "outside the record"),
        ({"intervals": [[6.0, "7"]]}, "milliseconds"),
        ({"intervals": [[6.0, 10**400]]}, "milliseconds"),
        ({"intervals": 5}, "expected a list"),
        ({"intervals": [[float("inf"), 7.0]]}, "milliseconds"),
        ({"label": "somebody-elses"}, "not the one of this firing"),
        ({"answer": "perhaps"}, "answer"),
        ({"polarity": "up"}, "polarity"),
        ({"entry": "a b"}, "entry"),
        ({"intervals": [[6 + k / 100, 6 + k / 100] for k in range(65)]}, "at most 64"),
    ],
)
def test_what_cannot_be_a_label_is_not_saved(new_session, answer_of, change, told):
    session = new_session()
    with pytest.raises(LabelError, match=told):
        session.save(answer_of(session, session.tasks[0].token, **change))
    assert session.journal.entries() == []


def test_whole_captures_add_delete_and_mark(new_session):
    session = new_session(mode="whole_capture")
    assert len(session.tasks) == 2
    token = session.next_token("unlabelled", "tab")
    plain = {"answer": "measured", "coil_on": [], "coil_off": [], "polarity": -1, "based_on": ""}
    session.save({"item": token, "firings": [
        {**plain, "entry": "e1", "label": "l1", "channel": 0, "place": 10.0, "intervals": [[10.0, 11.3]]},
        {**plain, "entry": "e2", "label": "l2", "channel": 1, "place": 12.0, "answer": "no_spark", "intervals": []},
    ], "mark": {"entry": "m1", "exhaustive": True, "based_on": ""}})  # fmt: skip
    assert [one.queue for one in session.journal.firings()] == ["whole_capture"] * 2
    assert [one.time_s for one in session.journal.firings()] == pytest.approx([0.010, 0.012])
    assert session.journal.marks()[0].exhaustive
    assert session.tokens("unlabelled") == [task.token for task in session.tasks if task.token != token]
    told = session.item(token)
    assert len(told["firings"]) == 2
    assert told["mark"]["exhaustive"]
    gone = {**plain, "entry": "e3", "label": "l1", "channel": 0, "place": 10.0, "intervals": [], "deleted": True,
            "based_on": "e1"}  # fmt: skip
    session.save({"item": token, "firings": [gone]})
    assert [one["label"] for one in session.item(token)["firings"]] == ["l2"]
    with pytest.raises(LabelError, match="true or false"):
        session.save({"item": token, "firings": [], "mark": {"entry": "m2", "exhaustive": "yes", "based_on": "m1"}})


def test_what_the_command_is_given_is_checked(new_session, label_set, tmp_path):
    with pytest.raises(SettingsError, match="--whole-capture"):
        new_session(proposals=())
    with pytest.raises(SettingsError, match="no folder captures"):
        CaptureStore(tmp_path)
    wrong = tmp_path / "wrong.csv"
    for text, told in (
        ("capture,channel,time_s\nelsewhere.npz,lead_1,0.1\n", "line 2.*elsewhere.npz"),
        ("capture,channel,time_s\nharbour-otter-07.npz,lead_1,soon\n", "expected seconds"),
        ("capture,channel\nharbour-otter-07.npz,lead_1\n", "no time_s"),
        ("capture,channel,time_s\nharbour-otter-07.npz,lead_9,0.1\n", "no channel 'lead_9'"),
    ):
        wrong.write_text(text)
        with pytest.raises(SettingsError, match=told):
            new_session(proposals=(wrong,))


def test_a_ranked_list_is_opened_in_its_order_and_says_what_it_says(new_session, tmp_path):
    ranked = tmp_path / "suspected.csv"
    rows = [("quay-heron-11.npz", "lead_2", 0.052), ("harbour-otter-07.npz", "lead_1", 0.050),
            ("quay-heron-11.npz", "lead_1", 0.010)]  # fmt: skip
    lines = [f"{capture},{channel},{time_s},normal,wide_gap" for capture, channel, time_s in rows]
    ranked.write_text("\n".join(["capture,channel,time_s,given,likely", *lines]) + "\n")
    session = new_session(proposals=(ranked,), only_proposals=True, blind=False)
    assert [(task.capture, task.channel, task.time_s) for task in session.tasks] == rows
    assert session.item(session.tasks[0].token)["proposal"] == {"given": "normal", "likely": "wide_gap"}
    blind = new_session(proposals=(ranked,), only_proposals=True, repeat_share=0.0)
    assert len(blind.tasks) == 3
    assert "wide_gap" not in json.dumps([blind.item(task.token) for task in blind.tasks])


def test_a_capture_that_cannot_be_read_is_left_out_by_name(new_session, label_set):
    (label_set / "captures" / "quay-heron-11.npz").write_bytes(b"PK\x03\x04" + b"\x00" * 30)
    session = new_session(repeat_share=0.0)
    assert len(session.tasks) == 6
    assert len(session.left_out) == 1
    assert "quay-heron-11.npz" in session.left_out[0]
    whole = new_session(mode="whole_capture")
    assert (len(whole.tasks), len(whole.left_out)) == (1, 1)


def test_a_link_out_of_the_data_set_is_not_followed(new_session, label_set, tmp_path):
    inside = label_set / "captures" / "quay-heron-11.npz"
    outside = tmp_path / "outside.npz"
    inside.rename(outside)
    inside.symlink_to(outside)
    with pytest.raises(SettingsError, match=r"quay-heron-11\.npz"):
        new_session(mode="whole_capture")


def test_readings_from_pictures_become_labels(new_session, tmp_path):
    from sigkit.label.save_readings import save_readings

    session = new_session(origin="picture", repeat_share=1.0)
    flipped = next(task for task in session.tasks if task.flipped)
    table = tmp_path / "read.csv"
    table.write_text(
        f"item,answer,begin_ms,end_ms,polarity,resolution_ms\n{flipped.token},measured,5.00,5.40,1,0.01\n"
        f"{flipped.token},measured,5.50,6.25,,\n"
    )
    assert save_readings(session, table) == 1
    label = session.journal.firings()[0]
    assert label.origin == "picture"
    assert label.resolution_s == pytest.approx(1e-5)
    assert len(label.intervals) == 2
    assert label.burn_ms == pytest.approx(1.25)
    assert (label.flipped, label.polarity) == (True, -1)
    table.write_text("item,answer,begin_ms\nnowhere,measured,5\n")
    with pytest.raises(LabelError, match="line 2"):
        save_readings(session, table)
    assert len(LabelJournal(session.labels, "r01").entries()) == 1
