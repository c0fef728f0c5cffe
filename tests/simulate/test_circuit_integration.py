"""Integrated ignition events: physics that must hold whatever the parameters."""

import numpy as np
import pytest

from sigkit.errors import SimulationError
from sigkit.simulate.circuit_parameters import concatenate
from sigkit.simulate.integrate_circuit import integrate_circuit
from sigkit.simulate.textbook_coil import textbook_coil
from sigkit.simulate.typical_coils import typical_coils


def rng():
    return np.random.default_rng(0)


def realistic(**changes):
    """One coil with leads, losses and a gap of an engine; no chance in it."""
    return textbook_coil(**{
        "primary_inductance_H": 3e-3, "primary_resistance_ohm": 0.6, "secondary_inductance_H": 21.0,
        "secondary_resistance_ohm": 6e3, "secondary_capacitance_F": 80e-12, "coupling": 0.975,
        "core_loss_ohm": 2.5e6, "current_limit_A": 20.0, "dwell_s": 1.6e-3, "winding_sign": -1,
        "series_ohm": 8e3, "plug_capacitance_F": 10e-12, "breakdown_V": 9e3, "rebreakdown_V": 6e3,
        "gap_length_m": 0.8e-3, "pressure_bar": 7.0, "stretch_m_per_s": 1.0, "hold_current_A": 4e-3,
        "switch_on_ohm": 0.1, "primary_damping_ohm": 6e3, "column_inertia_s": 20e-6,
        "tower_leak_ohm": 30e6, **changes,
    })


def run(*coils, **keywords):
    return integrate_circuit(concatenate(list(coils)), rng(), **keywords)


@pytest.fixture(scope="module")
def normal():
    n = 40
    coils = typical_coils(n, np.random.default_rng(4), shared=np.arange(n) % 2 == 1)
    return coils, integrate_circuit(coils, np.random.default_rng(5))


def test_normal_events_lie_in_the_ranges_of_common_practice(normal):
    # Common practice, no source: firing 4-15 kV under compression, 1-4 kV on the exhaust stroke, burn
    # 0.5-2 ms at 0.5-3 kV at the coil, 5-9 A, 30-100 mJ.
    coils, events = normal
    truth = events.truth
    power = np.where(coils.shared, coils.pressure_bar.argmax(axis=1), 0)
    rows = np.arange(len(coils))
    firing = np.abs(truth.firing_voltage_V[rows, power])
    assert ((firing > 4e3) & (firing < 15e3)).mean() > 0.9
    waste = np.abs(truth.firing_voltage_V[rows, 1 - power])[coils.shared]
    assert ((waste > 1e3) & (waste < 4e3)).all()
    burn = (truth.burn_end_s - truth.breakdown_s)[rows, power]
    assert ((burn > 0.5e-3) & (burn < 2e-3)).all()
    level = np.abs(truth.burn_voltage_V[rows, power])
    assert ((level > 500) & (level < 3000)).all()
    assert ((truth.off_current_A > 5) & (truth.off_current_A < 9)).all()
    assert ((truth.stored_energy_J > 0.03) & (truth.stored_energy_J < 0.1)).all()
    assert (truth.spark[rows, power] == "yes").all()


def test_trace_has_the_shape_of_a_secondary_trace():
    event = run(realistic())
    truth = event.truth
    breakdown, end = truth.breakdown_s[0, 0], truth.burn_end_s[0, 0]

    def tower(*instants):
        return event.sample("tower_0_V", 0, np.array(instants))

    assert abs(tower(-1.7e-3)[0]) < 0.1
    assert tower(-1.5e-3)[0] > 300  # switching on drives the other way
    assert tower(breakdown)[0] < -8.9e3
    assert -3e3 < tower(0.5 * (breakdown + end))[0] < -500
    behind = tower(*np.linspace(end, end + 60e-6, 200))
    assert behind.min() < 1.3 * behind[0]  # the end of the burn kicks
    ring = tower(*np.arange(end, end + 3e-3, 1e-6))
    crests = ring[1:-1][(ring[1:-1] > ring[:-2]) & (ring[1:-1] > ring[2:]) & (ring[1:-1] > 5)]
    assert crests.size >= 3
    assert (np.diff(crests) < 0).all()
    assert abs(tower(event.stop_s[0])[0]) < 10


def test_ring_after_the_burn_has_the_frequency_and_damping_of_the_secondary():
    event = run(realistic(hold_current_A=6e-3))
    begin = event.truth.burn_end_s[0, 0] + 80e-6
    times = np.arange(begin, begin + 1.2e-3, 0.5e-6)
    ring = event.sample("tower_0_V", 0, times)
    rising = np.flatnonzero((ring[:-1] < 0) & (ring[1:] >= 0))
    capacitance = 90e-12 + 1e-9 / 7000.0  # tower and plug, and the primary's seen through the turns
    undamped = 1.0 / (2 * np.pi * np.sqrt(21.0 * capacitance))
    loss = np.sqrt(21.0 / capacitance) / 2 * (1 / 2.5e6 + 1 / 30e6 + 7000.0 ** -1 / 6e3)
    loss += 0.5 * 6e3 * np.sqrt(capacitance / 21.0)
    frequency = (rising.size - 1) / (times[rising[-1]] - times[rising[0]])
    # Elementary parallel circuit; 1 % for the supply behind the primary and the series resistance.
    assert frequency == pytest.approx(undamped * np.sqrt(1 - loss**2), rel=1e-2)
    crests = [ring[a:b].max() for a, b in zip(rising[:-1], rising[1:])]
    decrement = np.log(crests[0] / crests[1])
    assert decrement / np.hypot(decrement, 2 * np.pi) == pytest.approx(loss, rel=5e-2)


def test_energy_is_conserved():
    # Without resistances what the magnet and the supply give goes into the gap or is still stored.
    coil = textbook_coil(
        primary_resistance_ohm=1e-3, secondary_resistance_ohm=1.0, breakdown_V=9e3, rebreakdown_V=np.inf,
        dwell_s=1.7e-3, clamp_V=1e5, reverse_block_V=1e5, column_inertia_s=5e-6,
        primary_capacitance_F=0.2e-6,  # a slow ring, so that the sum over its current below is exact
    )
    event = run(coil)
    end = event.truth.burn_end_s[0, 0]

    def stored(instant, secondary_A, kind):
        i, v, u = (event.sample(name, 0, np.array([instant]))[0] for name in
                   ("coil_current_A", "primary_voltage_V", "tower_0_V"))
        u, v = (u, v) if kind == "end" else (u, 0.0)
        mutual = 0.98 * np.sqrt(4e-3 * 40.0)
        return (0.5 * 4e-3 * i**2 + 0.5 * 40.0 * secondary_A**2 + mutual * i * secondary_A
                + 0.5 * 0.2e-6 * v**2 + 0.5 * 60e-12 * u**2)

    times = np.arange(0.0, end, 20e-9)
    current = event.sample("coil_current_A", 0, times)
    supplied = 20e-9 * np.sum(13.5 * current - 1e-3 * current**2)
    # The ring of the switching-on still moves charge in the secondary when the coil is switched off.
    late = event.sample("tower_0_V", 0, np.array([-0.2e-6, -0.1e-6, 0.0]))
    charging_A = 60e-12 * (late[0] - 4 * late[1] + 3 * late[2]) / 0.2e-6
    given = stored(0.0, charging_A, "start") - stored(end, 2e-3, "end") + supplied
    # 3 ohm of lead and 1 ohm of winding take 4/3 (60 mA)^2 over the burn; 10 megohm of open switch the rest.
    lost = 4.0 * 0.058**2 / 3 * end + 40.0**2 / 10e6 * end
    assert event.truth.gap_energy_J[0, 0] == pytest.approx(given - lost, rel=2e-3)


def test_extinction_comes_at_the_holding_current():
    hold = np.array([8e-3, 10e-3, 20e-3])
    coils = [realistic(hold_current_A=value, stretch_m_per_s=0.0, column_inertia_s=2e-6) for value in hold]
    event = run(*coils)
    ends = event.truth.burn_end_s[:, 0]
    tower = np.array([event.sample("tower_0_V", row, ends[row : row + 1])[0] for row in range(3)])
    # The law of the gap at that very current, and the drop over the lead; 1 % for the column's delay.
    expected = 294.89 + 40.46 * 0.8 * 7.0**0.51 * hold**-0.32 + 8e3 * hold
    assert np.abs(tower) == pytest.approx(expected, rel=1e-2)
    assert (np.diff(ends) < 0).all()


def test_wider_gap_fires_higher_and_burns_shorter():
    voltages = np.array([4e3, 7e3, 10e3, 14e3, 18e3])
    coils = [realistic(breakdown_V=v, gap_length_m=v * 1e-7) for v in voltages]
    truth = run(*coils).truth
    assert (np.diff(np.abs(truth.firing_voltage_V[:, 0])) > 0).all()
    assert (np.diff(truth.breakdown_s[:, 0]) > 0).all()
    assert (np.diff(np.abs(truth.burn_voltage_V[:, 0])) > 0).all()
    assert (np.diff((truth.burn_end_s - truth.breakdown_s)[:, 0]) < 0).all()


def test_breakdown_voltage_is_the_gap_voltage_plus_the_charging_of_the_plug():
    truth = run(realistic(), realistic(series_ohm=100.0)).truth
    # The plug follows the tower after R C; through 100 ohm it follows at once.
    assert abs(truth.breakdown_voltage_V[1, 0]) == pytest.approx(9e3, rel=1e-3)
    assert 9e3 < abs(truth.breakdown_voltage_V[0, 0]) < 9.2e3


def test_resistance_tilts_and_weakness_shortens():
    truth = run(
        realistic(stretch_m_per_s=0.0), realistic(stretch_m_per_s=0.0, series_ohm=40e3),
        realistic(dwell_s=0.9e-3), realistic(core_loss_ohm=0.2e6),
    ).truth
    burn = (truth.burn_end_s - truth.breakdown_s)[:, 0]
    assert burn[1] < burn[0]
    assert burn[2] < 0.8 * burn[0]
    assert truth.gap_energy_J[3, 0] < truth.gap_energy_J[0, 0]
    assert abs(truth.burn_voltage_V[1, 0]) > abs(truth.burn_voltage_V[0, 0]) + 300


def test_shared_coil_fires_with_opposite_polarity_and_the_easier_gap_first():
    coils = [realistic(shared=True, breakdown_V=[9e3, 2e3]), realistic(shared=True, breakdown_V=[2e3, 9e3])]
    event = run(*coils)
    truth = event.truth
    assert (truth.spark == "yes").all()
    assert (truth.firing_voltage_V[:, 0] < 0).all()
    assert (truth.firing_voltage_V[:, 1] > 0).all()
    assert truth.breakdown_s[0, 1] < truth.breakdown_s[0, 0]
    assert truth.breakdown_s[1, 0] < truth.breakdown_s[1, 1]
    # One current through both: the burn belongs to the pair.
    assert np.abs(truth.burn_end_s[:, 0] - truth.burn_end_s[:, 1]).max() < 30e-6
    # Once the easier gap has collapsed all of the coil's voltage is on the other end.
    climb = np.linspace(truth.breakdown_s[0, 1] + 3e-6, truth.breakdown_s[0, 0], 50)
    assert np.abs(event.sample("tower_1_V", 0, climb)).max() < 1.5e3
    assert (np.diff(event.sample("tower_0_V", 0, climb)) < 0).all()


def test_mirrored_winding_mirrors_the_trace():
    events = run(realistic(winding_sign=-1), realistic(winding_sign=1))
    times = np.linspace(-1.7e-3, 4e-3, 5001)
    minus, plus = events.sample("tower_0_V", np.array([0, 1]), times)
    assert np.abs(minus + plus).max() < 1.0
    assert events.truth.burn_end_s[0, 0] == pytest.approx(events.truth.burn_end_s[1, 0], rel=1e-9)


def test_current_limit_holds_the_current():
    event = run(realistic(current_limit_A=5.0))
    current = event.sample("coil_current_A", 0, np.linspace(-0.25e-3, -1e-6, 500))
    # The limiting switch is a resistance, so the secondary's ring shows in the current.
    assert current.mean() == pytest.approx(5.0, rel=2e-2)
    assert current == pytest.approx(5.0, rel=6e-2)
    assert event.truth.peak_current_A[0] == pytest.approx(5.0, rel=8e-2)
    collector = event.sample("primary_voltage_V", 0, np.array([-1.0e-3, -0.05e-3]))
    assert collector[0] < 1.0
    assert collector[1] == pytest.approx(13.5 - 0.6 * 5.0, rel=2e-2)


def test_clamp_limits_the_primary():
    event = run(realistic(breakdown_V=np.inf, rebreakdown_V=np.inf))
    grid = event.on_grid("primary_voltage_V", 0.0, 50e-9, 4000)[0]
    assert grid.max() == pytest.approx(400.0, abs=1.0)
    assert event.truth.spark[0, 0] == "no"
    assert np.isnan(event.truth.firing_voltage_V[0, 0])
    assert abs(event.truth.peak_voltage_V[0, 0]) > 25e3


def test_hermite_pieces_reproduce_a_finer_integration_and_the_grid():
    events = run(realistic(), realistic(shared=True, breakdown_V=[9e3, 2e3]))
    times = -1.8e-3 + 0.73e-6 * np.arange(7000)
    for signal in events.value:
        grid = events.on_grid(signal, np.array([-1.8e-3, -1.8e-3]), 0.73e-6, 7000)
        single = events.sample(signal, np.array([0, 1]), times)
        assert np.abs(grid - single).max() <= 1e-5 * np.abs(single).max()
    at_knots = events.sample("tower_0_V", 0, events.time_s[: events.offset[1]])
    assert np.abs(at_knots - events.value["tower_0_V"][: events.offset[1]]).max() < 1e-2
    with pytest.raises(SimulationError, match="no signal 'tower_2_V'"):
        events.sample("tower_2_V", 0, times)


def test_batch_and_single_event_agree():
    coils = typical_coils(6, np.random.default_rng(8), shared=np.arange(6) % 2 == 1)
    coils = coils.with_(flow_noise=0 * coils.flow_noise)
    together = integrate_circuit(coils, rng()).truth
    for row in range(6):
        alone = integrate_circuit(coils.take(np.array([row])), rng()).truth
        assert alone.breakdown_s[0] == pytest.approx(together.breakdown_s[row], abs=1e-12, nan_ok=True)
        assert alone.burn_end_s[0] == pytest.approx(together.burn_end_s[row], abs=2e-9, nan_ok=True)


def test_same_seed_same_event_other_seed_other_burn():
    coil = realistic(flow_noise=0.1)
    ends = [integrate_circuit(coil, np.random.default_rng(seed)).truth.burn_end_s[0, 0] for seed in (1, 1, 2)]
    assert ends[0] == ends[1]
    assert ends[0] != ends[2]


@pytest.mark.parametrize(
    "name, value, words",
    [("coupling", 1.0, "between 0 and 1"), ("dwell_s", -1e-3, "above zero"), ("winding_sign", 0, r"\+1 or -1"),
     ("series_ohm", np.nan, "not below zero"), ("clamp_V", np.inf, "finite")],
)
def test_impossible_parameters_are_refused(name, value, words):
    with pytest.raises(SimulationError, match=f"{name} of event 0 .*{words}"):
        run(realistic(**{name: value}))


def test_time_constants_too_short_are_refused():
    with pytest.raises(SimulationError, match="event 0 has a time constant"):
        run(realistic(switch_on_ohm=1e-9))
