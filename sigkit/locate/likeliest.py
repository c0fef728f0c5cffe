"""The two likeliest of several places, and their chances among all."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Log-odds are cut here: beyond, a place is as good as impossible or certain.
MOST = 20.0


def two_likeliest(odds: NDArray) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray, NDArray]:
    """Return the two likeliest places of each row, the likelier first, and their chances.

    Parameters
    ----------
    odds : ndarray, shape (n, k)
        Log-odds of each of k >= 2 places; minus infinity where there is none.

    Returns
    -------
    first, second : ndarray of int64, shape (n,)
    share, rival_share : ndarray, shape (n,)
        Of the sum over all places; 0 where there is none.

    Examples
    --------
    >>> first, second, share, rival_share = two_likeliest(np.log([[1.0, 4.0, 3.0]]))
    >>> first.tolist(), second.tolist(), share.round(6).tolist(), rival_share.round(6).tolist()
    ([1], [2], [0.5], [0.375])
    """
    first, second = np.argsort(-odds, axis=1, kind="stable")[:, :2].T
    chance = np.exp(np.minimum(odds, MOST))
    total = np.maximum(chance.sum(axis=1), 1e-300)
    index = np.arange(len(odds))
    return first, second, chance[index, first] / total, chance[index, second] / total
