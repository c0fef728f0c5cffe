"""Numbers as people read them: as many digits as the uncertainty supports."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Digits kept of an uncertainty (JCGM 100:2008, 7.2.6: at most two).
UNCERTAINTY_DIGITS = 2
#: Significant digits of a value that has no uncertainty (our choice).
PLAIN_DIGITS = 6
#: What stands for a missing number in tables people read.
NOTHING = "–"


def decimals_of(u: float, digits: int = UNCERTAINTY_DIGITS) -> int:
    """Return the number of decimals that keeps ``digits`` significant digits of an uncertainty.

    Parameters
    ----------
    u : float
        Uncertainty, positive, any unit.
    digits : int
        Significant digits kept, 1 or more.

    Returns
    -------
    int
        Negative when tens, hundreds, ... are the last digit kept.

    Examples
    --------
    >>> decimals_of(0.0123), decimals_of(345.0)
    (3, -1)
    """
    return digits - 1 - math.floor(math.log10(u))


def format_value(value: float, u: float = math.nan, unit: str = "") -> str:
    """Write a value with its 95 % half-width, or a dash when it is missing.

    Parameters
    ----------
    value : float
        NaN when missing.
    u : float
        Standard uncertainty in the same unit; NaN when not known. The half-width written is
        1.96 ``u`` (normal, JCGM 100:2008, G.1.3).
    unit : str
        Written behind the number.

    Examples
    --------
    >>> format_value(1.31942, 0.0061, "ms")
    '1.319 ± 0.012 ms'
    >>> format_value(float("nan"))
    '–'
    >>> format_value(8123.4, unit="V")
    '8123 V'
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    tail = f" {unit}" if unit else ""
    if u is None or not math.isfinite(u) or u <= 0.0:
        return f"{_plain(value)}{tail}"
    half = 1.96 * u
    decimals = decimals_of(half)
    shown = max(decimals, 0)
    return f"{_fixed(value, decimals, shown)} ± {_fixed(half, decimals, shown)}{tail}"


def _fixed(value: float, decimals: int, shown: int) -> str:
    return f"{round(value, decimals) + 0.0:.{shown}f}"


def _plain(value: float) -> str:
    if value == 0.0:
        return "0"
    decimals = max(3 - math.floor(math.log10(abs(value))), 0)
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def round_to_digits(value: ArrayLike, digits: int = PLAIN_DIGITS) -> NDArray[np.float64]:
    """Round every number to a count of significant digits.

    Examples
    --------
    >>> round_to_digits([12345.678, 0.00123456789], 4).tolist()
    [12350.0, 0.001235]
    """
    value = np.asarray(value, dtype=float)
    size = np.abs(np.where(np.isfinite(value) & (value != 0.0), value, 1.0))
    return round_to_decimals(value, digits - 1 - np.floor(np.log10(size)))


def round_to_uncertainty(value: ArrayLike, u: ArrayLike) -> NDArray[np.float64]:
    """Round values to the last digit that two digits of their uncertainty reach.

    Values without an uncertainty keep `PLAIN_DIGITS` significant digits.

    Parameters
    ----------
    value, u : array_like of float, shape (n,)
        Same unit; NaN allowed in both.

    Returns
    -------
    ndarray of float64, shape (n,)

    Examples
    --------
    >>> round_to_uncertainty([1.234567, 1.234567], [0.0123, float("nan")]).tolist()
    [1.235, 1.23457]
    """
    value = np.asarray(value, dtype=float)
    u = np.asarray(u, dtype=float)
    known = np.isfinite(u) & (u > 0.0)
    decimals = UNCERTAINTY_DIGITS - 1 - np.floor(np.log10(np.where(known, u, 1.0)))
    return np.where(known, round_to_decimals(value, decimals), round_to_digits(value))


def round_to_decimals(value: NDArray[np.float64], decimals: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round each value to its own number of decimals, so that its shortest text shows no more digits.

    Examples
    --------
    >>> round_to_decimals(np.array([1.26, 1234.0]), np.array([1.0, -2.0])).tolist()
    [1.3, 1200.0]
    """
    # Scaling by exact powers of ten keeps the result the double nearest to the short decimal number;
    # multiplying by 0.1, 0.01, ... would print as 0.30000000000000004.
    up = 10.0 ** np.clip(decimals, 0.0, 22.0)
    down = 10.0 ** np.clip(-decimals, 0.0, 22.0)
    return np.rint(value * up / down) / up * down
