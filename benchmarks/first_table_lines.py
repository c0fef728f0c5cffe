"""From scored rows to the lines of the first table, each with its count, share answered and interval."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import spearmanr

from sigkit.score.bootstrap import bootstrap_interval, bootstrap_share
from sigkit.score.classification import calibration_error, confusion, macro_f1
from sigkit.score.timing import timing_errors
from sigkit.types.firing_table import CONDITIONS

Rows = dict[str, NDArray]


@dataclass(frozen=True)
class Line:
    """One line of the table.

    ``counted`` is the number of firings (or leads) the value speaks of; ``answered_share`` is the share
    of them with any answer; low and high are the bootstrap interval over ``engines`` engines.
    """

    part: str
    quantity: str
    value: float
    low: float
    high: float
    unit: str
    counted: int
    answered_share: float
    engines: int


class LineMaker:
    """Makes the lines of one part (all rows, or those of one rate, number of bits or condition)."""

    def __init__(self, part: str, rows: Rows, protocol: dict[str, Any], rng: np.random.Generator) -> None:
        self.part, self.rows, self.protocol, self.rng = part, rows, protocol, rng
        self.real = ~rows["spurious"]
        self.secondary = self.real & (rows["kind"] == "secondary_voltage")
        self.draws = {"level": protocol["level"], "resamples": protocol["resamples"]}

    def share(
        self, quantity: str, hits: NDArray, counted: NDArray, answered: NDArray | None = None, groups: Any = None
    ) -> Iterator[Line]:
        """Yield the share of counted rows that are hits, if any is counted."""
        if not counted.any():
            return
        groups = self.rows["engine"] if groups is None else groups
        low, high = bootstrap_share(hits & counted, counted, groups, self.rng, **self.draws)
        value = (hits & counted).sum() / counted.sum()
        share = np.nan if answered is None else (answered & counted).sum() / counted.sum()
        yield Line(self.part, quantity, float(value), low, high, "share", int(counted.sum()), float(share),
                   len(np.unique(groups[counted])))  # fmt: skip

    def statistic(
        self, quantity: str, unit: str, of: Callable[..., float], counted: NDArray, answered: NDArray,
        *columns: NDArray,
    ) -> Iterator[Line]:  # fmt: skip
        """Yield a statistic of columns over the counted rows, if any is counted."""
        if not counted.any():
            return
        picked = [column[counted] for column in columns]
        groups = self.rows["engine"][counted]
        low, high = bootstrap_interval(of, picked, groups, self.rng, **self.draws)
        yield Line(self.part, quantity, float(of(*picked)), low, high, unit, int(counted.sum()),
                   float(answered[counted].mean()), len(np.unique(groups)))  # fmt: skip

    def detection(self) -> Iterator[Line]:
        """Recall of firings on the record; precision over every detection that is judged."""
        rows = self.rows
        others = self.real & ~self.secondary
        for kind, where in (("all", self.real), ("secondary", self.secondary), ("primary", others)):
            asked = where & rows["on_record"]
            yield from self.share(f"detection recall, {kind} channels", rows["detected"], asked, rows["detected"])
        judged = rows["spurious"] | (rows["on_record"] & rows["detected"])
        yield from self.share("detection precision, all channels but coil current", ~rows["spurious"], judged)

    def polarity(self) -> Iterator[Line]:
        """Polarity by secondary lead: right when every firing found on it has the true sign; none found is wrong."""
        rows = self.rows
        asked = np.flatnonzero(self.secondary & rows["on_record"])
        if not asked.size:
            return
        key = np.char.add(np.char.add(rows["engine"][asked], "/"), rows["lead"][asked])
        _, first, lead = np.unique(key, return_index=True, return_inverse=True)
        found = np.bincount(lead, rows["detected"][asked]) > 0
        wrong = rows["detected"][asked] & (rows["answer_polarity"][asked] != rows["polarity"][asked])
        right = found & (np.bincount(lead, wrong) == 0)
        everyone = np.ones(first.size, dtype=bool)
        answered = np.bincount(lead, rows["answer_polarity"][asked] != 0) > 0
        yield from self.share(
            "polarity right, by secondary lead", right, everyone, answered, rows["engine"][asked][first]
        )

    def spark(self) -> Iterator[Line]:
        """Spark state on secondary leads; unanswered is wrong."""
        rows = self.rows
        unspoilt = rows["on_record"] & ~rows["cut"] & ~rows["clipped"]
        asked = self.secondary & (rows["measurable"] | ((rows["sparked"] != "yes") & unspoilt))
        right = rows["answer_sparked"] == rows["sparked"]
        answered = ~np.isin(rows["answer_sparked"], ("", "unknown"))
        yield from self.share("spark state right", right, asked, answered)
        for state in ("yes", "flash", "no"):
            yield from self.share(
                f"spark state right where it is {state!r}", right, asked & (rows["sparked"] == state), answered
            )

    def role(self) -> Iterator[Line]:
        """Power or waste on sparked firings of shared coils."""
        rows = self.rows
        sparked = self.secondary & rows["detected"] & (rows["sparked"] == "yes") & rows["on_record"]
        shared = sparked & (rows["ignition_type"] == "shared_coil")
        decided = np.isin(rows["answer_role"], ("power", "waste", "single"))
        right = rows["answer_role"] == rows["role"]
        yield from self.share("role right of decided, shared coils", right, shared & decided)
        key = np.char.add(np.char.add(rows["engine"], "/"), rows["lead"])
        on_lead = self.secondary & rows["on_record"]
        names, counts = np.unique(key[on_lead], return_counts=True)
        many = np.isin(key, names[counts >= self.protocol["role"]["fewest_firings"]])
        fewest = self.protocol["role"]["fewest_firings"]
        yield from self.share(
            f"role unknown, shared coils with {fewest} firings or more", ~decided, shared & many, decided
        )
        single = sparked & (rows["ignition_type"] != "shared_coil")
        yield from self.share("role right, coils of one plug", right, single, decided)

    def burn_time(self) -> Iterator[Line]:
        """Errors of the burn time on secondary leads, in time at high rates, in samples at low ones."""
        rows, settings = self.rows, self.protocol["burn_time"]
        measurable = self.secondary & rows["measurable"]
        error = rows["burn_time_error_s"]
        answered = ~np.isnan(error)
        quick = rows["sample_rate_Hz"] >= settings["timed_from_Hz"]
        least = f"{settings['timed_from_Hz'] / 1e3:g} kS/s"
        for words, where, scaled, unit in (
            (f"from {least}", quick, error * 1e6, "µs"),
            (f"below {least}", ~quick, error * rows["sample_rate_Hz"], "samples"),
        ):
            for name, of in (
                ("median absolute error", lambda e: timing_errors(e).median_absolute),
                ("95 % quantile of the absolute error", lambda e: timing_errors(e).p95_absolute),
                ("99 % quantile of the absolute error", lambda e: timing_errors(e).p99_absolute),
                ("bias", lambda e: timing_errors(e).bias),
            ):
                yield from self.statistic(
                    f"burn time {words}: {name}", unit, of, measurable & where, answered, scaled
                )
        yield from self.statistic(
            "burn time, ends without a rise: 95 % quantile of the absolute error", "µs",
            lambda e: timing_errors(e).p95_absolute, measurable & rows["soft_end"], answered, error * 1e6,
        )  # fmt: skip
        limit = settings["within_ms"]
        yield from self.share(
            f"burn time answered within {limit:g} ms", np.abs(error) <= limit * 1e-3, measurable, answered
        )
        for name in ("coil_off", "breakdown", "burn_end", "burn_time"):
            known = ~np.isnan(rows[f"{name}_error_s"])
            yield from self.share(
                f"95 % interval of {name.replace('_', ' ')} covers the truth, of answered",
                rows[f"{name}_inside"], measurable & known,
            )  # fmt: skip

    def stated(self) -> Iterator[Line]:
        """What the stated intervals of the burn time say, and whether they know where it is wrong."""
        rows = self.rows
        error, half = np.abs(rows["burn_time_error_s"]), rows["burn_time_half_width_s"]
        asked = self.secondary & rows["measurable"]
        answered = asked & np.isfinite(error) & np.isfinite(half)
        yield from self.statistic(
            "burn time: median half-width of the 95 % interval", "µs", lambda h: float(np.nanmedian(h)), asked,
            answered, half * 1e6,
        )  # fmt: skip
        if np.unique(half[answered]).size > 1 and np.unique(error[answered]).size > 1:
            yield from self.statistic(
                "burn time: rank correlation of half-width and absolute error (Spearman)", "1",
                lambda h, e: float(spearmanr(h, e).statistic), answered, answered, half, error,
            )  # fmt: skip
        limit = self.protocol["burn_time"]["gross_ms"]
        unaware = (error > limit * 1e-3) & (half < 0.5 * error)
        yield from self.share(
            f"burn time wrong by more than {limit:g} ms with a half-width below half of that, of answered", unaware,
            answered,
        )  # fmt: skip

    def relative(self, words: str, error: NDArray, counted: NDArray) -> Iterator[Line]:
        """Yield median and 95 % quantile of absolute relative errors over the counted rows."""
        for name, quantile in (("median", 50), ("95 % quantile", 95)):
            yield from self.statistic(
                f"{words}: {name} of the absolute relative error", "1",
                lambda e, quantile=quantile: float(np.nanpercentile(np.abs(e), quantile)) if np.isfinite(e).any()
                else np.nan, counted, np.isfinite(error), error,
            )  # fmt: skip

    def burn_voltage(self) -> Iterator[Line]:
        """Relative errors of the burn voltage where nothing was clipped."""
        error = self.rows["burn_voltage_error"]
        asked = self.secondary & self.rows["burn_voltage_asked"] & ~self.rows["clipped"]
        zero = asked & np.isinf(self.rows["pickup_time_constant_s"])
        yield from self.relative("burn voltage, not clipped", error, asked)
        yield from self.relative("burn voltage, not clipped, pickups that pass zero frequency", error, zero)
        yield from self.share(
            "95 % interval of burn voltage covers the truth, of answered", self.rows["burn_voltage_inside"],
            asked & np.isfinite(error),
        )

    def shapes(self) -> Iterator[Line]:
        """Slope of the burn line, and frequency and damping of rings that show enough cycles."""
        rows, fewest = self.rows, self.protocol["ring"]["fewest_cycles"]
        rings = rows["ring_cycles"] >= fewest
        for name, words, where in (
            ("burn_slope", "not clipped", np.ones(rings.size, dtype=bool)),
            ("ring_frequency", f"rings that show {fewest} cycles or more", rings),
            ("ring_damping_ratio", f"rings that show {fewest} cycles or more", rings),
        ):
            error, said = rows[f"{name}_error"], name.replace("_", " ")
            # How many cycles a ring shows is known from the answer only, so there every row has one.
            asked = self.secondary & ~rows["clipped"] & rows[f"{name}_asked"] & where
            yield from self.relative(f"{said}, {words}", error, asked)
            yield from self.share(
                f"95 % interval of {said} covers the truth, of answered", rows[f"{name}_inside"],
                asked & np.isfinite(error),
            )

    def condition(self) -> Iterator[Line]:
        """Condition of firings on secondary leads; a firing not found is a miss."""
        rows = self.rows
        asked = self.secondary & rows["on_record"]
        if not (asked & (rows["answer_condition_set"] != "")).any():
            return
        best = best_guess(rows)
        answered = ~np.isin(rows["answer_condition"], ("", "unknown"))
        classes = [name for name in CONDITIONS if (rows["condition"][asked] == name).any()]

        def f1(truth: NDArray, answer: NDArray) -> float:
            return macro_f1(truth, answer, classes)

        yield from self.statistic(
            "condition: macro-F1 of the best guess", "F1", f1, asked, best != "", rows["condition"], best
        )
        yield from self.statistic(
            "condition: macro-F1, abstaining counts as a miss", "F1", f1, asked, answered, rows["condition"],
            rows["answer_condition"],
        )  # fmt: skip
        judged = asked & (rows["answer_condition_set"] != "")
        sets = np.char.split(rows["answer_condition_set"], "|")
        inside = np.array([name in members for name, members in zip(rows["condition"], sets)], dtype=bool)
        yield from self.share("condition: set holds the true one, of judged", inside, judged)
        yield from self.statistic(
            "condition: mean size of the set", "conditions", lambda n: float(np.mean(n)), judged, answered,
            np.array([len(members) for members in sets], dtype=float),
        )  # fmt: skip
        yield from self.statistic(
            "condition: expected calibration error of the best guess", "probability", calibration_error, judged,
            answered, rows["answer_probability"], best == rows["condition"],
        )  # fmt: skip


def best_guess(rows: Rows) -> NDArray[np.str_]:
    """Return the most likely condition of each row, ``""`` where the firing was not judged."""
    return np.array([members.split("|")[0] for members in rows["answer_condition_set"]], dtype=str)


def confusion_of_best(rows: Rows) -> list[list[int]]:
    """Return counts by true condition (rows) and best guess (columns, the last: not judged)."""
    asked = ~rows["spurious"] & (rows["kind"] == "secondary_voltage") & rows["on_record"]
    best = best_guess(rows)[asked]
    return confusion(rows["condition"][asked], np.where(best == "", "unknown", best), CONDITIONS).tolist()


def make_lines(
    rows: Rows, protocol: dict[str, Any], rng: np.random.Generator, *, divided: bool = True
) -> list[Line]:
    """Return all lines: of everything, then, if divided, by sample rate, by bits, by condition."""
    lines: list[Line] = []
    parts: list[tuple[str, NDArray]] = [("all", np.ones(rows["spurious"].size, dtype=bool))]
    for rate in np.unique(rows["sample_rate_Hz"]):
        parts.append((f"{rate / 1e3:g} kS/s", rows["sample_rate_Hz"] == rate))
    for bits in np.unique(rows["bits"]):
        parts.append((f"{bits} bit", rows["bits"] == bits))
    for name in CONDITIONS:
        parts.append((name, ~rows["spurious"] & (rows["condition"] == name)))
    for part, where in parts if divided else parts[:1]:
        maker = LineMaker(part, {name: column[where] for name, column in rows.items()}, protocol, rng)
        steps = [
            maker.detection, maker.polarity, maker.spark, maker.role, maker.burn_time, maker.stated, maker.burn_voltage,
            maker.shapes,
        ]  # fmt: skip
        # One condition alone has no macro-F1, and a detection that is none has no condition.
        steps += [] if part in CONDITIONS else [maker.condition]
        found = [line for step in steps for line in step()]
        lines += [line for line in found if part not in CONDITIONS or "precision" not in line.quantity]
    return lines
