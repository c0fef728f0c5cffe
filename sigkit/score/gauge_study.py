"""Gauge study: how much of the spread of readings is the readers', how much the events'."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws


@dataclass(frozen=True)
class GaugeStudy:
    """Components of variance of a crossed study, as standard deviations in the unit of the readings.

    Attributes
    ----------
    items, readers, repeats : int
        Size of the crossed table used.
    items_left_out : int
        Events not read by every reader as many times as the rest.
    repeatability : Estimate
        Of one reader on one event.
    reader, interaction : Estimate
        Between readers; from event to event between readers. NaN with one reader.
    reproducibility : Estimate
        Both together. NaN with one reader.
    gauge : Estimate
        Repeatability and reproducibility together (repeatability alone with one reader).
    item : Estimate
        Between the events themselves.
    gauge_share : Estimate
        Gauge against total standard deviation, 0 to 1.
    mean_squares : dict
        Of item, reader, interaction and repeat, as in the table of the analysis of variance.
    """

    items: int
    readers: int
    repeats: int
    items_left_out: int
    repeatability: Estimate
    reader: Estimate
    interaction: Estimate
    reproducibility: Estimate
    gauge: Estimate
    item: Estimate
    gauge_share: Estimate
    mean_squares: dict[str, float]


def gauge_study(
    value: ArrayLike,
    item: ArrayLike,
    reader: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> GaugeStudy:
    """Split the variance of readings by a two-way random analysis of variance with interaction.

    Only events that every reader read the same number of times (the commonest, two or more) enter. Negative
    components are set to zero. Own formulas: statsmodels fits one table at a time by least squares, and
    the intervals need the components of all resamples.

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
        When lengths differ or fewer than two events were read twice or more by every reader.

    Examples
    --------
    >>> found = gauge_study([1.0, 3.0, 11.0, 13.0], ["e", "e", "f", "f"], ["r1"] * 4, ["x", "x", "y", "y"],
    ...                     np.random.default_rng(0))
    >>> round(found.repeatability.value, 4), round(found.item.value, 4), found.mean_squares["item"]
    (1.4142, 7.0, 100.0)
    """
    values = np.asarray(value, dtype=float)
    texts = [np.asarray(column).astype(str) for column in (item, reader, engines)]
    if values.ndim != 1 or any(column.shape != values.shape for column in texts):
        raise ValueError("value, item, reader and engines must be lists of one length")
    kept = ~np.isnan(values)
    values, (item_name, reader_name, engine_name) = values[kept], [column[kept] for column in texts]
    table, engine, left_out = _crossed(values, item_name, reader_name, engine_name)
    items, readers, repeats = table.shape
    if items < 2 or repeats < 2:
        raise ValueError(
            f"{items} events were read equally often ({repeats} times) by every reader; a gauge study needs at least "
            "two events, each read twice or more by every reader"
        )
    table = table - table.mean()
    cell = table.mean(axis=2)
    whole = cell.mean(axis=1)
    columns = np.concatenate(
        [
            np.stack([np.ones(items), whole, whole**2, (cell**2).sum(axis=1), (table**2).sum(axis=(1, 2))], axis=1),
            cell,
        ],
        axis=1,
    )

    def squares(sums: NDArray) -> NDArray:
        count, total, whole, cells, everything = (sums[..., place] for place in range(5))
        of_reader = sums[..., 5:] / count[..., None]
        grand = total / count
        by_item = readers * repeats * (whole - count * grand**2)
        by_reader = count * repeats * ((of_reader - grand[..., None]) ** 2).sum(axis=-1)
        by_cell = repeats * (cells - count * readers * grand**2) - by_item - by_reader
        inside = everything - repeats * cells
        freedom = [count - 1, (readers - 1) + 0 * count, (count - 1) * (readers - 1), count * readers * (repeats - 1)]
        return np.stack([by_item, by_reader, by_cell, inside], axis=-1) / np.stack(freedom, axis=-1)

    def components(sums: NDArray) -> NDArray:
        of_item, of_reader, of_cell, inside = np.moveaxis(squares(sums), -1, 0)
        if readers == 1:
            nothing = np.full_like(inside, np.nan)
            item = np.maximum((of_item - inside) / repeats, 0)
            parts = [inside, nothing, nothing, nothing, inside, item]
        else:
            reader = np.maximum((of_reader - of_cell) / (sums[..., 0] * repeats), 0)
            both = np.maximum((of_cell - inside) / repeats, 0)
            item = np.maximum((of_item - of_cell) / (readers * repeats), 0)
            parts = [inside, reader, both, reader + both, inside + reader + both, item]
        return np.sqrt(np.stack([*parts, parts[4] / (parts[4] + parts[5])], axis=-1))

    draws = GroupDraws.draw(engine, rng, level, resamples)
    found = draws.many_of_sums(columns, components)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_squares = squares(columns.sum(axis=0))
    names = ("item", "reader", "interaction", "repeat")
    repeatability, of_readers, together, reproducibility, gauge, between, share = found
    return GaugeStudy(
        items, readers, repeats, left_out, repeatability, of_readers, together, reproducibility, gauge, between, share,
        dict(zip(names, map(float, mean_squares))),
    )  # fmt: skip


def _crossed(
    values: NDArray, item: NDArray, reader: NDArray, engine: NDArray
) -> tuple[NDArray[np.float64], NDArray, int]:
    """Return readings by event, reader and repeat, the events' engines, and how many events were left out."""
    _, of_engine = np.unique(engine, return_inverse=True)
    known, of_name = np.unique(item, return_inverse=True)
    # Names of events may repeat between engines.
    names, first, of_item = np.unique(
        of_engine * max(known.size, 1) + of_name, return_index=True, return_inverse=True
    )
    readers, of_reader = np.unique(reader, return_inverse=True)
    count = np.zeros((names.size, readers.size), dtype=int)
    np.add.at(count, (of_item, of_reader), 1)
    even = (count == count[:, :1]).all(axis=1) & (count[:, :1].ravel() > 1)
    repeats = int(np.bincount(count[even, 0]).argmax()) if even.any() else 1
    used = even & (count[:, :1].ravel() == repeats)
    rows = np.flatnonzero(used[of_item])
    rows = rows[np.lexsort((of_reader[rows], of_item[rows]))]
    table = values[rows].reshape(int(used.sum()), readers.size, repeats)
    return table, engine[first[used]], int((~used).sum())
