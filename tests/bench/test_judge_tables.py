"""Role judges and screeners in the bench: held to their contracts, scored beside the built-in chain."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.bench.check_plugin import check_class
from sigkit.bench.judge_tables import answer_roles, answer_scores, measured_engines, wrong_roles, wrong_scores
from sigkit.bench.protocol import read_protocol
from sigkit.bench.run_protocol import competitors
from sigkit.types.firing_table import UNKNOWN


class Unsure:
    name = "unsure"

    def judge_roles(self, table, captures):
        return np.full(len(table["capture"]), UNKNOWN, dtype=object)


class Longest:
    name = "longest"

    def score_captures(self, table, captures):
        return {one.name: float(max(len(channel) for channel in one.channels)) for one in captures}


def problems(kind, group):
    return {one.check: one.problem for one in check_class(kind, group) if not one.passed}


def test_the_kit_passes_what_keeps_the_contracts():
    assert problems(Unsure, "role_judges") == {}
    assert problems(Longest, "screeners") == {}


def test_the_kit_names_what_breaks_them():
    class Guessing(Unsure):
        calls = 0

        def judge_roles(self, table, captures):
            type(self).calls += 1
            table["burn_time_ms"][:] = 0.0
            return np.full(len(table["capture"]), ("power", "waste")[self.calls % 2], dtype=object)

    found = problems(Guessing, "role_judges")
    assert found["determinism: the same answer twice"] == "two calls differ"
    assert "'burn_time_ms'" in found["contract: the measurements stay as they are"]

    class Elsewhere(Longest):
        def score_captures(self, table, captures):
            return {"another": 1.0}

    assert "'another'" in problems(Elsewhere, "screeners")["contract: finite scores of the captures there are"]


def test_wrong_answers_are_told():
    assert wrong_roles(np.array(["power", "both"], dtype=object), 2) == (
        "'both' is no role; known: power, waste, single, unknown"
    )
    assert "expected one role a row" in wrong_roles(np.array(["power"], dtype=object), 2)
    assert "infinite" in wrong_scores({"a": np.inf}, [type("C", (), {"name": "a"})])


def test_each_is_given_whole_engines_and_answers_for_every_row(tiny):
    _, dataset = tiny("role")
    captures = list(dataset.captures("test"))
    seen = []

    class Noting(Unsure):
        def judge_roles(self, table, given):
            seen.append(({one.engine for one in given}, set(table["role"])))
            return super().judge_roles(table, given)

    found = answer_roles(Noting(), captures, "block_activity", "instant_networks")
    assert all(len(engines) == 1 for engines, _ in seen)
    assert len(seen) == len({one.engine for one in captures})
    rows = sum(len(table["capture"]) for _, table in measured_engines(captures, "block_activity", "instant_networks"))
    assert found["role"].tolist() == [UNKNOWN] * rows

    scored = answer_scores(Longest(), captures, "block_activity", "instant_networks")
    assert dict(zip(scored["capture"], scored["score"], strict=True)) == Longest().score_captures({}, captures)


def test_an_answer_that_breaks_the_contract_is_an_error(tiny):
    _, dataset = tiny("role")
    captures = list(dataset.captures("develop"))[:1]

    class Wrong(Unsure):
        def judge_roles(self, table, given):
            return np.full(len(table["capture"]), "both", dtype=object)

    with pytest.raises(ValueError, match="'both' is no role"):
        answer_roles(Wrong(), captures, "block_activity", "instant_networks")


@pytest.mark.parametrize("name", ["role", "screening_rank"])
def test_the_built_in_chain_competes_with_the_listed_rivals(name):
    protocol = read_protocol(name)
    found = {one.name: one.origin for one in competitors(protocol)}
    assert found["screen"] == "built-in"
    assert {one for one, origin in found.items() if origin == "baseline"} == set(protocol.baselines) != set()
