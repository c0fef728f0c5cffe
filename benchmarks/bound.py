"""How near the built-in locator comes to the Cramer-Rao bound of breakdown and burn_end, by rate and noise.

Run from the project's folder: ``python benchmarks/bound.py``; a quick look is ``--coils 2 --repeats 10 --out look``.
White noise only: no quantisation, no disturbance. Bound: `timing_bound`.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from timing_bound import Model, bound_s, breakdown_model, burn_end_model, fit_model

from sigkit import provenance, registry
from sigkit.measure.measure_capture import LOCATOR
from sigkit.simulate.event_waveforms import EventWaveforms
from sigkit.simulate.instrument import Instrument
from sigkit.simulate.integrate_circuit import integrate_circuit
from sigkit.simulate.typical_coils import typical_coils
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

HERE = Path(__file__).resolve().parent
RATES_HZ = (50e3, 100e3, 200e3, 500e3, 1e6)
#: Noise of a sample, share of the burn level; bandwidth, share of the rate (our choices).
NOISES = (0.003, 0.01, 0.03)
BANDWIDTH_SHARE = 0.5
#: Step of the fine grid, period of the repeated firing, time in front of coil_off, seconds.
STEP_S, PERIOD_S, BEFORE_S = 0.1e-6, 16e-3, 6e-3
#: Reach of the local models before and behind the instant, seconds (our choices: most of a rise; a swing or so).
REACH_S = {"breakdown": (6e-6, 60e-6), "burn_end": (200e-6, 120e-6)}
MODELS: dict[str, Model] = {"breakdown": breakdown_model, "burn_end": burn_end_model}
#: A local model must follow the noise-free waveform to this share of the burn level (our choice).
LARGEST_MISFIT = 0.02


def main() -> int:
    """Write ``bound.json``, ``bound.md`` and ``bound.png``."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, default=HERE / "results")
    parser.add_argument("--coils", type=int, default=6)
    parser.add_argument("--repeats", type=int, default=15, help="recordings of each firing, rate and noise")
    options = parser.parse_args()
    seed = provenance.seed_from(provenance.tree_hash(), provenance.file_hash(Path(__file__)))
    rng = np.random.default_rng(seed)
    coils = typical_coils(options.coils, rng)
    # A fluctuating burn line is no white noise; the bound is of the smooth one.
    waves = integrate_circuit(coils.with_(flow_noise=0 * coils.flow_noise), rng)
    rows = [row for number in range(options.coils) for row in one_coil(waves, number, options.repeats, rng)]
    lines = make_lines(rows)
    about = {
        "sigkit_tree": provenance.tree_hash(), "uncommitted_changes": provenance.has_uncommitted_changes(),
        "seed": seed, "coils": options.coils, "repeats": options.repeats, "locator": LOCATOR,
        "versions": provenance.versions(),
    }  # fmt: skip
    options.out.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"about": about, "lines": lines}, indent=1, allow_nan=False)
    (options.out / "bound.json").write_text(text + "\n", encoding="utf-8")
    (options.out / "bound.md").write_text(as_markdown(about, lines), encoding="utf-8")
    draw(lines, options.out / "bound.png")
    sys.stdout.write(f"{options.out / 'bound.md'}: {len(lines)} lines\n")
    return 0


def one_coil(waves: EventWaveforms, number: int, repeats: int, rng: np.random.Generator) -> list[dict[str, Any]]:
    """Return bound and errors of one firing at every rate and noise."""
    truth = waves.truth
    instant_s = {"breakdown": truth.breakdown_s[number, 0], "burn_end": truth.burn_end_s[number, 0]}
    level = abs(float(truth.burn_voltage_V[number, 0]))
    if not np.isfinite([*instant_s.values(), level]).all() or truth.restrikes[number, 0]:
        return []
    fine_s = -BEFORE_S + STEP_S * np.arange(round(PERIOD_S / STEP_S))
    fine = -waves.sample("tower_0_V", number, fine_s) / level
    rows = []
    local = {name: _local(name, fine_s, fine, at) for name, at in instant_s.items()}
    for rate in RATES_HZ:
        front = Instrument(rate, 16, BANDWIDTH_SHARE * rate)
        seen = _filtered(fine, front)
        for noise in NOISES:
            record, phase = _record(seen, rate, repeats, noise, rng)
            found = _located(record, rate, phase)
            for name, at in instant_s.items():
                p, misfit, time_s = local[name]
                each = [_bound(name, p, time_s, rate, noise, front, share) for share in (0.17, 0.5, 0.83)]
                # The recorder delays a slow signal; its delay is known and constant, so only the scatter counts.
                error = found[name] / rate - (BEFORE_S + PERIOD_S * np.arange(repeats) - phase + at)
                rows.append({
                    "instant": name, "rate_Hz": rate, "noise": noise, "coil": number, "misfit": misfit,
                    "bound_s": float(np.sqrt(np.mean(np.square(each)))), "error_s": error,
                })  # fmt: skip
    return rows


def _local(name: str, fine_s: NDArray, fine: NDArray, at: float) -> tuple[NDArray, float, NDArray]:
    """Return the parameters of the local model, its misfit and its times about the instant."""
    before, behind = REACH_S[name]
    near = (fine_s >= at - before) & (fine_s <= at + behind)
    time_s, values = fine_s[near] - at, fine[near]
    here = int(np.argmin(np.abs(time_s)))
    if name == "burn_end":
        start = np.array([0.0, values[here], 0.0, 0.0, -0.3, 0.0, 0.3, 0.02])
    else:
        start = np.array([0.0, values.max(), 2.0, 0.0, values[-1], 0.0, np.log(0.1)])
    p, misfit = fit_model(MODELS[name], time_s, values, start)
    return p, misfit, time_s


def _bound(
    name: str, p: NDArray, time_s: NDArray, rate: float, noise: float, front: Instrument, share: float
) -> float:
    """Return the bound for one position of the sample clock, through the recorder's low-pass."""
    # The low-pass starts settled on a stretch of the model itself, so that nothing but the instant moves in it.
    lead = round(4 * front.delay_s / STEP_S)
    longer = np.concatenate([time_s[0] + STEP_S * np.arange(-lead, 0), time_s])
    every = 1.0 / (rate * STEP_S)
    places = lead + np.arange(share * every, time_s.size - 1, every)

    def kept(values: NDArray) -> NDArray:
        return np.interp(places, np.arange(values.size), _filtered(values, front))

    return bound_s(MODELS[name], p, longer, noise, kept)


def _filtered(values: NDArray, front: Instrument) -> NDArray[np.float64]:
    from scipy.signal import lfilter, lfilter_zi

    b, a = front.front_end(STEP_S)
    return np.asarray(lfilter(b, a, values, zi=lfilter_zi(b, a) * values[0])[0])


def _record(
    seen: NDArray, rate: float, repeats: int, noise: float, rng: np.random.Generator
) -> tuple[NDArray, float]:
    """Return one record of the firing repeated, the clock falling elsewhere each time, and its phase in s."""
    # An odd part of a sample a period spreads the positions of the clock evenly over a sample.
    phase = float(rng.random() / rate)
    at = phase + np.arange(int((PERIOD_S * repeats - 1.0 / rate) * rate)) / rate
    inside = np.mod(at + 0.382 / rate * np.floor(at / PERIOD_S), PERIOD_S)
    clean = np.interp(inside, STEP_S * np.arange(seen.size), seen)
    return clean + noise * rng.standard_normal(clean.size), phase


def _located(record: NDArray, rate: float, phase: float) -> dict[str, NDArray]:
    """Return float samples of both instants from the locator under test, its firings given."""
    repeats = int(np.ceil(record.size / (PERIOD_S * rate) - 0.5))
    position = np.round((BEFORE_S + PERIOD_S * np.arange(repeats) - phase) * rate).astype(np.int64)
    channel = Channel("1", record, rate, unit="V", kind="secondary_voltage")
    firings = Firings(
        "1", position, np.maximum(position - round(5.5e-3 * rate), 0),
        np.minimum(position + round(9.5e-3 * rate), record.size), np.ones(repeats, dtype=np.int8), np.arange(repeats),
    )  # fmt: skip
    found = registry.load("locators", LOCATOR)().locate(channel, firings)
    # The clock moved by this much from period to period.
    moved = 0.382 * np.arange(repeats)
    return {"breakdown": found.breakdown.position + moved, "burn_end": found.burn_end.position + moved}


def make_lines(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return bound, scatter and efficiency by instant, rate and noise.

    Firings that the model does not follow are left out, and those of which the samples say nothing by themselves: a
    bound above the whole of ten samples (fewer samples on the rise and collapse than unknowns).
    """
    lines = []
    for name in MODELS:
        for rate in RATES_HZ:
            for noise in NOISES:
                own = [r for r in rows if (r["instant"], r["rate_Hz"], r["noise"]) == (name, rate, noise)]
                fit = [r for r in own if r["misfit"] <= LARGEST_MISFIT and r["bound_s"] < 10.0 / rate]
                if not fit:
                    continue
                known = [r["error_s"][np.isfinite(r["error_s"])] for r in fit]
                answered = sum(e.size for e in known) / sum(r["error_s"].size for r in fit)
                pairs = [(r["bound_s"] ** 2, e.var(ddof=1)) for r, e in zip(fit, known, strict=True) if e.size > 2]
                bound, seen = (np.array(column) for column in zip(*pairs, strict=True))
                lines.append({
                    "instant": name, "rate_Hz": rate, "noise": noise, "coils": len(fit),
                    "left_out": len(own) - len(fit),
                    "answered": answered, "bound_us": float(np.sqrt(np.median(bound)) * 1e6),
                    "scatter_us": float(np.sqrt(np.median(seen)) * 1e6),
                    "efficiency": float(bound.sum() / seen.sum()), "median_efficiency": float(np.median(bound / seen)),
                })  # fmt: skip
    return lines


def as_markdown(about: dict[str, Any], lines: list[dict[str, Any]]) -> str:
    """Return the table as text."""
    text = ["# Instants against the Cramér-Rao bound in white noise\n"]
    if about["uncommitted_changes"]:
        text.append("**Made with changes that are not committed: not a result.**\n")
    text.append(
        f"{about['coils']} simulated smooth firings, {about['repeats']} recordings each. Seed {about['seed']}. Noise "
        "is a share of the burn level, bandwidth half the rate, one pole. The bound is that of a local parametric "
        "model fitted to the noise-free waveform, all its parameters unknown; a locator that knows more of the "
        "waveform (its shape from training, the rest of the firing, others of the lead) may scatter less than "
        "this bound.\n\n"
        "Efficiency: sum of bound variances over sum of observed variances about each firing's own mean error; "
        "median: of the single firings. Left out: firings that the model does not follow to 2 % of the burn level, "
        "or whose samples at the instant are fewer than the unknowns, so that there is no bound.\n\n"
        "| instant | rate, kS/s | noise | firings | left out | answered | bound, µs | scatter, µs | efficiency "
        "| median |\n"
        "|---|---|---|---|---|---|---|---|---|---|"
    )
    text += [
        f"| {one['instant'].replace('_', ' ')} | {one['rate_Hz'] / 1e3:g} | {one['noise']:g} | {one['coils']} "
        f"| {one['left_out']} | {one['answered']:.3f} | {one['bound_us']:.3g} | {one['scatter_us']:.3g} "
        f"| {one['efficiency']:.3g} | {one['median_efficiency']:.3g} |"
        for one in lines
    ]
    return "\n".join(text) + "\n"


def draw(lines: list[dict[str, Any]], path: Path) -> None:
    """Draw scatter and bound over the rate, one panel an instant."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9, 4), layout="constrained")
    for axes, name in zip(figure.subplots(1, 2), MODELS, strict=True):
        for noise, colour, mark in zip(NOISES, ("#0072b2", "#e69f00", "#009e73"), "os^", strict=True):
            own = [one for one in lines if (one["instant"], one["noise"]) == (name, noise)]
            rate = [one["rate_Hz"] / 1e3 for one in own]
            axes.loglog(rate, [one["scatter_us"] for one in own], mark + "-", color=colour, label=f"noise {noise:g}")
            axes.loglog(rate, [one["bound_us"] for one in own], ":", color=colour)
        axes.set(title=name.replace("_", " "), xlabel="rate, kS/s", ylabel="standard deviation, µs")
        rates = [one["rate_Hz"] / 1e3 for one in lines if one["instant"] == name]
        axes.set_xticks(sorted(set(rates)), [f"{rate:g}" for rate in sorted(set(rates))], minor=False)
        axes.minorticks_off()
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(handles, labels, title="dotted: bound", frameon=False, fontsize="small", loc="outside lower center",
                  ncols=3)  # fmt: skip
    figure.savefig(path, dpi=120)


if __name__ == "__main__":
    sys.exit(main())
