"""The integration against the circuit simulator ngspice on randomly drawn coils.

Both share our equations of coil and gap (second-hand reality): agreement says that they are solved
rightly. Deviations expected: the netlist's latch takes some nanoseconds, its steps of up to 0.25 us put
breakdown late by up to a step, and its current limit is a saturating source instead of a linear switch.
"""

import shutil

import numpy as np
import pytest

from sigkit.errors import SimulationError
from sigkit.simulate.integrate_circuit import integrate_circuit
from sigkit.simulate.run_ngspice import read_raw, run_ngspice
from sigkit.simulate.typical_coils import typical_coils
from sigkit.simulate.write_netlist import NETLIST_SIGNALS, netlist_off_s, write_netlist

needs_ngspice = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")

#: Singles and shared coils in turn; drawn once, none picked.
EVENTS = 8


@pytest.fixture(scope="module")
def events():
    coils = typical_coils(EVENTS, np.random.default_rng(20), shared=np.arange(EVENTS) % 2 == 1)
    # No current limit (the models differ there), no fluctuation (the netlist has none). One single coil has a blocking
    # diode, behind which the lead keeps its charge but for a leak; the last two coils spark over columns that keep
    # their fall however small the current; a single and a shared coil have secondaries of two sections.
    diode = np.arange(EVENTS) == EVENTS - 4
    steady = np.where(np.arange(EVENTS) >= EVENTS - 2, 3e3, 0.0)
    coils = coils.with_(
        flow_noise=0 * coils.flow_noise, current_limit_A=np.full(EVENTS, 50.0), blocking_diode=diode,
        tower_leak_ohm=np.where(diode[:, None], 10e6, coils.tower_leak_ohm),
        column_ohm=np.stack([steady, steady], axis=1),
        joint_capacitance_F=np.where(np.isin(np.arange(EVENTS), (0, EVENTS - 1)), 30e-12, 0.0),
        section_share=np.full(EVENTS, 0.4),
    )  # fmt: skip
    return coils, integrate_circuit(coils, np.random.default_rng(0))


@pytest.mark.ngspice
@needs_ngspice
@pytest.mark.parametrize("row", range(EVENTS))
def test_waveforms_and_instants(events, row):
    coils, ours = events
    result = run_ngspice(write_netlist(coils, row, after_s=3e-3))
    times = result["time"] - netlist_off_s(coils, row)
    truth = ours.truth
    last_end = 0.0
    for end in range(2 if coils.shared[row] else 1):
        conducts = result[NETLIST_SIGNALS[f"gap_{end}"]] > 0.5
        change = times[1:][conducts[1:] != conducts[:-1]]
        begin, stop = truth.breakdown_s[row, end], truth.burn_end_s[row, end]
        assert change[0] == pytest.approx(begin, abs=0.25e-6)
        nearest = change[np.abs(change - stop).argmin()]
        # Two steps, and 0.3 % of the burn for what earlier deviations carry along.
        assert nearest == pytest.approx(stop, abs=0.5e-6 + 3e-3 * (stop - begin))
        last_end = max(last_end, stop)
        signal = f"tower_{end}_V"
        theirs, own = result[NETLIST_SIGNALS[signal]], ours.sample(signal, row, times)
        burning = (times > begin + 20e-6) & (times < stop - 20e-6)
        level = np.median(np.abs(own[burning]))
        assert np.sqrt(np.mean((theirs - own)[burning] ** 2)) < 0.005 * level
        charging = (times > -coils.dwell_s[row]) & (times < 0)
        # Against the winding's voltage: a diode at its foot leaves little of it on the lead.
        wound = own - (0.0 if coils.shared[row] else ours.sample("tower_1_V", row, times))
        assert np.sqrt(np.mean((theirs - own)[charging] ** 2)) < 0.005 * np.abs(wound[charging]).max()
    for signal, share in (("coil_current_A", 0.005), ("primary_voltage_V", 0.02)):
        theirs, own = result[NETLIST_SIGNALS[signal]], ours.sample(signal, row, times)
        before = times < last_end
        # Root mean square over dwell and burn against the peak; the collector leaps, so 0.1 us of delay shows.
        assert np.sqrt(np.mean((theirs - own)[before] ** 2)) < share * np.abs(own).max()


@pytest.mark.ngspice
@needs_ngspice
def test_a_wrong_netlist_is_an_error_that_quotes_the_program():
    with pytest.raises(SimulationError, match="correct the netlist"):
        run_ngspice("* nothing\nRlonely a 0 1\n.tran 1u nonsense\n.end\n")


def test_an_absent_program_is_said_clearly(monkeypatch):
    monkeypatch.setenv("PATH", "")
    with pytest.raises(SimulationError, match="ngspice is not on the search path"):
        run_ngspice("* any\n.end\n")


def test_a_cut_result_is_refused():
    head = b"Flags: real\nNo. Variables: 2\nNo. Points: 3\nVariables:\n\t0\ttime\ttime\n\t1\tv(a)\tvoltage\n"
    with pytest.raises(SimulationError, match="4 values, expected 6"):
        read_raw(head + b"Binary:\n" + np.arange(4.0).tobytes())
    with pytest.raises(SimulationError, match="no binary section"):
        read_raw(b"Title: x\nValues:\n")
    with pytest.raises(SimulationError, match="complex"):
        read_raw(head.replace(b"real", b"complex") + b"Binary:\n")


@pytest.mark.parametrize("name, value", [("open_gap_V", 5e3), ("soft_end", 0.5), ("blow_out_s", 1e-3)])
def test_what_a_netlist_cannot_hold_is_refused(name, value):
    coil = typical_coils(1, np.random.default_rng(1))
    coil = coil.with_(flow_noise=0 * coil.flow_noise, **{name: np.full((1, 2), value)})
    with pytest.raises(SimulationError, match=name):
        write_netlist(coil)
