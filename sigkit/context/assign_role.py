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
#: One kind of evidence of one coil counts for at most so many standard errors (our choice).
MOST_SCORE = 8.0
#: A floor on the spread of a logarithm: a few firings may agree by chance (our choice: 4 %).
LEAST_SPREAD = 0.04
#: Two clusters of sweeps count when they lie apart by so many of their standard deviations and by this in the
#: logarithm; a sweep is decided from this log-likelihood ratio on, and one kind of evidence says at most so much
#: (our choice, checked on simulated sweeps).
SEPARATION = 3.5
LEAST_CLUSTER_DIFFERENCE = 0.15
LEAST_LOG_RATIO = 2.0
MOST_LOG_RATIO = 6.0
#: So few sweeps of a coil may all have one role (our choice).
FEW_SWEEPS = 4
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
    total = combine_scores(parity_scores(evidence, number))
    odd = np.asarray(number) % 2 == 1
    if abs(total) < SIGMA:
        return np.zeros(odd.size, dtype=np.int64)
    sign = 1 if total > 0 else -1
    return np.where(odd, -sign, sign).astype(np.int64)


def parity_scores(evidence: NDArray, number: NDArray) -> list[float]:
    """Return for each kind of evidence by how many standard errors even revolutions exceed odd ones.

    Kinds that say nothing are left out.
    """
    rows = np.atleast_2d(np.asarray(evidence, dtype=float))
    odd = np.asarray(number) % 2 == 1
    return [score for score in (_parity_score(row, odd) for row in rows) if abs(score) >= INFORMATIVE]


def combine_scores(scores: list[float]) -> float:
    """Return the joint score: kinds of evidence count as independent, none for more than `MOST_SCORE`."""
    if not scores:
        return 0.0
    return float(np.sum(np.clip(scores, -MOST_SCORE, MOST_SCORE)) / np.sqrt(len(scores)))


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

    Each kind of evidence is cut in two where the scatter within the parts is least; a cut counts when the parts
    lie apart by `SEPARATION` times their scatter. Kinds that count add their log-likelihood ratios.

    Parameters
    ----------
    evidence : ndarray, shape (n,) or (k, n)
        As in `power_by_parity`.
    both_ends : bool
        Whether the evidence compares the two ends of the coil (then a sign decides also alone).

    Returns
    -------
    ndarray of int64, shape (n,)
        1 power, -1 waste, 0 undecided.

    Examples
    --------
    >>> power_by_clusters(np.log([9.0, 2.0, 8.5, 2.2]), False).tolist()
    [1, -1, 1, -1]
    """
    rows = np.atleast_2d(np.asarray(evidence, dtype=float))
    ratio = np.sum([_cluster_ratio(row) for row in rows], axis=0)
    if np.any(ratio):
        return np.where(np.abs(ratio) > LEAST_LOG_RATIO, np.sign(ratio), 0).astype(np.int64)
    answer = np.zeros(rows.shape[1], dtype=np.int64)
    counts = np.isfinite(rows).sum(axis=0)
    known = np.flatnonzero(counts)
    # Many sweeps of one coil hold both roles: where they show no two clusters, one sign for all says nothing.
    if both_ends and 0 < known.size < FEW_SWEEPS:
        mean = np.nansum(rows[:, known], axis=0) / counts[known]
        clear = np.abs(mean) > SINGLE_DIFFERENCE
        answer[known] = np.where(clear, np.sign(mean), 0).astype(np.int64)
    return answer


def _cluster_ratio(evidence: NDArray) -> NDArray[np.float64]:
    """Log-likelihood ratio of the upper against the lower cluster, 0 where there are no two or nothing is known."""
    result = np.zeros(evidence.size)
    known = np.flatnonzero(np.isfinite(evidence))
    if known.size < 3:
        return result
    ordered = np.sort(evidence[known])
    cuts = np.arange(1, ordered.size)
    within = np.array([ordered[:c].var() * c + ordered[c:].var() * (ordered.size - c) for c in cuts])
    cut = int(cuts[within.argmin()])
    low, high = ordered[:cut], ordered[cut:]
    spread = max(float(np.sqrt(within.min() / (ordered.size - 2 + 1e-9))), LEAST_SPREAD) if ordered.size > 2 else 1.0
    apart = float(high.mean() - low.mean())
    # A single sweep away from all others is an odd one rather than the other role.
    balanced = min(low.size, high.size) >= 0.25 * ordered.size
    if apart < LEAST_CLUSTER_DIFFERENCE or apart < SEPARATION * spread or not balanced:
        return result
    middle = 0.5 * (low.mean() + high.mean())
    result[known] = np.clip((evidence[known] - middle) * apart / spread**2, -MOST_LOG_RATIO, MOST_LOG_RATIO)
    return result
