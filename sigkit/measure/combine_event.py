"""What the channels of one event tell together: inductance, stored energy, turns ratio, spark energy, kilovolts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.types.firing_table import Table
from sigkit.types.flags import OK, missing

#: Standard uncertainty of a nominal ratio, relative (our choice): attenuators and current clamps are good to some
#: per cent, the ratio of a clip on a lead hangs on how it sits.
RATIO_U, LEAD_RATIO_U = 0.03, 0.10
#: Standard uncertainty of the spark energy, relative (our choice: the current does not fall straight, and what the
#: resistances between tower and gap take, 300 V at 30 mA and 10 kohm, is among the energy).
SHAPE_U = 0.3
#: Coupling of the windings and its standard uncertainty: 0.9 to 0.99 (common practice, no source) taken as
#: rectangular (JCGM 100:2008, 4.3.7).
COUPLING, COUPLING_U = 0.945, 0.026
#: Share of the step from the middle of the burn to its end that stays as uncertainty (our choice: no burn is straight).
EXTRAPOLATION_U = 0.25
#: Columns that need the primary side, each with ``<name>_u`` and ``<name>_flag``; units in the names.
CIRCUIT_COLUMNS = ("current_peak_A", "current_start_A", "current_slope_A_per_ms", "current_time_constant_ms",
                   "current_knee_ms", "clamp_level_V", "clamp_duration_ms", "supply_V", "switch_on_V")  # fmt: skip
#: Columns that need several channels of an event, or a pickup ratio.
EVENT_COLUMNS = ("primary_inductance_mH", "stored_energy_mJ", "turns_ratio", "spark_energy_mJ", "firing_voltage_kV",
                 "burn_voltage_kV")  # fmt: skip


def blank_circuit(n: int, reason: str = "wrong_channel") -> dict[str, NDArray]:
    """Return the columns of the primary side for n firings that show none of it."""
    table: dict[str, NDArray] = {}
    for name in CIRCUIT_COLUMNS:
        table[name], table[f"{name}_u"] = np.full(n, np.nan), np.full(n, np.nan)
        table[f"{name}_flag"] = np.full(n, missing(reason), dtype=object)
    return table


def combine_event(table: Table) -> Table:
    """Return the table with the columns of `EVENT_COLUMNS`, and the primary side's values on all rows of an event.

    Rows belong together when they share the event number and, where both name one, the coil. The formulae are
    those of elementary circuits: inductance = (supply - switch drop) / slope of the current at coil_on; stored
    energy = inductance x current^2 / 2; turns ratio = coupling x voltage of the secondary over its image on the
    primary at the end of the burn (missing on shared coils, whose image is the sum of both gaps). At the end, because
    the image holds the drop of the secondary's resistance as well, which goes with the current; both burn lines are
    carried there by their slopes. The secondary current at breakdown follows from the flux that the burn takes out of
    the coil, image x burn time / (coupling x turns ratio x inductance), so what the breakdown and leaks took is not
    in it; spark energy = burn voltage x that current x burn time / 2, which assumes that it falls straight to nothing
    and that the voltage at the tower is that of the gap. Uncertainties combine relatively (JCGM 100:2008, 5.1.6),
    `RATIO_U` and `LEAD_RATIO_U` for each pickup ratio among them.

    Parameters
    ----------
    table : Table
        Firing table of one capture with `CIRCUIT_COLUMNS`.

    Returns
    -------
    Table
    """
    n = len(table["firing"])
    ratio = np.asarray(table["pickup_ratio"], dtype=float)
    for name, source in (("firing_voltage_kV", "firing_voltage"), ("burn_voltage_kV", "burn_voltage")):
        lead = (table["channel_kind"] == "secondary_voltage") | (table["channel_kind"] == "unknown")
        value = np.where(lead, table[f"{source}_V"] * ratio * 1e-3, np.nan)
        table[name] = value
        table[f"{name}_u"] = np.hypot(table[f"{source}_u_V"] * np.abs(ratio) * 1e-3, LEAD_RATIO_U * np.abs(value))
        flag = np.where(np.isfinite(ratio), table[f"{source}_flag"], missing("no_scale"))
        table[f"{name}_flag"] = np.where(lead, flag, missing("wrong_channel")).astype(object)
    for name in EVENT_COLUMNS[:4]:
        table[name], table[f"{name}_u"] = np.full(n, np.nan), np.full(n, np.nan)
        table[f"{name}_flag"] = np.full(n, missing("wrong_channel"), dtype=object)
    carriers = np.flatnonzero(np.isin(table["channel_kind"], ("primary_voltage", "coil_current")))
    if not carriers.size:
        return table
    for event in np.unique(table["event"][carriers]):
        rows = np.flatnonzero(table["event"] == event)
        for coil in np.unique(table["coil"][rows].astype(str)):
            _combine(table, rows[(table["coil"][rows] == coil) | (table["coil"][rows] == "")], ratio)
    return table


def _combine(table: Table, rows: NDArray, ratio: NDArray) -> None:
    """Fill the rows of one coil's event."""
    for name in CIRCUIT_COLUMNS:
        known = np.isfinite(table[name][rows])
        if known.any():
            for suffix in ("_u", "_flag", ""):
                table[f"{name}{suffix}"][rows[~known]] = table[f"{name}{suffix}"][rows[known][0]]
    kind = table["channel_kind"]

    def one(name: str, of: NDArray) -> tuple[float, float]:
        known = of[np.isfinite(table[name][of])]
        if not known.size:
            return np.nan, np.nan
        value = float(table[name][known[0]])
        return value, float(table[f"{name}_u"][known[0]]) / max(abs(value), 1e-300)

    def put(name: str, value: float, relative: float, where: NDArray) -> None:
        if np.isfinite(value) and np.isfinite(relative):
            table[name][where], table[f"{name}_u"][where] = value, abs(value) * relative
            table[f"{name}_flag"][where] = OK

    current, current_u = one("current_peak_A", rows)
    slope, slope_u = one("current_slope_A_per_ms", rows)
    supply, supply_u = one("supply_V", rows)
    drop, drop_u = one("switch_on_V", rows)
    across = supply - np.nan_to_num(drop)
    inductance = across / abs(slope) if np.isfinite(slope) and slope else np.nan
    # On a range made for the spike a code is some volts, and both levels are read on it.
    parts_V = [share * max(abs(level), 1e-300) for share, level in ((supply_u, supply), (drop_u, drop))]
    across_u = float(np.hypot(parts_V[0], np.nan_to_num(parts_V[1]))) / max(abs(across), 1e-300)
    relative = float(np.hypot(slope_u, max(across_u, RATIO_U)))
    put("primary_inductance_mH", inductance, relative, rows)
    put("stored_energy_mJ", 0.5 * inductance * current**2, float(np.hypot(relative, 2 * current_u)), rows)
    leads = rows[kind[rows] == "secondary_voltage"]
    images = rows[kind[rows] == "primary_voltage"]
    if leads.size == 1 and images.size:
        lead, image = leads[0], images[0]
        time, factor = float(table["burn_time_ms"][lead]), abs(float(ratio[image]))
        voltage, voltage_end, voltage_u = _at_the_end(table, lead, abs(float(ratio[lead])), time)
        shown, shown_end, shown_u = _at_the_end(table, image, factor, time)
        scaled = np.isfinite(ratio[lead]) and np.isfinite(ratio[image])
        for name, where in (("turns_ratio", rows), ("spark_energy_mJ", leads)):
            table[f"{name}_flag"][where] = missing("not_visible" if scaled else "no_scale")
        if voltage_end > 0 and shown_end > 0:
            turns = COUPLING * voltage_end / shown_end
            put("turns_ratio", turns, float(np.linalg.norm([voltage_u, shown_u, LEAD_RATIO_U, RATIO_U, COUPLING_U])),
                rows)
            start = shown * time / (COUPLING * turns * inductance)
            # The ratio of the lead's pickup cancels between voltage and turns ratio, that of the image counts twice.
            parts = [voltage_u, shown_u, 2 * RATIO_U, relative, 2 * COUPLING_U, SHAPE_U]
            put("spark_energy_mJ", 0.5 * voltage * start * time, float(np.linalg.norm(parts)), leads)


def _at_the_end(table: Table, row: int, factor: float, burn_time_ms: float) -> tuple[float, float, float]:
    """Return the magnitude of the burn voltage at mid-burn and at its end, and the latter's relative uncertainty."""
    middle = abs(float(table["burn_voltage_V"][row])) * factor
    step = 0.5 * float(table["burn_slope_V_per_ms"][row]) * factor * burn_time_ms
    parts = [float(table["burn_voltage_u_V"][row]) * factor, EXTRAPOLATION_U * step,
             0.5 * float(table["burn_slope_u_V_per_ms"][row]) * factor * burn_time_ms]  # fmt: skip
    end = middle + step
    return middle, end, float(np.linalg.norm(parts)) / abs(end) if end else np.nan
