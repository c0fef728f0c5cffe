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
#: resistances between tower and gap take is among the energy).
SHAPE_U = 0.3
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
    energy = inductance x current^2 / 2; turns ratio = burn voltage of the secondary over its image on the primary
    (missing on shared coils, whose image is the sum of both gaps); spark energy = burn voltage x current / turns
    ratio x burn time / 2, which assumes that the secondary current starts at that value, falls straight to nothing,
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
    drop, _ = one("switch_on_V", rows)
    inductance = (supply - np.nan_to_num(drop)) / abs(slope) if np.isfinite(slope) and slope else np.nan
    relative = float(np.hypot(slope_u, supply_u))
    put("primary_inductance_mH", inductance, relative, rows)
    put("stored_energy_mJ", 0.5 * inductance * current**2, float(np.hypot(relative, 2 * current_u)), rows)
    leads = rows[kind[rows] == "secondary_voltage"]
    images = rows[kind[rows] == "primary_voltage"]
    if leads.size == 1 and images.size and np.isfinite(ratio[images[0]]):
        lead, image = leads[0], images[0]
        voltage, voltage_u = one("burn_voltage_kV", leads)
        shown = float(table["burn_voltage_V"][image]) * float(ratio[image])
        if shown and np.isfinite(shown) and np.isfinite(voltage):
            shown_u = float(np.hypot(table["burn_voltage_u_V"][image] / abs(table["burn_voltage_V"][image]), RATIO_U))
            turns = abs(voltage * 1e3 / shown)
            put("turns_ratio", turns, float(np.hypot(voltage_u, shown_u)), rows)
            energy = 0.5 * abs(voltage) * abs(current) / turns * float(table["burn_time_ms"][lead]) * 1e3
            put("spark_energy_mJ", energy, float(np.sqrt(shown_u**2 + current_u**2 + SHAPE_U**2)), leads)
