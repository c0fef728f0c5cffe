"""Coverage of the burn time's stated intervals by stratum, tested over engines and corrected for many strata."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.score.holm import holm_correction

Rows = dict[str, NDArray]
#: What divides the firings, from coarse to fine; every division is a family of tests of its own.
DIVISIONS = (("sample_rate_Hz", "bits"), ("sample_rate_Hz", "condition"), ("bits", "condition"),
             ("sample_rate_Hz", "bits", "condition"))  # fmt: skip
#: Strata listed of each division: those refused, and the lowest at least so many.
LISTED = 5


def coverage_by_stratum(
    rows: Rows, settings: dict[str, Any], rng: np.random.Generator, divisions: Sequence[tuple[str, ...]] = DIVISIONS
) -> list[dict[str, Any]]:
    """Return what each division shows: strata tested and left out, those refused, and the lowest.

    A stratum is refused where its coverage is below ``least_coverage`` beyond what drawing other engines explains:
    the share of bootstrap resamples (whole engines) that reach it, corrected by Holm's rule, is at most ``level``.
    """
    asked = ~rows["spurious"] & (rows["kind"] == "secondary_voltage") & rows["measurable"]
    asked &= np.isfinite(rows["burn_time_error_s"])
    engine, inside = rows["engine"][asked], rows["burn_time_inside"][asked]
    found = []
    for names in divisions:
        values = [rows[name][asked] for name in names]
        keys, stratum = np.unique(np.array([column.astype(str) for column in values]), axis=1, return_inverse=True)
        strata, left_out = [], 0
        for number in range(keys.shape[1]):
            own = stratum.ravel() == number
            engines = np.unique(engine[own])
            if engines.size < settings["fewest_engines"]:
                left_out += 1
                continue
            p = chance(inside[own], engine[own], settings["least_coverage"], settings["resamples"], rng)
            strata.append({
                "stratum": [words(name, key) for name, key in zip(names, keys[:, number], strict=True)],
                "coverage": float(inside[own].mean()), "firings": int(own.sum()), "engines": int(engines.size), "p": p,
            })  # fmt: skip
        corrected = holm_correction([one["p"] for one in strata]) if strata else np.empty(0)
        for one, value in zip(strata, corrected, strict=True):
            one["p_corrected"] = float(value)
        strata.sort(key=lambda one: (one["p_corrected"], one["coverage"]))
        refused = sum(one["p_corrected"] <= settings["level"] for one in strata)
        found.append({"division": list(names), "tested": len(strata), "left_out": left_out, "refused": refused,
                      "lowest": strata[: max(refused, LISTED)]})  # fmt: skip
    return found


def chance(inside: NDArray, engine: NDArray, least: float, resamples: int, rng: np.random.Generator) -> float:
    """Return the share of resamples, of whole engines, whose coverage reaches ``least``; never quite 0.

    Examples
    --------
    >>> inside = np.array([True, False] * 20)
    >>> chance(inside, np.repeat(np.arange(10), 4), 0.9, 999, np.random.default_rng(0))
    0.001
    """
    _, group = np.unique(engine, return_inverse=True)
    hits, counted = np.bincount(group, inside), np.bincount(group)
    drawn = rng.multinomial(counted.size, np.full(counted.size, 1 / counted.size), resamples)
    reached = (drawn @ hits) >= least * (drawn @ counted) - 1e-9
    return float((1 + reached.sum()) / (1 + resamples))


def words(name: str, key: str) -> str:
    """Return a stratum's value in words."""
    if name == "sample_rate_Hz":
        return f"{float(key) / 1e3:g} kS/s"
    return f"{key} bit" if name == "bits" else key.replace("_", " ")


def strata_markdown(found: Sequence[dict[str, Any]], settings: dict[str, Any]) -> str:
    """Return the section of the table."""
    text = [
        "## Coverage of the burn time's 95 % interval by stratum",
        f"Refused: coverage below {settings['least_coverage']:g} by a one-sided bootstrap over engines, corrected for "
        f"the number of strata of its division by Holm's rule (at most {settings['level']:g}). Strata of fewer than "
        f"{settings['fewest_engines']} engines are left out; listed are those refused, at least the {LISTED} lowest.",
    ]
    for one in found:
        title = " x ".join({"sample_rate_Hz": "rate"}.get(name, name) for name in one["division"])
        table = [f"**{title}**: {one['tested']} strata tested, {one['refused']} refused, {one['left_out']} left out.\n",
                 "| stratum | coverage | firings | engines | p | corrected |", "|---|---|---|---|---|---|"]  # fmt: skip
        table += [
            f"| {', '.join(s['stratum'])} | {s['coverage']:.3f} | {s['firings']} | {s['engines']} | {s['p']:.2g} "
            f"| {s['p_corrected']:.2g} |" for s in one["lowest"]
        ]  # fmt: skip
        text.append("\n".join(table))
    return "\n\n".join(text)
