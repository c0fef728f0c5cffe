"""Splits: whole engines, seeded, stratified, frozen."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigkit.corpus.dataset import Dataset
from sigkit.corpus.describe import write_description
from sigkit.corpus.make_splits import SHARES, draw_splits, make_splits
from sigkit.errors import DatasetError


@given(st.integers(4, 60), st.integers(1, 4), st.integers(0, 10_000))
def test_shares_are_met_and_no_split_is_empty(engines, strata, seed):
    kinds = {f"e{number:02d}": f"s{number % strata}" for number in range(engines)}
    found = draw_splits(kinds, seed)
    assert found.keys() == kinds.keys()
    counts = Counter(found.values())
    assert set(counts) == set(SHARES)
    # One engine more or less by rounding, and one by the rule that every split gets one.
    assert all(abs(counts[split] - share * engines) < 2 for split, share in SHARES.items())
    assert draw_splits(dict(reversed(kinds.items())), seed) == found


def test_strata_spread_over_the_splits():
    kinds = {f"e{number:02d}": "shared_coil" if number < 20 else "coil_on_plug" for number in range(40)}
    found = draw_splits(kinds, 3)
    for kind in ("shared_coil", "coil_on_plug"):
        counts = Counter(found[engine] for engine, its in kinds.items() if its == kind)
        assert all(abs(counts[split] - share * 20) <= 1 for split, share in SHARES.items())
    assert draw_splits(kinds, 4) != found


def test_added_engines_leave_the_others_where_they_are():
    kinds = {f"e{number:02d}": "a" for number in range(12)}
    first = draw_splits(kinds, 1)
    more = draw_splits({**kinds, **{f"n{number}": "a" for number in range(8)}}, 2, fixed=first)
    assert all(more[engine] == split for engine, split in first.items())
    assert len(more) == 20


def test_how_engines_were_drawn_stays_on_record(ferry):
    from sigkit.corpus.make_dataset import import_captures

    first = Dataset.open(ferry).splits
    import_captures(ferry, [str(ferry / "captures" / "e01")], engine="e05", origin="simulated",
                    ignition_type="coil_on_plug")  # fmt: skip
    with pytest.raises(DatasetError, match=r"'e05' of manifest\.csv is in no split"):
        Dataset.open(ferry)
    made = make_splits(ferry, 5, add=True)
    assert {engine: split for engine, split in made.items() if engine != "e05"} == first
    told = Dataset.open(ferry).description["sigkit"]["splits"]
    assert told["seed"] != 5
    assert told["added"] == [{"seed": 5, "shares": SHARES, "engines": ["e05"]}]


def test_splits_are_drawn_once_and_guarded(ferry):
    with pytest.raises(DatasetError, match="is there already; splits are drawn once"):
        make_splits(ferry, 5)
    before = Dataset.open(ferry).splits
    drawn = Dataset.open(ferry).description["sigkit"]["splits"]
    assert make_splits(ferry, 99, add=True) == before
    assert Dataset.open(ferry).description["sigkit"]["splits"] == drawn
    path = ferry / "splits.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("e01,test", "e01,train"), encoding="utf-8")
    with pytest.raises(DatasetError, match=r"splits.csv: its checksum differs"):
        Dataset.open(ferry)
    with pytest.raises(DatasetError, match="is not the file that was frozen"):
        write_description(ferry)
