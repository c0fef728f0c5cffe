"""Power or waste spark: which of the two alternating firings of a shared coil is on compression."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Decided when the two groups differ by so many standard errors and by at least this in the logarithm of
#: the firing level (our choice; a waste spark fires at 1 to 4 kV, a power spark at 5 to 15 kV: common
#: practice, no source).
SIGMA = 3.0
LEAST_DIFFERENCE = 0.08
#: Kinds of evidence below this many standard errors say nothing and do not thin out the others (our choice).
INFORMATIVE = 1.0
#: A floor on the spread of a logarithm: a few firings may agree by chance (our choice: 4 %).
LEAST_SPREAD = 0.04
#: A single event is decided between two ends, or two clusters, from this difference on (our choice).
SINGLE_DIFFERENCE = 0.4


def power_by_parity(evidence: NDArray, number: NDArray) -> NDArray[np.int64]:
    """Decide by the parity of the revolution.

    Parameters
    ----------
    evidence : ndarray, shape (n,) or (k, n)
        Logarithms of levels that are higher on compression (firing level, burn level) of this end, less those of
        the other end where recorded; one row a kind of evidence; NaN allowed.
    number : ndarray of int, shape (n,)
        Revolution of each firing.

    Returns
    -------
    ndarray of int64, shape (n,)
        1 power, -1 waste, 0 undecided.

    Examples
    --------
    >>> power_by_parity(np.log([9.0, 2.0, 8.5, 2.2]), np.arange(4)).tolist()
    [1, -1, 1, -1]
    """
    rows = np.atleast_2d(np.asarray(evidence, dtype=float))
    odd = number % 2 == 1
    scores = [score for score in (_parity_score(row, odd) for row in rows) if abs(score) >= INFORMATIVE]
    # Kinds of evidence count as independent: their standardised differences add up.
    total = float(np.sum(scores) / np.sqrt(len(scores))) if scores else 0.0
    if abs(total) < SIGMA:
        return np.zeros(rows.shape[1], dtype=np.int64)
    sign = 1 if total > 0 else -1
    return np.where(odd, -sign, sign).astype(np.int64)


def _parity_score(evidence: NDArray, odd: NDArray) -> float:
    """Difference of the two parities' medians in standard errors; NaN where it cannot be told."""
    known = np.isfinite(evidence)
    groups = [evidence[known & ~odd], evidence[known & odd]]
    if min(g.size for g in groups) == 0:
        return float("nan")
    middle = [float(np.median(g)) for g in groups]
    difference = middle[0] - middle[1]
    deviation = np.concatenate([np.abs(g - m) for g, m in zip(groups, middle, strict=True)])
    spread = max(1.4826 * float(np.median(deviation)), LEAST_SPREAD)
    error = spread * 1.2533 * float(np.sqrt(sum(1.0 / g.size for g in groups)))
    return difference / error if abs(difference) >= LEAST_DIFFERENCE else 0.3 * difference / error


def power_by_clusters(evidence: NDArray, both_ends: bool) -> NDArray[np.int64]:
    """Decide for sweeps without a common time axis: by two clear clusters, or by the difference of the ends.

    Parameters
    ----------
    evidence : ndarray, shape (n,)
        As in `power_by_parity`.
    both_ends : bool
        Whether the evidence compares the two ends of the coil (then a sign decides also alone).

    Returns
    -------
    ndarray of int64, shape (n,)
        1 power, -1 waste, 0 undecided.
    """
    answer = np.zeros(evidence.size, dtype=np.int64)
    known = np.flatnonzero(np.isfinite(evidence))
    if known.size == 0:
        return answer
    ordered = np.sort(evidence[known])
    if ordered.size >= 3:
        gaps = np.diff(ordered)
        cut = int(gaps.argmax())
        low, high = ordered[: cut + 1], ordered[cut + 1 :]
        within = max(float(np.sqrt((low.var() * low.size + high.var() * high.size) / ordered.size)), 0.05)
        if high.mean() - low.mean() > max(2 * SINGLE_DIFFERENCE, 4 * within):
            middle = 0.5 * (low[-1] + high[0])
            answer[known] = np.where(evidence[known] > middle, 1, -1)
            return answer
    if both_ends:
        typical = float(np.median(ordered))
        clear = np.abs(evidence[known]) > SINGLE_DIFFERENCE
        same = np.sign(evidence[known]) == np.sign(typical)
        answer[known] = np.where(clear & same, np.sign(evidence[known]), 0).astype(np.int64)
    return answer
