"""Parts of many rows that are worked on one after the other."""

from __future__ import annotations

from collections.abc import Iterator

#: Values of a part (our choice: with what is made of them they stay in a second-level cache of 1 MB, and no fresh pages
#: are asked for).
VALUES = 1 << 16


def row_parts(rows: int, columns: int) -> Iterator[slice]:
    """Yield slices of rows that hold about `VALUES` values each, one row at least.

    Examples
    --------
    >>> [(part.start, part.stop) for part in row_parts(5, 30_000)]
    [(0, 2), (2, 4), (4, 5)]
    """
    step = max(1, VALUES // max(1, columns))
    for begin in range(0, rows, step):
        yield slice(begin, min(begin + step, rows))
