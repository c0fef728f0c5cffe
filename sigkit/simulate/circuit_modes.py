"""The coil circuit between two switchings: linear matrices, their eigenvectors and exact propagators."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import SimulationError
from sigkit.simulate.circuit_parameters import CircuitParameters

#: States: primary current, secondary current (into tower 0), switch voltage, towers 0 and 1, plugs 0 and 1. Where a
#: secondary has two sections, the current from tower 1 to their joint and the voltage of the joint follow.
PRIMARY_CURRENT, SECONDARY_CURRENT, SWITCH_VOLTAGE, TOWER, PLUG = 0, 1, 2, slice(3, 5), slice(5, 7)

#: What the primary switch does.
ON, LIMITING, OFF, CLAMPED, REVERSE = range(5)

#: Our choices, small or large enough not to matter: resistance of clamp and reverse diode, of the open
#: switch, of clean insulation and of an open link between tower and plug, in ohm.
CLAMP_OHM, OPEN_SWITCH_OHM, CLEAN_OHM, OPEN_LINK_OHM = 0.01, 10e6, 1e10, 1e10

#: Fastest rate accepted: rounding puts some 1e-15 of it on the slow rates, here 0.03 per second, a tenth of
#: a per mille over a dwell of 3 ms (our choice), 1/s.
FASTEST_PER_S = 3e13

#: A diode that lets only the firing's own current through ends the secondary: its capacitance, conductances
#: forwards and in blocking, and the voltage at which it turns over (our choices: a stack of some ten kilovolts).
DIODE_F, DIODE_FORWARD_S, DIODE_BLOCKED_S, DIODE_TURNS_V = 5e-12, 1e-3, 1e-9, 1e-3

#: A kind of circuit is the mode of its switch, plus this where its diode blocks.
BLOCKED = 5

#: A grounded end is a tower with a huge capacitance and a tiny leak.
_GROUND_F, _GROUND_OHM = 1.0, 1e-3

#: Smallest series resistance between tower and gap, ohm (our choice: a metre of plain wire and its contacts).
SMALLEST_LINK_OHM = 1.0


def section_inductances(p: CircuitParameters) -> NDArray[np.float64]:
    """Return the inductances of primary and both sections of divided secondaries, shape (n, 3, 3), henry.

    Both sections are coupled to the primary alike; what they leak between each other is a share of what a winding and
    the primary do.
    """
    between = 1.0 - p.section_leakage * (1.0 - p.coupling**2)
    near, far = p.section_share, 1.0 - p.section_share
    mutual = p.winding_sign * p.coupling * np.sqrt(p.primary_inductance_H * p.secondary_inductance_H)
    result = np.empty((len(p), 3, 3))
    result[:, 0, 0] = p.primary_inductance_H
    result[:, 1, 1] = p.secondary_inductance_H * near**2
    result[:, 2, 2] = p.secondary_inductance_H * far**2
    result[:, 0, 1] = result[:, 1, 0] = mutual * near
    result[:, 0, 2] = result[:, 2, 0] = mutual * far
    result[:, 1, 2] = result[:, 2, 1] = p.secondary_inductance_H * near * far * between
    return result


def _divide(flow: NDArray, store: NDArray, p: CircuitParameters) -> None:
    """Turn secondaries of one piece into two sections, in place; the last two states are theirs."""
    own = np.flatnonzero(p.joint_capacitance_F > 0)
    whole = np.flatnonzero(p.joint_capacitance_F <= 0)
    current, joint = flow.shape[1] - 2, flow.shape[1] - 1
    # Without a second section its states stand idle.
    for state in (current, joint):
        flow[whole, state, state], store[whole, state, state] = -1.0, 1.0
    ohm = p.secondary_resistance_ohm[own]
    flow[own, 1, 1], flow[own, current, current] = -ohm * p.section_share[own], -ohm * (1.0 - p.section_share[own])
    flow[own, 1, 4], flow[own, 1, joint], flow[own, current, joint], flow[own, current, 4] = 0.0, 1.0, -1.0, 1.0
    flow[own, 4, 1], flow[own, 4, current] = 0.0, -1.0
    flow[own, joint, 1], flow[own, joint, current], flow[own, joint, joint] = -1.0, 1.0, -1.0 / CLEAN_OHM
    wound = np.array([0, 1, current])
    store[own[:, None, None], wound[:, None], wound] = section_inductances(p)[own]
    store[own, joint, joint] = p.joint_capacitance_F[own]


class CircuitModes:
    """Matrices of n events in every kind of circuit (`BLOCKED`), built when first asked for.

    With ``plugs`` the plugs are nodes (no gap conducts); without, the currents drawn from the towers
    are inputs (a gap conducts).

    Parameters
    ----------
    parameters : CircuitParameters
    link_ohm : ndarray, shape (n, 2)
        Resistance between tower and plug, changed by `forget` when a broken lead is bridged.
    plugs : bool
    """

    def __init__(self, parameters: CircuitParameters, link_ohm: NDArray, plugs: bool) -> None:
        self.parameters, self.link_ohm, self.plugs = parameters, link_ohm, plugs
        self.sections = bool((parameters.joint_capacitance_F > 0).any())
        self.size = (7 if plugs else 5) + 2 * self.sections
        n = len(parameters)
        self.known = np.zeros((2 * BLOCKED, n), dtype=bool)
        shape = (2 * BLOCKED, n, self.size)
        self.matrix = np.zeros((*shape, self.size))
        self.drive = np.zeros(shape)
        self.rate = np.zeros(shape, dtype=complex)
        self.vectors = np.zeros((*shape, self.size), dtype=complex)
        self.inverse = np.zeros((*shape, self.size), dtype=complex)
        self.rest = np.zeros(shape)
        p = parameters
        self.tower_F = p.secondary_capacitance_F.astype(float).copy()
        self.tower_F[~p.shared, 1] = np.where(p.blocking_diode, DIODE_F, _GROUND_F)[~p.shared]
        leak_S = 1.0 / p.tower_leak_ohm + 1.0 / CLEAN_OHM
        leak_S[~p.shared, 1] = np.where(p.blocking_diode, DIODE_FORWARD_S, 1.0 / _GROUND_OHM)[~p.shared]
        blocked_S = leak_S.copy()
        blocked_S[p.blocking_diode, 1] = DIODE_BLOCKED_S
        # Both arrays have the kind of circuit in their first axis.
        self.leak_S = np.stack([leak_S] * BLOCKED + [blocked_S] * BLOCKED)
        # The switch is a conductance to a voltage, by mode.
        limiting = np.maximum(p.supply_V / p.current_limit_A - p.primary_resistance_ohm, 1e-3)
        fixed = np.ones(n)
        self.switch_S = 1.0 / np.stack(
            [p.switch_on_ohm, limiting, OPEN_SWITCH_OHM * fixed, CLAMP_OHM * fixed, CLAMP_OHM * fixed] * 2
        )
        self.switch_V = np.stack([0 * fixed, 0 * fixed, 0 * fixed, p.clamp_V, -p.reverse_block_V] * 2)

    def forget(self, rows: NDArray) -> None:
        """Drop what was built for some events."""
        self.known[:, rows] = False

    def build(self, mode: NDArray, rows: NDArray) -> None:
        """Make sure that event ``rows[i]`` has its matrices for ``mode[i]``, a kind of circuit."""
        for kind in range(2 * BLOCKED):
            missing = rows[(mode == kind) & ~self.known[kind, rows]]
            if missing.size:
                self._build(kind, np.unique(missing))

    def _build(self, mode: int, rows: NDArray) -> None:
        p, size = self.parameters.take(rows), self.size
        n = rows.size
        core_S = 1.0 / p.core_loss_ohm
        flow = np.zeros((n, size, size))
        flow[:, 0, 0] = -p.primary_resistance_ohm
        flow[:, 0, 2] = -1.0
        flow[:, 1, 1] = -p.secondary_resistance_ohm
        flow[:, 1, 3] = -1.0
        flow[:, 1, 4] = 1.0
        flow[:, 2, 0] = 1.0
        flow[:, 2, 2] = -self.switch_S[mode, rows] - 1.0 / p.primary_damping_ohm
        flow[:, 3, 1] = 1.0
        flow[:, 4, 1] = -1.0
        flow[:, 3, 3] = -core_S - self.leak_S[mode, rows, 0]
        flow[:, 4, 4] = -core_S - self.leak_S[mode, rows, 1]
        flow[:, 3, 4] = flow[:, 4, 3] = core_S
        store = np.zeros((n, size, size))
        mutual = p.winding_sign * p.coupling * np.sqrt(p.primary_inductance_H * p.secondary_inductance_H)
        store[:, 0, 0] = p.primary_inductance_H
        store[:, 1, 1] = p.secondary_inductance_H
        store[:, 0, 1] = store[:, 1, 0] = mutual
        store[:, 2, 2] = p.primary_capacitance_F
        store[:, 3, 3] = self.tower_F[rows, 0]
        store[:, 4, 4] = self.tower_F[rows, 1]
        if self.plugs:
            for end in range(2):
                link_S = 1.0 / self.link_ohm[rows, end]
                tower, plug = 3 + end, 5 + end
                flow[:, tower, tower] -= link_S
                flow[:, tower, plug] = flow[:, plug, tower] = link_S
                flow[:, plug, plug] = -link_S - 1.0 / p.shunt_ohm[:, end] - 1.0 / CLEAN_OHM
                store[:, plug, plug] = p.plug_capacitance_F[:, end]
        if self.sections:
            _divide(flow, store, p)
        source = np.zeros((n, size))
        source[:, 0] = p.supply_V
        source[:, 2] = self.switch_V[mode, rows] * self.switch_S[mode, rows]
        source[:, 2] += p.supply_V / p.primary_damping_ohm
        # In coordinates whose squared length is the stored energy the lossless part is skew, so the
        # eigenvectors are well conditioned although the rates span ten decades.
        root = np.linalg.cholesky(store)
        root_inverse = np.linalg.inv(root)
        lift = np.swapaxes(root_inverse, 1, 2)
        rate, vectors = np.linalg.eig((root_inverse @ flow @ lift).astype(complex))
        fastest = np.abs(rate).max(axis=1)
        if (fastest > FASTEST_PER_S).any():
            worst = rows[fastest.argmax()]
            raise SimulationError(
                f"event {worst} has a time constant of {1.0 / fastest.max():.1e} s, below "
                f"{1.0 / FASTEST_PER_S:.0e} s: too short beside the burn to be integrated. Raise a capacitance, "
                "switch_on_ohm or series_ohm."
            )
        # A passive circuit cannot grow: what is positive is rounding.
        rate = np.minimum(rate.real, 0.0) + 1j * rate.imag
        self.rate[mode, rows] = rate
        self.vectors[mode, rows] = lift @ vectors
        self.inverse[mode, rows] = np.linalg.inv(vectors) @ np.swapaxes(root, 1, 2)
        self.matrix[mode, rows] = lift @ root_inverse @ flow
        self.drive[mode, rows] = np.einsum("nij,nj->ni", lift @ root_inverse, source)
        modal_drive = np.einsum("nij,nj->ni", self.inverse[mode, rows], self.drive[mode, rows])
        self.rest[mode, rows] = -np.einsum("nij,nj->ni", self.vectors[mode, rows], modal_drive / rate).real
        self.known[mode, rows] = True

    def propagator(self, mode: NDArray, rows: NDArray, step_s: NDArray) -> NDArray:
        """Return exp(A h), shape (r, size, size); the modes must have been built."""
        grow = np.exp(self.rate[mode, rows] * step_s[:, None])
        return ((self.vectors[mode, rows] * grow[:, None, :]) @ self.inverse[mode, rows]).real

    def advance(self, mode: NDArray, rows: NDArray, state: NDArray, step_s: NDArray) -> NDArray:
        """Return the states (r, size) a time ``step_s`` (r,) later, exactly."""
        rest = self.rest[mode, rows]
        modal = np.einsum("nij,nj->ni", self.inverse[mode, rows], state - rest)
        modal *= np.exp(self.rate[mode, rows] * step_s[:, None])
        return np.einsum("nij,nj->ni", self.vectors[mode, rows], modal).real + rest

    def driven_propagator(self, mode: NDArray, rows: NDArray, step_s: NDArray, damping: float) -> NDArray:
        """Return what one step does when currents are drawn from both towers.

        Shape (size, size + 5, r): columns are the state, the constant sources, the currents at the
        beginning (2) and at the end (2) of the step. The currents run linearly in time, their weights
        moved towards the end by ``damping`` (0: exact for a ramp; 1: the end value holds throughout).
        """
        rate, vectors = self.rate[mode, rows], self.vectors[mode, rows]
        inverse = self.inverse[mode, rows]
        x = rate * step_s[:, None]
        grow = np.exp(x)
        small = np.abs(x) < 1e-3
        safe = np.where(small, 1.0, x)
        whole = step_s[:, None] * np.where(small, 1 + x / 2 + x * x / 6, (grow - 1) / safe)
        late = step_s[:, None] * np.where(small, 0.5 + x / 6 + x * x / 24, (grow - 1 - x) / (safe * safe))
        early = (whole - late) * (1.0 - damping)
        late = whole - early
        size = self.size
        result = np.empty((size, size + 5, rows.size))
        rest = self.rest[mode, rows]
        move = ((vectors * grow[:, None, :]) @ inverse).real
        result[:, :size] = move.transpose(1, 2, 0)
        result[:, size] = (rest - np.einsum("nij,nj->ni", move, rest)).T
        for end in range(2):
            column = -inverse[:, :, 3 + end] / self.tower_F[rows, end][:, None]
            result[:, size + 1 + end] = np.einsum("nij,nj->ni", vectors, early * column).real.T
            result[:, size + 3 + end] = np.einsum("nij,nj->ni", vectors, late * column).real.T
        return result
