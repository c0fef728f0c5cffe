"""Intraclass correlations of readings: six forms, each with the interval of its theory and one over engines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws

#: Form -> its meaning; "single" judges one reading, "average" the mean of all readers'.
FORMS = {
    "ICC(1,1)": "each event read by other readers, single",
    "ICC(2,1)": "readers drawn from many, absolute agreement, single",
    "ICC(3,1)": "just these readers, consistency, single",
    "ICC(1,k)": "each event read by other readers, average",
    "ICC(2,k)": "readers drawn from many, absolute agreement, average",
    "ICC(3,k)": "just these readers, consistency, average",
}


@dataclass(frozen=True)
class IntraclassCorrelation:
    """Six forms of the intraclass correlation.

    Attributes
    ----------
    items, readers : int
        Size of the complete table.
    items_left_out : int
        Events with a missing reading.
    by_theory : dict
        Form -> value with its interval from the F distribution (independent events).
    by_engine : dict
        Form -> value with its bootstrap interval over engines.
    """

    items: int
    readers: int
    items_left_out: int
    by_theory: dict[str, Estimate]
    by_engine: dict[str, Estimate]


def intraclass_correlation(
    table: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> IntraclassCorrelation:
    """Return the six intraclass correlations of Shrout and Fleiss, Psychol. Bull. 1979;86:420-428.

    Own formulas: no library of the default install or the study extra has them.

    Parameters
    ----------
    table : array_like of float, shape (events, readers)
        One reading each; rows with a NaN are left out.
    engines : array_like, shape (events,)
    rng : numpy.random.Generator
    level : float
    resamples : int

    Raises
    ------
    ValueError
        When the table has fewer than two readers or two complete rows, or lengths differ.

    Examples
    --------
    >>> found = intraclass_correlation([[9, 2], [6, 1], [8, 4]], ["a", "b", "b"], np.random.default_rng(0))
    >>> {form: round(one.value, 3) for form, one in found.by_theory.items() if form.endswith("1)")}
    {'ICC(1,1)': -0.622, 'ICC(2,1)': 0.072, 'ICC(3,1)': 0.5}
    """
    readings, groups = np.asarray(table, dtype=float), np.asarray(engines)
    if readings.ndim != 2 or readings.shape[1] < 2 or groups.shape != readings.shape[:1]:
        raise ValueError(
            f"readings have shape {readings.shape} and engines {groups.shape}; expected events by two readers or "
            "more, and an engine an event"
        )
    complete = ~np.isnan(readings).any(axis=1)
    left_out = int((~complete).sum())
    readings, groups = readings[complete], groups[complete]
    items, readers = readings.shape
    if items < 2:
        raise ValueError(f"{items} events were read by every reader; expected two or more")
    readings = readings - readings.mean()
    row = readings.mean(axis=1)
    columns = np.concatenate(
        [np.stack([np.ones(items), row, row**2, (readings**2).sum(axis=1)], axis=1), readings], axis=1
    )

    def squares(sums: NDArray) -> NDArray:
        """Return mean squares between events, within them, between readers and of the rest."""
        count, total, rows, everything = (sums[..., place] for place in range(4))
        grand = total / count
        between = readers * (rows - count * grand**2)
        of_reader = count * ((sums[..., 4:] / count[..., None] - grand[..., None]) ** 2).sum(axis=-1)
        inside = everything - readers * rows
        rest = inside - of_reader
        freedom = [count - 1, count * (readers - 1), (readers - 1) + 0 * count, (count - 1) * (readers - 1)]
        return np.stack([between, inside, of_reader, rest], axis=-1) / np.stack(freedom, axis=-1)

    def forms(sums: NDArray) -> NDArray:
        between, inside, of_reader, rest = np.moveaxis(squares(sums), -1, 0)
        more, count = readers - 1, sums[..., 0]
        apart = readers * (of_reader - rest) / count
        values = [
            (between - inside) / (between + more * inside),
            (between - rest) / (between + more * rest + apart),
            (between - rest) / (between + more * rest),
            (between - inside) / between,
            (between - rest) / (between + apart / readers),
            (between - rest) / between,
        ]
        return np.stack(values, axis=-1)

    found = GroupDraws.draw(groups, rng, level, resamples).many_of_sums(columns, forms)
    with np.errstate(divide="ignore", invalid="ignore"):
        intervals = _theory(squares(columns.sum(axis=0)), found[1].value, items, readers, level)
    by_theory = {form: Estimate(one.value, *ends) for form, one, ends in zip(FORMS, found, intervals)}
    return IntraclassCorrelation(items, readers, left_out, by_theory, dict(zip(FORMS, found)))


def _theory(
    squares: NDArray, absolute: float, items: int, readers: int, level: float
) -> list[tuple[float, float]]:
    """Return the intervals of the six forms from the F distribution (same paper, pages 424-426)."""
    from scipy.stats import f

    between, inside, of_reader, rest = squares
    upper = (1 + level) / 2
    more = readers - 1

    def simple(error: float, freedom: int) -> list[float]:
        ratio = between / error
        return [ratio / f.ppf(upper, items - 1, freedom), ratio * f.ppf(upper, freedom, items - 1)]

    one_way, two_way = simple(inside, items * more), simple(rest, (items - 1) * more)
    if not rest > 0:
        second = [np.nan, np.nan]
    else:
        ratio = of_reader / rest
        part = items * (1 + more * absolute) - readers * absolute
        freedom = (more * (items - 1) * (readers * absolute * ratio + part) ** 2) / (
            (items - 1) * readers**2 * absolute**2 * ratio**2 + part**2
        )
        low, high = f.ppf(upper, items - 1, freedom), f.ppf(upper, freedom, items - 1)
        noise = readers * of_reader + (readers * items - readers - items) * rest
        second = [
            items * (between - low * rest) / (low * noise + items * between),
            items * (high * between - rest) / (noise + items * high * between),
        ]
    single = [[(ratio - 1) / (ratio + more) for ratio in ends] for ends in (one_way, two_way)]
    average = [[1 - 1 / ratio for ratio in ends] for ends in (one_way, two_way)]
    second_average = [readers * end / (1 + more * end) for end in second]
    chosen = [single[0], second, single[1], average[0], second_average, average[1]]
    return [(float(low), float(high)) for low, high in chosen]
