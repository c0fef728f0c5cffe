"""Thinning keeps extremes; traces sit where the formula of the invented capture puts them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigkit.report.firing_trace import cut_traces, thin_samples


@given(st.integers(0, 5000), st.integers(1, 300), st.integers(0, 2**32 - 1))
def test_thinning_keeps_the_extremes_and_the_order(n, pairs, seed):
    values = np.random.default_rng(seed).normal(size=n)
    index, kept = thin_samples(values, 2 * pairs)
    assert len(index) <= max(2 * pairs, 0) or n <= 2 * pairs
    assert np.all(np.diff(index) > 0)
    assert np.array_equal(kept, values[index].astype(np.float32))
    if n:
        assert kept.min() == np.float32(values.min())
        assert kept.max() == np.float32(values.max())


def test_a_trace_is_aligned_at_coil_off(invented):
    capture, table = invented
    trace = cut_traces(capture, table, [1])[0]
    assert trace.origin_s == pytest.approx(table["coil_off_s"][1])
    assert trace.instants_ms["breakdown"][0] == pytest.approx(0.02, abs=1e-9)
    assert trace.instants_ms["coil_on"][0] == pytest.approx(-3.0, abs=1e-9)
    # The invented firing line ends 20 µs after coil off: the lowest sample drawn lies there.
    assert abs(trace.time_ms[np.argmin(trace.value)] - 0.02) <= 0.0051
    assert trace.unit == "V"


def test_kilovolts_only_with_a_ratio(build_invented):
    capture, table = build_invented(n=3, ratio=12.0)
    with_ratio = cut_traces(capture, table, [0])[0]
    plain = cut_traces(*build_invented(n=3), [0])[0]
    assert with_ratio.unit == "kV"
    assert np.allclose(with_ratio.value, plain.value * 12.0 / 1000.0, rtol=1e-6)


def test_an_absent_firing_has_no_mark_but_says_so(invented):
    capture, table = invented
    row = int(np.flatnonzero(table["flags"] == "absent")[0])
    trace = cut_traces(capture, table, [row])[0]
    assert trace.absent
    assert trace.instants_ms == {}


def test_an_unknown_channel_is_an_error(invented):
    capture, table = invented
    wrong = dict(table, channel=np.full(len(table["channel"]), "nowhere", dtype=object))
    with pytest.raises(KeyError, match="nowhere"):
        cut_traces(capture, wrong, [0])


def test_conduction_intervals_belong_to_their_firing(invented):
    capture, table = invented
    off = table["coil_off_s"][0]
    intervals = {
        "capture": np.array(["morning-run.csv"] * 2, dtype=object),
        "channel": np.array(["ch1", "ch2"], dtype=object),
        "firing": np.array([0, 0]),
        "start_s": np.array([off + 1e-3, 9.0]),
        "stop_s": np.array([off + 2e-3, 9.1]),
    }
    assert np.allclose(cut_traces(capture, table, [0], intervals)[0].intervals_ms, [(1.0, 2.0)])
