"""The numbers a condition is judged by: scale-free forms of what was measured, one row a firing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.context.siblings import COMPARED
from sigkit.types.firing_table import Table, row_count

#: Version of these features; a model trained with another one is refused.
FEATURES_VERSION = 1
#: Single-firing features that are also taken as the median of the lead and role.
_SINGLE = (
    "log_firing_to_burn", "log_peak_to_burn", "log_burn_time_ms", "log_dwell_time_ms", "log_ring_frequency_kHz",
    "ring_damping_ratio", "ring_cycles", "slope_to_burn_per_ms", "curvature_to_burn_per_ms2", "hash_to_burn",
    "step_to_burn", "conduction_intervals", "sparked", "not_sparked", "flash", "soft_end",
    *(f"log_{short}_to_siblings" for short in COMPARED.values()),
)  # fmt: skip
_ALONE = (
    "is_power", "is_waste", "is_single", "log_sample_rate", "engine_speed_krpm", "clipped", "repeat_strike", "cut",
    "noise_to_burn", "firings_of_lead", "leads_of_engine",
    *(f"{short}_scatter" for short in COMPARED.values()),
)  # fmt: skip
_PARTNER = ("partner_log_firing_to_burn", "partner_log_burn_to_siblings", "partner_log_firing_to_siblings",
            "partner_slope_to_burn_per_ms")  # fmt: skip


def feature_names() -> tuple[str, ...]:
    """Return the column names of `condition_features`, in order."""
    return (*_SINGLE, *_ALONE, *(f"lead_{name}" for name in _SINGLE), *_PARTNER)


def condition_features(table: Table) -> NDArray[np.float64]:
    """Return the features of each row of a firing table in context.

    Parameters
    ----------
    table : Table
        From `sigkit.context.apply_context`: all rows of one engine (or several).

    Returns
    -------
    ndarray of float64, shape (n, len(feature_names()))
        NaN where something is missing; ratios are logarithms, so that twice and half are alike.
    """
    n = row_count(table)
    values: dict[str, NDArray] = {}

    def size(column: str) -> NDArray:
        return np.abs(np.asarray(table[column], dtype=float))

    def log(x: NDArray) -> NDArray:
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(x > 0, np.log(np.where(x > 0, x, 1.0)), np.nan)

    burn = size("burn_level")
    safe = np.where(burn > 0, burn, np.nan)
    values["log_firing_to_burn"] = log(size("firing_level") / safe)
    values["log_peak_to_burn"] = log(size("peak_level") / safe)
    values["log_burn_time_ms"] = log(size("burn_time_ms"))
    values["log_dwell_time_ms"] = log(size("dwell_time_ms"))
    values["log_ring_frequency_kHz"] = log(size("ring_frequency_Hz") / 1e3)
    values["ring_damping_ratio"] = np.asarray(table["ring_damping_ratio"], dtype=float)
    values["ring_cycles"] = np.asarray(table["ring_cycles"], dtype=float)
    values["slope_to_burn_per_ms"] = np.asarray(table["burn_slope_level_per_ms"], dtype=float) / safe
    values["curvature_to_burn_per_ms2"] = np.asarray(table["burn_curvature_level_per_ms2"], dtype=float) / safe
    values["hash_to_burn"] = size("burn_hash_level") / safe
    values["step_to_burn"] = size("burn_step_level") / safe
    values["conduction_intervals"] = np.asarray(table["conduction_intervals"], dtype=float)
    sparked = table["sparked"].astype(str)
    values["sparked"], values["not_sparked"] = (sparked == "yes") * 1.0, (sparked == "no") * 1.0
    values["flash"] = (sparked == "flash") * 1.0
    words = [set(str(flags).split()) for flags in table["flags"]]
    for flag in ("soft_end", "clipped", "repeat_strike", "cut"):
        values[flag] = np.array([flag in one for one in words], dtype=float)
    for short in COMPARED.values():
        values[f"log_{short}_to_siblings"] = log(np.asarray(table[f"{short}_to_siblings"], dtype=float))
        values[f"{short}_scatter"] = np.asarray(table[f"{short}_scatter"], dtype=float)
    role = table["role"].astype(str)
    for name in ("power", "waste", "single"):
        values[f"is_{name}"] = (role == name) * 1.0
    values["log_sample_rate"] = np.log10(np.asarray(table["sample_rate_Hz"], dtype=float))
    values["engine_speed_krpm"] = np.asarray(table["engine_speed_rpm"], dtype=float) / 1e3
    values["noise_to_burn"] = size("noise_level") / safe
    engine, lead = table["engine"].astype(str), table["lead"].astype(str)
    group = _numbers(engine, lead, role)
    values["firings_of_lead"] = np.bincount(group, minlength=n)[group].astype(float) if n else np.zeros(0)
    leads = {e: len(set(lead[engine == e])) for e in set(engine)}
    values["leads_of_engine"] = np.array([leads[e] for e in engine], dtype=float)
    for name in _SINGLE:
        values[f"lead_{name}"] = _group_median(values[name], group)
    _partner(table, values, engine, lead, role)
    return np.column_stack([values[name] for name in feature_names()]) if n else np.zeros((0, len(feature_names())))


def _numbers(*keys: NDArray) -> NDArray[np.int64]:
    """Number the distinct combinations of keys."""
    if keys[0].size == 0:
        return np.zeros(0, dtype=np.int64)
    joined = np.array(["\x1f".join(parts) for parts in zip(*keys, strict=True)])
    return np.unique(joined, return_inverse=True)[1]


def _group_median(value: NDArray, group: NDArray) -> NDArray[np.float64]:
    result = np.full(value.size, np.nan)
    for number in np.unique(group):
        rows = group == number
        known = value[rows][np.isfinite(value[rows])]
        if known.size:
            result[rows] = np.median(known)
    return result


def _partner(table: Table, values: dict[str, NDArray], engine: NDArray, lead: NDArray, role: NDArray) -> None:
    """Lead medians of the other end of the coil, in the same role: one current flows through both gaps."""
    coil = table["coil"].astype(str)
    for name in _PARTNER:
        source = values[f"lead_{name.removeprefix('partner_')}"]
        result = np.full(source.size, np.nan)
        for key in sorted({(e, c) for e, c in zip(engine, coil, strict=True) if c}):
            rows = np.flatnonzero((engine == key[0]) & (coil == key[1]))
            for row in rows:
                other = rows[(lead[rows] != lead[row]) & (role[rows] == role[row])]
                known = source[other][np.isfinite(source[other])]
                if known.size:
                    result[row] = known[0]
        values[name] = result
