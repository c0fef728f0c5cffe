"""Integrate ignition events: coil, leads and gaps as a switched linear circuit with a glow discharge."""

from __future__ import annotations

import numpy as np

from sigkit.simulate.circuit_parameters import CircuitParameters
from sigkit.simulate.event_waveforms import EventWaveforms


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
    raise NotImplementedError
