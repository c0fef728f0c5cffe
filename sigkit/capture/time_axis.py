"""Turn a column of time stamps into a rate and a start, or say why that cannot be done."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Largest deviation of one step from the mean step that still counts as uniform, relative (our choice).
STEP_TOLERANCE = 0.10
#: Deviation above which the person is told, relative (our choice).
STEP_WARNING = 0.01
#: Drift over the whole record, in samples, within which the rate is written in fewer digits (our choice).
ROUNDING_DRIFT_SAMPLES = 1e-3
#: Fewest irregular steps that are put down to rounding; fewer are taken for missing samples (our choice).
FEWEST_ROUNDED_STEPS = 3


class UnusableTime(ValueError):
    """Time stamps that give no uniform axis.

    Attributes
    ----------
    reason : str
    row : int
        Row (from 0) at which it goes wrong.
    """

    def __init__(self, reason: str, row: int) -> None:
        super().__init__(reason)
        self.reason = reason
        self.row = row


@dataclass(frozen=True)
class TimeAxis:
    """A uniform time axis.

    Attributes
    ----------
    sample_rate_Hz : float
        Hertz, from the regression over the whole span.
    start_s : float
        Time of sample 0, seconds.
    warnings : tuple of str
    """

    sample_rate_Hz: float
    start_s: float
    warnings: tuple[str, ...] = ()


def sweep_starts(time: NDArray) -> NDArray[np.int64]:
    """Return the rows at which a sweep begins: row 0, and each row whose time jumps back.

    Examples
    --------
    >>> sweep_starts(np.array([0.0, 1.0, 2.0, 0.0, 1.0])).tolist()
    [0, 3]
    """
    back = np.flatnonzero(np.diff(time) < 0) + 1
    return np.concatenate([[0], back]).astype(np.int64)


def _quantum(time: NDArray) -> float:
    """Return the decimal step the stamps of the largest decade are written in; 0 when there is none."""
    size = np.abs(time)
    largest = float(size.max())
    if largest == 0:
        return 0.0
    sample = time[size > largest / 10][:20_000]
    for exponent in range(int(np.ceil(np.log10(largest))), -16, -1):
        steps = sample / 10.0**exponent
        # Decimal stamps carry the error of binary floats: relative 2**-52 of the count of steps.
        if np.all(np.abs(steps - np.rint(steps)) <= 1e-6 + 4e-16 * np.abs(steps)):
            return 10.0**exponent
        if largest / 10.0**exponent > 1e9:
            break
    return 0.0


def _short_rate(rate: float, n: int) -> float:
    """Return the rate with the fewest digits that moves no sample of the record noticeably."""
    for digits in range(1, 13):
        short = float(f"{rate:.{digits}g}")
        if abs(short / rate - 1) * n < ROUNDING_DRIFT_SAMPLES:
            return short
    return rate


def fit_time_axis(time: NDArray, factor_s: float = 1.0) -> TimeAxis:
    """Fit rate and start to time stamps by least squares over the whole span.

    Stamps may be rounded, even so coarsely that neighbours are equal: then each must lie within the
    rounding step of the fitted line. The first difference is never used.

    Parameters
    ----------
    time : ndarray of float, shape (n,)
        Stamps in the file's unit, n >= 2.
    factor_s : float
        Seconds per unit.

    Returns
    -------
    TimeAxis

    Raises
    ------
    UnusableTime
        When stamps are missing, do not increase or are not uniform.

    Examples
    --------
    >>> fit_time_axis(np.array([-0.1, 0.0, 0.1, 0.2]), 1e-3)
    TimeAxis(sample_rate_Hz=10000.0, start_s=-0.0001, warnings=())
    """
    time = np.asarray(time, dtype=np.float64)
    n = len(time)
    if n < 2:
        raise UnusableTime("one time stamp gives no sample rate", 0)
    finite = np.isfinite(time)
    if not finite.all():
        raise UnusableTime("a time stamp is missing or not finite", int(np.argmin(finite)))
    steps = np.diff(time)
    if np.any(steps < 0):
        row = int(np.argmax(steps < 0)) + 1
        raise UnusableTime(f"time runs backwards, from {time[row - 1]:.9g} to {time[row]:.9g}", row)
    index = np.arange(n) - (n - 1) / 2
    step = float(index @ (time - time[0])) / (n * (n * n - 1.0) / 12.0)
    if step <= 0:
        raise UnusableTime("time does not increase", 1)
    residual = time - time[0] - (np.mean(time - time[0]) + step * index)
    first = float(time[0] + np.mean(time - time[0]) - step * (n - 1) / 2)
    worst_step = float(np.max(np.abs(steps - step))) / step
    warnings: list[str] = []
    if worst_step <= STEP_TOLERANCE and float(np.max(np.abs(residual))) <= 0.5 * step:
        if worst_step > STEP_WARNING:
            warnings.append(f"time steps differ by up to {100 * worst_step:.1f} %; the mean step is used")
        if abs(first - time[0]) <= STEP_WARNING * step:
            first = float(time[0])
    else:
        quantum = _quantum(time)
        # Plain rounding leaves half a step; a short record adds the error of the line itself (our allowance).
        allowed = (0.6 if n >= 50 else 0.8) * quantum
        median = float(np.median(steps))
        irregular = int(np.count_nonzero(np.abs(steps - median) > 0.5 * max(quantum, 1e-3 * step)))
        row = int(np.argmax(np.abs(steps - median))) + 1
        if quantum == 0 or np.max(np.abs(residual)) > allowed or irregular < FEWEST_ROUNDED_STEPS:
            raise UnusableTime(
                f"time is not uniform: a step of {steps[row - 1]:.6g} where most are {median:.6g}", row
            )
        warnings.append(
            f"the time column is rounded to {quantum:.3g} of its unit; the rate is taken from the whole span"
        )
    return TimeAxis(_short_rate(1.0 / (step * factor_s), n), first * factor_s, tuple(warnings))
