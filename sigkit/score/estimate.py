"""A number with its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Estimate:
    """A statistic and its interval; the interval is NaN where it cannot be had (fewer than two engines).

    Attributes
    ----------
    value : float
        In the unit of what was estimated.
    low, high : float
        Ends of the interval, same unit.

    Examples
    --------
    >>> Estimate(0.8, 0.7, 0.9).excludes(0.5)
    True
    >>> print(Estimate(0.8, 0.7, 0.9))
    0.8 (0.7 to 0.9)
    """

    value: float
    low: float = math.nan
    high: float = math.nan

    def excludes(self, number: float) -> bool:
        """Return whether the interval is known and lies wholly on one side of the number."""
        return self.low > number or self.high < number

    def __str__(self) -> str:
        return f"{self.value:.4g} ({self.low:.4g} to {self.high:.4g})"
