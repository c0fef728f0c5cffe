"""Repeatability and reproducibility of readings by ISO 5725-2, each event read being a level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws

#: Two readings differ by no more than this many standard deviations in 95 % of cases (ISO 5725-6: 1.96 sqrt(2)).
LIMIT_FACTOR = 2.8


@dataclass(frozen=True)
class ReadingPrecision:
    """Precision of readings, in their unit; NaN where the readings cannot show it.

    Attributes
    ----------
    readings, items, readers : int
    repeated_cells : int
        Events read more than once by one reader.
    mean : float
        Mean of the readings.
    repeatability : Estimate
        Standard deviation of readings of one event by one reader, s_r. NaN without repeats.
    between_readers : Estimate
        Standard deviation between readers, s_L. NaN with fewer than two readers, or without repeats.
    reproducibility : Estimate
        Standard deviation of readings of one event by any reader, s_R. NaN with fewer than two readers.
    repeatability_limit, reproducibility_limit : Estimate
        2.8 times those.
    by_reader : dict
        Reader -> repeatability of that reader alone.
    """

    readings: int
    items: int
    readers: int
    repeated_cells: int
    mean: float
    repeatability: Estimate
    between_readers: Estimate
    reproducibility: Estimate
    repeatability_limit: Estimate
    reproducibility_limit: Estimate
    by_reader: dict[str, Estimate]


def reading_precision(
    value: ArrayLike,
    item: ArrayLike,
    reader: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> ReadingPrecision:
    """Return repeatability and reproducibility, readers taking the place of laboratories.

    Per event by the formulas of ISO 5725-2:1994, 7.4 (from memory), for any number of readings: s_r^2 is
    pooled within; s_L^2 = (s_d^2 - s_r^2)/n, a negative one set to zero; s_R^2 = s_r^2 + s_L^2. Over events
    s_r^2 is pooled by degrees of freedom and s_L^2 averaged. Between readers a bias of one reader and its
    changes from event to event come together.

    Parameters
    ----------
    value : array_like of float, shape (n,)
        Readings in any one unit; NaN (not measurable) left out.
    item, reader : array_like, shape (n,)
        Event read, and by whom.
    engines : array_like, shape (n,)
    rng : numpy.random.Generator
    level : float
    resamples : int

    Raises
    ------
    ValueError
        When lengths differ.

    Examples
    --------
    >>> found = reading_precision([1.0, 3.0, 2.0, 6.0], ["e"] * 4, ["r1", "r1", "r2", "r2"], ["x"] * 4,
    ...                           np.random.default_rng(0))
    >>> round(found.repeatability.value, 4), found.between_readers.value, found.reproducibility.value**2
    (2.2361, 0.0, 5.000000000000001)
    """
    values = np.asarray(value, dtype=float)
    texts = [np.asarray(column).astype(str) for column in (item, reader, engines)]
    if values.ndim != 1 or any(column.shape != values.shape for column in texts):
        raise ValueError("value, item, reader and engines must be lists of one length")
    kept = ~np.isnan(values)
    values, (item_name, reader_name, engine_name) = values[kept], [column[kept] for column in texts]
    engine, of_engine = np.unique(engine_name, return_inverse=True)
    known, of_name = np.unique(item_name, return_inverse=True)
    # Names of events may repeat between engines.
    names, of_item = np.unique(of_engine * max(known.size, 1) + of_name, return_inverse=True)
    readers, of_reader = np.unique(reader_name, return_inverse=True)
    centre = float(values.mean()) if values.size else np.nan
    cell, of_cell, count = np.unique(
        of_item * max(readers.size, 1) + of_reader, return_inverse=True, return_counts=True
    )
    mean = np.bincount(of_cell, values - centre, cell.size) / count
    within = np.bincount(of_cell, (values - centre - mean[of_cell]) ** 2, cell.size)
    cell_item, cell_reader = np.divmod(cell, max(readers.size, 1))

    engine_of_item = engine[names // max(known.size, 1)]
    draws = GroupDraws.draw(engine_of_item[cell_item], rng, level, resamples)
    columns = np.zeros((cell.size, 5 + 2 * readers.size))
    columns[:, 0], columns[:, 1] = within, count - 1
    columns[:, 2:5] = _between(mean, count, cell_item, names.size)
    each = np.arange(cell.size)
    columns[each, 5 + cell_reader], columns[each, 5 + readers.size + cell_reader] = within, count - 1

    def formula(sums: NDArray) -> NDArray:
        inside, freedom, compared, over, inverse = (sums[..., place] for place in range(5))
        repeat = inside / freedom
        # Without repeats the cells are single readings, whose variance is that of reproducibility.
        between = np.where(freedom > 0, np.maximum((over - repeat * inverse) / compared, 0), np.nan)
        both = np.where(freedom > 0, repeat + between, over / compared)
        alone = sums[..., 5 : 5 + readers.size] / sums[..., 5 + readers.size :]
        return np.sqrt(np.concatenate([np.stack([repeat, between, both], axis=-1), alone], axis=-1))

    repeat, between, both, *alone = draws.many_of_sums(columns, formula)
    return ReadingPrecision(
        values.size, names.size, readers.size, int((count > 1).sum()), centre, repeat, between, both,
        _times(repeat), _times(both), dict(zip(map(str, readers), alone)),
    )  # fmt: skip


def _between(mean: NDArray, count: NDArray, item: NDArray, items: int) -> NDArray[np.float64]:
    """Return, on the first cell of each event with two readers or more: 1, s_d^2/n and 1/n; zero elsewhere."""
    cells, readings = np.bincount(item, minlength=items), np.bincount(item, count, items)
    average = np.bincount(item, count * mean, items) / readings
    freedom = np.maximum(cells - 1, 1)
    spread = np.bincount(item, count * (mean - average[item]) ** 2, items) / freedom
    size = (readings - np.bincount(item, count**2, items) / readings) / freedom
    first = np.flatnonzero(np.r_[True, item[1:] != item[:-1]][: item.size])
    out = np.zeros((item.size, 3))
    chosen = first[cells > 1]
    size = np.where(size > 0, size, 1)
    for column, figure in enumerate((np.ones(items), spread / size, 1 / size)):
        out[chosen, column] = figure[cells > 1]
    return out


def _times(estimate: Estimate) -> Estimate:
    return Estimate(*(LIMIT_FACTOR * number for number in (estimate.value, estimate.low, estimate.high)))
