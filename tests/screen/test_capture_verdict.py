"""The score does what its words say, on hand-made tables."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigkit.screen.capture_verdict import (
    LOOK_FROM,
    SCORE_WORDS,
    WATCH_FROM,
    firing_weights,
    judge_capture,
    severity_order,
)
from sigkit.screen.lead_rows import leads_of
from sigkit.types.firing_table import empty_table


def table_of(rows):
    """Rows of (channel, condition, probability, sparked, flags)."""
    table = empty_table(len(rows))
    for i, (channel, condition, probability, sparked, flags) in enumerate(rows):
        table["channel"][i], table["condition"][i], table["sparked"][i] = channel, condition, sparked
        table["flags"][i], table["condition_probability"][i], table["time_s"][i] = flags, probability, 0.03 * i
    return table


def verdict_of(rows, turned=frozenset()):
    table = table_of(rows)
    return judge_capture(table, leads_of(table), turned)


def test_weights_follow_the_written_rule():
    weights = firing_weights(
        table_of(
            [
                ("a", "normal", 0.9, "yes", ""),
                ("a", "wide_gap", 0.7, "yes", ""),
                ("a", "unknown", np.nan, "yes", ""),
                ("a", "normal", 0.9, "flash", ""),
                ("a", "normal", 0.9, "no", ""),
                ("a", "unknown", np.nan, "unknown", "cut absent"),
                ("a", "wide_gap", np.nan, "yes", ""),
            ]
        )
    )
    assert weights.tolist() == [0.0, 0.7, 0.0, 0.8, 1.0, 1.0, 0.5]


def test_a_firing_called_normal_still_weighs_what_speaks_against_it():
    told = (("normal", 0.6, "yes"), ("wide_gap", 0.5, "yes"), ("unknown", 0.3, "yes"), ("normal", 0.9, "flash"),
            ("wide_gap", 0.5, "yes"))  # fmt: skip
    table = table_of([("a", *one, "") for one in told])
    table["fault_probability"] = np.array([0.4, 0.8, 0.7, 0.1, np.nan])
    assert firing_weights(table).tolist() == [0.4, 0.8, 0.7, 0.8, 0.5]


def test_one_misfire_among_twenty_is_worth_a_look():
    verdict = verdict_of([("a", "normal", 0.9, "no" if i == 7 else "yes", "") for i in range(20)])
    # By hand: 70 x 1/20 + 30.
    assert verdict.score == pytest.approx(33.5)
    assert verdict.level == "watch"


def test_a_whole_lead_of_one_condition_asks_to_look_first():
    rows = [("a", "normal", 0.9, "yes", "")] * 5 + [("b", "wide_gap", 0.8, "yes", "")] * 5
    verdict = verdict_of(rows)
    assert verdict.score == pytest.approx(56.0)
    assert verdict.level == "look"
    assert verdict.worst_channel == "b"


def test_reversed_polarity_scores_at_least_fifty():
    verdict = verdict_of([("a", "normal", 0.9, "yes", "")] * 4, frozenset({"a"}))
    assert verdict.score == 50.0
    assert verdict.level == "look"


def test_unnamed_is_not_called_clear():
    assert verdict_of([("a", "unknown", np.nan, "yes", "")] * 4).level == "unjudged"
    assert verdict_of([("a", "normal", 0.9, "yes", "")] * 4).level == "clear"
    assert verdict_of([]).level == "empty"


def test_the_words_name_the_numbers_in_force():
    for number in ("0.8", "70", "30", "50", "25"):
        assert number in SCORE_WORDS
    assert (LOOK_FROM, WATCH_FROM) == (50.0, 25.0)


firing = st.tuples(
    st.sampled_from("ab"), st.sampled_from(["normal", "wide_gap", "fouled_plug", "unknown"]), st.floats(0, 1),
    st.sampled_from(["yes", "no", "flash", "unknown"]), st.sampled_from(["", "absent", "cut"]),
)  # fmt: skip


@given(st.lists(firing, min_size=1, max_size=12), st.randoms(use_true_random=False))
def test_score_is_bounded_and_does_not_depend_on_the_order_of_rows(rows, random):
    first = verdict_of(rows)
    shuffled = list(rows)
    random.shuffle(shuffled)
    second = verdict_of(shuffled)
    assert 0.0 <= first.score <= 100.0
    assert first.score == pytest.approx(second.score)
    assert first.level == second.level


@given(st.lists(firing, min_size=1, max_size=12), st.integers(0, 11))
def test_a_misfire_more_never_lowers_the_score(rows, place):
    place %= len(rows)
    worse = list(rows)
    worse[place] = (*worse[place][:3], "no", worse[place][4])
    assert verdict_of(worse).score >= verdict_of(rows).score - 1e-9


def test_captures_without_a_score_come_last_and_ties_go_by_name():
    clear, empty = verdict_of([("a", "normal", 0.9, "yes", "")]), verdict_of([])
    bad = verdict_of([("a", "normal", 0.9, "no", "")])
    keys = [
        severity_order(empty, "a"),
        severity_order(clear, "c"),
        severity_order(clear, "b"),
        severity_order(bad, "z"),
    ]
    assert sorted(keys) == [keys[3], keys[2], keys[1], keys[0]]
