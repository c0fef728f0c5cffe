"""Judge whether an array of samples can carry a signal at all."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Samples looked at in one go; keeps a memory-mapped file out of memory.
_CHUNK = 1 << 20
#: Fewest samples of a record.
FEWEST_SAMPLES = 2


def sample_fault(samples: NDArray) -> tuple[str, str]:
    """Return a code and words for what makes samples unusable, two empty strings when nothing does.

    Integers are read only as far as the first change; floats to the end, as any sample may be missing.
    Missing samples are never filled in: even one is refused, because an invented sample could be an edge.

    Parameters
    ----------
    samples : ndarray, shape (n,)

    Returns
    -------
    code : str
        ``"type"``, ``"short"``, ``"missing"``, ``"constant"`` or ``""``.
    words : str

    Examples
    --------
    >>> sample_fault(np.array([1.0, np.nan, 2.0, 3.0]))
    ('missing', '1 of 4 samples (25 %) are missing or not finite, the first at sample 1')
    >>> sample_fault(np.array([5, 5, 5]))
    ('constant', 'all 3 samples have the same value, 5')
    >>> sample_fault(np.array([1, 2]))
    ('', '')
    """
    if samples.dtype.kind not in "iufb":
        return "type", f"samples of type {samples.dtype} are not real numbers"
    n = samples.shape[0]
    if n < FEWEST_SAMPLES:
        return "short", f"{n} sample{'s' if n != 1 else ''}; a record needs at least {FEWEST_SAMPLES}"
    if samples.dtype.kind == "f":
        missing, first = 0, -1
        for start in range(0, n, _CHUNK):
            finite = np.isfinite(samples[start : start + _CHUNK])
            if not finite.all():
                first = start + int(np.argmin(finite)) if first < 0 else first
                missing += int(np.count_nonzero(~finite))
        if missing == n:
            return "missing", f"all {n} samples are missing or not finite"
        if missing:
            return "missing", (f"{missing} of {n} samples ({100 * missing / n:.2g} %) are missing or not finite, "
                               f"the first at sample {first}")
    for start in range(0, n, _CHUNK):
        if np.any(samples[start : start + _CHUNK] != samples[0]):
            return "", ""
    return "constant", f"all {n} samples have the same value, {samples[0]}"
