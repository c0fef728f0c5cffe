"""The end of the burn as a kink: a smooth burn line that runs into a damped ring, for many instants at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Damping ratio of the ring in the fit (our choice: the middle of what coils show, 0.05 to 0.15; common
#: practice, no source). Within half a swing it hardly matters.
DAMPING = 0.1
#: Parameters: value, slope and curvature before; slope and offset of the ring behind.
PARAMETERS = 5
#: Weak ridge on them, in units of the scaled basis (our choice: keeps sparse records solvable and the
#: ring about the settled level).
RIDGE = (1e-9, 1e-8, 1e-6, 1e-8, 1e-5)


def fit_kinks(
    rows: NDArray, weight: NDArray, candidates: NDArray, span: float, omega: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit burn line and ring, which meet, for each row and candidate instant.

    Parameters
    ----------
    rows : ndarray, shape (n, w)
        Samples; NaN counts as weight 0.
    weight : ndarray, shape (n, w)
        0 or 1.
    candidates : ndarray, shape (k,)
        Kink positions, float columns.
    span : float
        Time scale of the polynomial, columns.
    omega : float
        Angular frequency of the ring, radians per column.

    Returns
    -------
    cost : ndarray, shape (n, k)
        Residual sum of squares.
    jump : ndarray, shape (n, k)
        Change of slope at the kink, units per column.
    """
    good = weight * np.isfinite(rows)
    y = np.where(good > 0, rows, 0.0)
    total = (y * y).sum(axis=1)
    s = np.arange(rows.shape[1])[None, :] - candidates[:, None]
    before = np.minimum(s, 0.0) / span
    behind = np.maximum(s, 0.0)
    fade = np.exp(-DAMPING * omega * behind)
    swing = fade * np.cos(omega * behind)
    basis = np.stack(
        [swing, before, before**2, fade * np.sin(omega * behind), (1.0 - swing) * (s > 0)], axis=-1
    )
    # Normal equations of all rows and candidates in two products.
    outer = (basis[..., :, None] * basis[..., None, :]).reshape(*s.shape, PARAMETERS**2)
    k = candidates.size
    gram = (good @ outer.transpose(1, 0, 2).reshape(s.shape[1], -1)).reshape(-1, k, PARAMETERS, PARAMETERS)
    right = (y @ basis.transpose(1, 0, 2).reshape(s.shape[1], -1)).reshape(-1, k, PARAMETERS)
    gram = gram + np.diag(RIDGE) * np.maximum(good.sum(axis=1), 1.0)[:, None, None, None]
    solution = np.linalg.solve(gram, right[..., None])[..., 0]
    cost = total[:, None] - (solution * right).sum(axis=-1)
    jump = omega * solution[..., 3] - DAMPING * omega * solution[..., 0] - solution[..., 1] / span
    return np.maximum(cost, 0.0), jump
