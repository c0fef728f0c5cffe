"""Integrate ignition events: coil, leads and gaps as a switched linear circuit with a glow discharge."""

from __future__ import annotations

import numpy as np

from sigkit.errors import SimulationError
from sigkit.simulate.burn_stretch import advance_burn
from sigkit.simulate.check_parameters import check_parameters
from sigkit.simulate.circuit_parameters import CircuitParameters
from sigkit.simulate.derive_truth import derive_truth
from sigkit.simulate.event_run import EventRun
from sigkit.simulate.event_waveforms import EventWaveforms
from sigkit.simulate.linear_stretch import advance_linear

#: Rounds after which a batch that still is not done is given up (our choice, some ten times the usual).
_MOST_ROUNDS = 20_000


def integrate_circuit(
    parameters: CircuitParameters,
    rng: np.random.Generator,
    *,
    after_s: float = 6e-3,
    before_s: float = 0.2e-3,
) -> EventWaveforms:
    """Integrate n ignition events from rest.

    Parameters
    ----------
    parameters : CircuitParameters
        n events; batches of 500 to 1000 are quickest.
    rng : numpy.random.Generator
        For the slow fluctuation of the channel length.
    after_s : float
        Time integrated behind the last switching-off, seconds.
    before_s : float
        Time kept before the first switching-on (at rest), seconds.

    Returns
    -------
    EventWaveforms
        Waveforms and exact truth; 0 is the first switching-off.

    Raises
    ------
    SimulationError
        When a parameter is outside what can be integrated; the text names field and row.
    """
    check_parameters(parameters)
    run = EventRun(parameters, rng, before_s, after_s)
    for _ in range(_MOST_ROUNDS):
        open_rows = np.flatnonzero(~run.done)
        if open_rows.size == 0:
            break
        burning = (run.conducting[open_rows] | run.fading[open_rows]).any(axis=1)
        waiting = open_rows[~burning]
        if waiting.size:
            advance_linear(run, waiting)
        else:
            advance_burn(run, open_rows)
    else:
        raise SimulationError(
            f"event {open_rows[0]} is at {run.t[open_rows[0]]:.6g} s and does not come to its end; "
            "its parameters make a gap break down without pause. Raise rebreakdown_V or open_gap_V."
        )
    offset, time_s, value, slope = run.knots.finish(run.n)
    return EventWaveforms(offset, time_s, value, slope, derive_truth(run, offset, time_s, value))
