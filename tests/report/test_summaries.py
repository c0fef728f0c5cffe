"""Summaries by lead and by coil pair against general libraries and hand-made answers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from sigkit.report.summarise_coil_pairs import summarise_coil_pairs
from sigkit.report.summarise_leads import MAD_TO_SCATTER, MEDIAN_FACTOR, median_reading, natural_key, summarise_leads


def test_factors_are_those_of_the_normal_distribution():
    assert pytest.approx(1 / stats.norm.ppf(0.75), abs=1e-4) == MAD_TO_SCATTER
    assert pytest.approx(np.sqrt(np.pi / 2), abs=1e-4) == MEDIAN_FACTOR


@given(arrays(float, st.integers(2, 40), elements=st.floats(-1e3, 1e3)))
def test_median_and_scatter_agree_with_scipy(values):
    reading = median_reading(values, np.full(len(values), 0.5))
    assert reading.value == pytest.approx(np.median(values))
    scatter = stats.median_abs_deviation(values, scale="normal")
    assert reading.scatter == pytest.approx(scatter, rel=1e-4, abs=1e-9)
    assert reading.u == pytest.approx(np.hypot(0.5, MEDIAN_FACTOR * scatter / np.sqrt(len(values))), rel=1e-4)


def test_the_stated_interval_covers_the_median_of_normal_readings():
    # Repeat the experiment: reading uncertainty nothing, so only the scatter of the median is left.
    draws = np.random.default_rng(11).normal(10.0, 1.0, (2000, 60))
    inside = [abs(r.value - 10.0) <= 1.96 * r.u for r in (median_reading(row, np.zeros(60)) for row in draws)]
    assert 0.92 <= np.mean(inside) <= 0.975


def test_missing_readings_are_left_out():
    reading = median_reading(np.array([np.nan, 2.0, np.nan]), np.array([1.0, 0.5, np.nan]))
    assert (reading.value, reading.u, reading.n) == (2.0, 0.5, 1)
    assert median_reading(np.full(3, np.nan), np.full(3, np.nan)).n == 0


def test_leads_of_the_invented_capture(invented):
    leads = summarise_leads(invented[1])
    assert [lead.title for lead in leads] == ["cylinder 1", "cylinder 2", "cylinder 3", "cylinder 4"]
    third = leads[2]
    assert (third.firings, third.absent, third.without_spark) == (5, 1, 0)
    assert third.conditions == (("wide_gap", 5),)
    assert third.readings["burn_time"].value == pytest.approx(0.7, abs=0.03)
    assert leads[0].readings["burn_time"].value == pytest.approx(1.3, abs=0.03)


def test_captures_without_an_engine_are_not_mixed(build_invented):
    tables = [build_invented(n=3, name=name)[1] for name in ("a.csv", "b.csv")]
    both = {name: np.concatenate([table[name] for table in tables]) for name in tables[0]}
    assert len(summarise_leads(both)) == 4
    both["engine"][:] = ""
    assert len(summarise_leads(both)) == 8


def test_power_and_waste_are_separate_rows(invented):
    table = dict(invented[1], role=invented[1]["role"].copy())
    table["role"][::2], table["role"][1::2] = "power", "waste"
    assert len(summarise_leads(table)) == 8


def paired(burn_first, burn_second):
    from sigkit.types.firing_table import empty_table

    n = len(burn_first)
    table = empty_table(2 * n)
    table["capture"][:], table["engine"][:], table["coil"][:] = "a.csv", "ferry-1", "A"
    table["cylinder"][:] = ["1"] * n + ["4"] * n
    table["channel"][:] = ["x"] * n + ["y"] * n
    table["event"][:] = list(range(n)) * 2
    table["role"][:] = ["power", "waste"] * n if n % 2 == 0 else "unknown"
    table["burn_time_ms"][:] = [*burn_first, *burn_second]
    table["burn_time_u_ms"][:] = 0.01
    return table


def test_burn_time_belongs_to_the_pair():
    (pair,) = summarise_coil_pairs(paired([1.2, 1.3, 1.4, 1.5], [1.1, 1.2, 1.3, 1.4]))
    assert pair.leads == ("cylinder 1", "cylinder 4")
    assert pair.events == 4
    assert pair.burn_time.value == pytest.approx(1.3)
    assert pair.burn_time_difference.value == pytest.approx(0.1)
    # Two independent readings of 0.01: sqrt(2) x 0.01 on the difference, half of that on the mean.
    assert pair.burn_time_difference.u == pytest.approx(0.01 * np.sqrt(2))
    assert set(pair.readings) == {(lead, role) for lead in pair.leads for role in ("power", "waste")}


def test_an_event_seen_on_one_end_only_does_not_count():
    (pair,) = summarise_coil_pairs(paired([1.2, np.nan, 1.4, 1.5], [1.1, 1.2, np.nan, 1.4]))
    assert pair.events == 2


def test_coils_with_one_or_many_leads_are_no_pair(invented):
    table = dict(invented[1], coil=np.full(len(invented[1]["coil"]), "A", dtype=object))
    assert summarise_coil_pairs(table) == []
    assert summarise_coil_pairs(dict(table, coil=table["cylinder"])) == []


@given(st.lists(st.text(max_size=12), max_size=20, unique=True))
def test_natural_order_is_total(names):
    assert len({natural_key(name) for name in names}) == len(names)
    backwards = names[::-1]
    assert sorted(names, key=natural_key) == sorted(backwards, key=natural_key)


def test_numbers_in_names_count_as_numbers():
    assert sorted(["lead 10", "lead 9", "lead 1"], key=natural_key) == ["lead 1", "lead 9", "lead 10"]
