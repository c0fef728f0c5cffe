"""The numbers a condition is judged by: scale-free forms of what was measured, one row a firing."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from sigkit.features.waveform_features import shape_columns
from sigkit.prepare.median import row_median
from sigkit.types.firing_table import Table, row_count

#: Version of these features; a model trained with another one is refused.
FEATURES_VERSION = 2
#: Taken of the firing, as the median of its lead and role, and as the difference of that median from the sibling
#: leads' of the same engine and role.
_MEASURED = (
    "log_firing_to_burn", "log_peak_to_burn", "log_burn_time_ms", "log_dwell_time_ms", "log_ring_frequency_kHz",
    "ring_damping_ratio", "ring_cycles", "slope_to_burn_per_ms", "curvature_to_burn_per_ms2", "hash_to_burn",
    "step_to_burn", "conduction_intervals", "sparked", "not_sparked", "flash", "soft_end", "log_rise_time_us",
    "log_firing_to_dwell", "log_burn_to_dwell", "log_burn_area_to_dwell_ms",
)  # fmt: skip
#: Levels mean something against the siblings only: one recorder, one kind of pickup.
_LEVELS = ("log_firing_level", "log_peak_level", "log_burn_level", "log_dwell_level")
_ALONE = (
    "is_power", "is_waste", "is_single", "log_sample_rate", "engine_speed_krpm", "clipped", "repeat_strike", "cut",
    "noise_to_burn", "log_firings_of_lead", "leads_of_engine", "log_firing_kV", "log_peak_kV", "log_burn_kV",
    "log_dwell_kV",
)  # fmt: skip
#: How far the firings of a lead lie apart: quantiles about their median.
_SPREAD = ("log_firing_level", "log_firing_to_burn", "log_burn_time_ms", "log_burn_level", "slope_to_burn_per_ms",
           "log_rise_time_us", "hash_to_burn")  # fmt: skip
#: How far the other leads lie apart, which says how much a difference from them means.
_AMONG = ("log_firing_to_burn", "log_burn_time_ms", "log_burn_to_dwell", "log_firing_to_dwell", "ring_damping_ratio")
#: Kilovolts at the lead, where the pickup's ratio is known.
_KV = ("log_firing_kV", "log_peak_kV", "log_burn_kV", "log_dwell_kV")
#: Of the lead's firings in its other role on a shared coil, and of the other end of its coil.
_ELSEWHERE = ("log_firing_level", "log_burn_level", "log_firing_to_burn", "log_burn_time_ms", "log_rise_time_us",
              "slope_to_burn_per_ms", "not_sparked")  # fmt: skip
#: Quantiles of `_SPREAD` (our choice).
_LOW, _HIGH = 0.1, 0.9
_SHAPES = tuple(name for name in shape_columns() if name not in ("shape_rise_time_us", "shape_dwell_level"))


def feature_names() -> tuple[str, ...]:
    """Return the column names of `condition_features`, in order."""
    own = (*_MEASURED, *_SHAPES)
    return (
        *own, *_ALONE, *(f"lead_{name}" for name in own),
        *(f"siblings_{name}" for name in (*own, *_LEVELS)), *(f"firing_{name}" for name in _LEVELS),
        *(f"low_{name}" for name in _SPREAD), *(f"high_{name}" for name in _SPREAD),
        *(f"apart_{name}" for name in _SPREAD), *(f"among_{name}" for name in (*_AMONG, *_LEVELS)), "absent_share",
        *(f"lead_{name}" for name in _KV),
        *(f"other_role_{name}" for name in _ELSEWHERE), *(f"partner_{name}" for name in _ELSEWHERE),
    )  # fmt: skip


def condition_features(table: Table) -> NDArray[np.float64]:
    """Return the features of each row of a firing table in context.

    Parameters
    ----------
    table : Table
        From `sigkit.context.apply_context`: all rows of one engine (or several), with the columns of
        `sigkit.features.waveform_features.add_shape_columns` where they were made.

    Returns
    -------
    ndarray of float64, shape (n, len(feature_names()))
        NaN where something is missing; ratios are logarithms, so that twice and half are alike.
        ``apart_x`` is the firing's own difference from the median of its lead, ``among_x`` the median absolute
        deviation among the other leads, ``absent_share`` the lead's expected firings that were not found;
        ``lead_x`` is the median of x over the firings of the lead in the same role, ``siblings_x`` its difference
        from the median of the other leads of the engine in that role, ``firing_x`` the firing's own difference from
        them, ``low_x`` and ``high_x`` the 10 and 90 % quantiles of the lead about its median, ``other_role_x`` the
        lead's ``siblings_x`` in its other role, ``partner_x`` that of the other end of the coil in the same role.
    """
    n = row_count(table)
    names = feature_names()
    if n == 0:
        return np.zeros((0, len(names)))
    values = _of_firings(table)
    groups = _Groups(*(table[name].astype(str) for name in ("engine", "lead", "role", "coil")))
    values["log_firings_of_lead"] = np.log(np.bincount(groups.of_row)[groups.of_row].astype(float))
    values["leads_of_engine"] = groups.leads_of_engine()[groups.of_row]
    compared = (*_MEASURED, *_SHAPES, *_LEVELS, *_KV)
    median = groups.quantile(np.column_stack([values[name] for name in compared]), 0.5)
    others = groups.of_siblings(median)
    difference = dict(zip(compared, (median - others).T, strict=True))
    middle = dict(zip(compared, median.T, strict=True))
    for k, name in enumerate(compared):
        values[f"lead_{name}"] = median[groups.of_row, k]
        values[f"siblings_{name}"] = difference[name][groups.of_row]
    among = groups.among_siblings(median)
    for name in (*_AMONG, *_LEVELS):
        values[f"among_{name}"] = among[groups.of_row, compared.index(name)]
    for name in _SPREAD:
        values[f"apart_{name}"] = values[name] - middle[name][groups.of_row]
    values["absent_share"] = _absent_share(table)
    for name in _LEVELS:
        values[f"firing_{name}"] = values[name] - others[groups.of_row, compared.index(name)]
    spread = np.column_stack([values[name] for name in _SPREAD])
    for word, share in (("low", _LOW), ("high", _HIGH)):
        edge = groups.quantile(spread, share)
        for k, name in enumerate(_SPREAD):
            values[f"{word}_{name}"] = (edge[:, k] - middle[name])[groups.of_row]
    for word, place in (("other_role", groups.other_role()), ("partner", groups.partner())):
        for name in _ELSEWHERE:
            found = np.where(place >= 0, difference[name][place], np.nan)
            values[f"{word}_{name}"] = found[groups.of_row]
    return np.column_stack([values[name] for name in names])


def _absent_share(table: Table) -> NDArray[np.float64]:
    """Return the share of expected firings of each row's lead that were not found."""
    absent = np.asarray(table["firing"]) < 0
    joined = np.array(["\x1f".join(pair) for pair in zip(table["engine"].astype(str), table["lead"].astype(str))])
    lead = np.unique(joined, return_inverse=True)[1]
    return np.asarray((np.bincount(lead, absent) / np.bincount(lead))[lead])


def _log(x: NDArray) -> NDArray[np.float64]:
    positive = x > 0
    return np.where(positive, np.log(np.where(positive, x, 1.0)), np.nan)


def _of_firings(table: Table) -> dict[str, NDArray[np.float64]]:
    """Return what each firing shows by itself."""
    n = row_count(table)
    missing = np.full(n, np.nan)

    def plain(column: str) -> NDArray:
        return np.asarray(table.get(column, missing), dtype=float)

    def log(column: str) -> NDArray:
        return _log(np.abs(plain(column)))

    burn = np.abs(plain("burn_level"))
    safe = np.where(burn > 0, burn, np.nan)
    log_burn = _log(burn)
    # The shapes stand in units of the burn level, or of the peak where nothing burned.
    log_scale = np.where(np.isfinite(log_burn), log_burn, log("peak_level"))
    log_dwell = _log(plain("shape_dwell_level")) + log_scale
    values: dict[str, NDArray] = {
        "log_firing_level": log("firing_level"), "log_peak_level": log("peak_level"), "log_burn_level": log_burn,
        "log_dwell_level": log_dwell,
        "log_firing_to_burn": log("firing_level") - log_burn, "log_peak_to_burn": log("peak_level") - log_burn,
        "log_burn_time_ms": log("burn_time_ms"), "log_dwell_time_ms": log("dwell_time_ms"),
        "log_ring_frequency_kHz": _log(plain("ring_frequency_Hz") / 1e3),
        "ring_damping_ratio": plain("ring_damping_ratio"), "ring_cycles": plain("ring_cycles"),
        "slope_to_burn_per_ms": plain("burn_slope_level_per_ms") / safe,
        "curvature_to_burn_per_ms2": plain("burn_curvature_level_per_ms2") / safe,
        "hash_to_burn": np.abs(plain("burn_hash_level")) / safe,
        "step_to_burn": np.abs(plain("burn_step_level")) / safe,
        "conduction_intervals": plain("conduction_intervals"),
        "log_rise_time_us": _log(plain("shape_rise_time_us")),
        "log_firing_to_dwell": log("firing_level") - log_dwell, "log_burn_to_dwell": log_burn - log_dwell,
        "log_burn_area_to_dwell_ms": log_burn + log("burn_time_ms") - log_dwell,
        "log_sample_rate": np.log10(plain("sample_rate_Hz")), "engine_speed_krpm": plain("engine_speed_rpm") / 1e3,
        "noise_to_burn": np.abs(plain("noise_level")) / safe,
    }  # fmt: skip
    ratio = _log(plain("pickup_ratio") / 1e3)
    for name in ("firing", "peak", "burn"):
        values[f"log_{name}_kV"] = log(f"{name}_voltage_V") + ratio
    values["log_dwell_kV"] = log_dwell - log_burn + values["log_burn_kV"]
    sparked = table["sparked"].astype(str)
    for name, state in (("sparked", "yes"), ("not_sparked", "no"), ("flash", "flash")):
        values[name] = (sparked == state) * 1.0
    words = [set(str(flags).split()) for flags in table["flags"]]
    for flag in ("soft_end", "clipped", "repeat_strike", "cut"):
        values[flag] = np.array([flag in one for one in words], dtype=float)
    role = table["role"].astype(str)
    for name in ("power", "waste", "single"):
        values[f"is_{name}"] = (role == name) * 1.0
    for name in _SHAPES:
        values[name] = plain(name)
    return values


class _Groups:
    """Firings of one engine, lead and role; everything is worked out for all columns together."""

    def __init__(self, engine: NDArray, lead: NDArray, role: NDArray, coil: NDArray) -> None:
        joined = np.array(["\x1f".join(parts) for parts in zip(engine, lead, role, strict=True)])
        _, first, self.of_row = np.unique(joined, return_index=True, return_inverse=True)
        self.engine, self.lead, self.role, self.coil = engine[first], lead[first], role[first], coil[first]
        self.place = {key: k for k, key in enumerate(zip(self.engine, self.lead, self.role, strict=True))}

    def quantile(self, values: NDArray, share: float) -> NDArray[np.float64]:
        """Return a quantile of each column in each group (straight lines between values), NaN ignored."""
        result = np.full((len(self.lead), values.shape[1]), np.nan)
        for k, column in enumerate(values.T):
            known = np.flatnonzero(np.isfinite(column))
            order = known[np.lexsort((column[known], self.of_row[known]))]
            count = np.bincount(self.of_row[known], minlength=len(self.lead))
            begin = np.cumsum(count) - count
            some = count > 0
            place = share * (count[some] - 1)
            low = np.floor(place).astype(np.int64)
            high = np.minimum(low + 1, count[some] - 1)
            ordered = column[order]
            below, above = ordered[begin[some] + low], ordered[begin[some] + high]
            result[some, k] = below + (above - below) * (place - low)
        return result

    def of_siblings(self, median: NDArray) -> NDArray[np.float64]:
        """Return the median over the other leads of the same engine and role."""
        result = np.full_like(median, np.nan)
        for _, members in self._by(self.engine, self.role).items():
            for one in members:
                rest = members[members != one]
                if rest.size:
                    result[one] = row_median(median[rest].T)
        return result

    def among_siblings(self, median: NDArray) -> NDArray[np.float64]:
        """Return the median absolute deviation among the other leads of the same engine and role."""
        result = np.full_like(median, np.nan)
        for _, members in self._by(self.engine, self.role).items():
            for one in members:
                rest = members[members != one]
                if rest.size > 1:
                    mid = row_median(median[rest].T)
                    result[one] = row_median(np.abs(median[rest] - mid).T)
        return result

    def leads_of_engine(self) -> NDArray[np.float64]:
        """Return the number of leads of each group's engine."""
        result = np.zeros(len(self.lead))
        for _, members in self._by(self.engine).items():
            result[members] = len(set(self.lead[members]))
        return result

    def other_role(self) -> NDArray[np.int64]:
        """Return the group of the same lead in the other role on a shared coil, -1 for none."""
        turned = {"power": "waste", "waste": "power"}
        keys = zip(self.engine, self.lead, self.role, strict=True)
        return np.array([self.place.get((e, one, turned.get(r, "")), -1) for e, one, r in keys], dtype=np.int64)

    def partner(self) -> NDArray[np.int64]:
        """Return the group of the other end of the coil in the same role, -1 for none."""
        result = np.full(len(self.lead), -1, dtype=np.int64)
        for key, members in self._by(self.engine, self.coil, self.role).items():
            if key[1] and members.size == 2:
                result[members] = members[::-1]
        return result

    def _by(self, *keys: NDArray) -> Mapping[tuple[str, ...], NDArray[np.int64]]:
        found: dict[tuple[str, ...], list[int]] = {}
        for k, key in enumerate(zip(*keys, strict=True)):
            found.setdefault(key, []).append(k)
        return {key: np.array(members) for key, members in found.items()}
