"""Scores as plain dictionaries that JSON can hold."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np


def plain(score: Any) -> Any:
    """Return a score as dictionaries, lists, texts and numbers; NaN becomes None (JSON knows no NaN).

    Parameters
    ----------
    score : dataclass instance, mapping, sequence, array, number or text

    Raises
    ------
    TypeError
        For anything else.

    Examples
    --------
    >>> from sigkit.score.estimate import Estimate
    >>> plain({"recall": Estimate(0.5), "count": np.array([1, 2])})
    {'recall': {'value': 0.5, 'low': None, 'high': None}, 'count': [1, 2]}
    """
    if is_dataclass(score) and not isinstance(score, type):
        return {field.name: plain(getattr(score, field.name)) for field in fields(score)}
    if isinstance(score, dict):
        return {str(key): plain(value) for key, value in score.items()}
    if isinstance(score, np.ndarray):
        return plain(score.tolist())
    if isinstance(score, (list, tuple)):
        return [plain(value) for value in score]
    if isinstance(score, np.generic):
        return plain(score.item())
    if isinstance(score, float):
        return score if np.isfinite(score) else None
    if score is None or isinstance(score, (str, bool, int)):
        return score
    raise TypeError(f"{type(score).__name__} cannot be made plain; expected a score, mapping, list, number or text")
