"""A label is what the design says, and nothing that cannot be a label gets through."""

import json
import math

import pytest

from sigkit.corpus.label_record import CaptureMark, FiringLabel, LabelError, label_from_dict, label_from_line

PLAIN = {"entry": "e1", "label": "l1", "reader": "r01", "capture": "a.npz", "channel": "lead_1", "time_s": 0.01}


def made(**more):
    fields = {**PLAIN, "intervals": ((0.0101, 0.0113),), **more}
    return FiringLabel(**fields)


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ({"answer": "maybe"}, "answer"),
        ({"intervals": ()}, "needs a conduction interval"),
        ({"intervals": ((0.02, 0.01),)}, "lies before the end"),
        ({"intervals": ((0.01, 0.02), (0.015, 0.03))}, "lies before the end"),
        ({"intervals": ((0.01, None),)}, "only a cut firing"),
        ({"answer": "no_spark"}, "has no conduction"),
        ({"answer": "cut", "intervals": ((None, None),)}, "neither start nor stop"),
        ({"time_s": math.nan}, "finite"),
        ({"time_s": "0.1"}, "finite"),
        ({"coil_off_s": (0.02, 0.01)}, "time order"),
        ({"coil_on_s": tuple(range(65))}, "at most 64"),
        ({"polarity": 2}, "polarity"),
        ({"polarity": True}, "polarity"),
        ({"reader": "Anna Muster"}, "no names of persons"),
        ({"entry": "a b"}, "entry"),
        ({"certainty": "90 %"}, "certainty"),
        ({"condition": "worn"}, "condition"),
        ({"resolution_s": -1.0}, "negative"),
        ({"presentation": -1}, "presentation"),
        ({"saved_at": "yesterday"}, "saved_at"),
        ({"remark": "x" * 501}, "remark"),
        ({"blind": "yes"}, "blind"),
        ({"flipped": 1}, "flipped"),
        ({"origin": "guess"}, "origin"),
        ({"channel": ""}, "channel"),
    ],
)
def test_what_is_no_label_is_refused_with_a_reason(more, told):
    with pytest.raises(LabelError, match=told):
        made(**more)


def test_lines_come_back_as_they_went():
    label = made(
        answer="cut", intervals=((None, 0.0113), (0.0114, 0.0115)), coil_on_s=(0.005,), coil_off_s=(0.01,), polarity=-1,
        role="waste", condition="wide_gap", aids=("snap", "sibling"), remark="zwei Funken – ü", resolution_s=1e-5,
    )  # fmt: skip
    line = label.to_line()
    assert "\n" not in line
    assert line.isascii()
    assert label_from_line(line) == label
    mark = CaptureMark("e2", "m1", "r01", "a.npz", True, ("lead_1", "lead_2"))
    assert label_from_line(mark.to_line()) == mark


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"schema": "sigkit-label-9"}, "layout"),
        ({"kind": "page"}, "kind"),
        ({"colour": 1}, "unknown field 'colour'"),
        ({"label": None}, "label"),
        ({"intervals": 3}, "expected a list"),
        ({"intervals": [3]}, "expected a list"),
        ({"aids": "snap"}, "expected a list"),
    ],
)
def test_lines_of_another_layout_are_refused_with_their_place(change, told):
    fields = {**json.loads(made().to_line()), **change}
    with pytest.raises(LabelError, match=told) as refused:
        label_from_dict(fields, "r01.jsonl, line 3")
    assert "r01.jsonl, line 3" in str(refused.value)


def test_a_missing_field_is_named():
    fields = json.loads(made().to_line())
    del fields["capture"]
    with pytest.raises(LabelError, match="capture"):
        label_from_dict(fields)


def test_burn_time_runs_to_the_last_extinction_of_the_first_discharge():
    # Restrike at 0.0115 belongs to the discharge; after the coil is on again at 0.0122 a further one begins.
    label = made(intervals=((0.0101, 0.0113), (0.0115, 0.0120), (0.0140, 0.0150)), coil_on_s=(0.007, 0.0122))
    assert label.strikes == (0, 0, 1)
    assert label.burn_ms == pytest.approx(1.9)
    assert label.instant("burn_end") == (0.0120, "ok")
    assert label.instant("coil_on") == (0.007, "ok")


def test_instants_that_are_missing_say_why():
    assert made(answer="no_spark", intervals=()).instant("burn_end")[1] == "missing:no_spark"
    assert made(answer="cut", intervals=((0.01, None),)).instant("burn_end")[1] == "missing:cut_end"
    assert made(answer="cut", intervals=((None, 0.01),)).instant("breakdown")[1] == "missing:cut_start"
    assert made().instant("coil_off")[1] == "missing:not_visible"
    assert made(answer="not_measurable", intervals=()).sparked == "unknown"
    assert made(intervals=((0.01, 0.01004),)).sparked == "flash"
    assert made(intervals=(), burn_time_ms=1.2).burn_ms == 1.2
