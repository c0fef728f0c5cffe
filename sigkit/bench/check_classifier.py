"""Checks of a classifier."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.bench.check_plugin import Check, make
from sigkit.contracts.classifier import Judgement
from sigkit.types.firing_table import CONDITIONS, UNKNOWN

#: Firings an engine, engines and columns of the drawn examples (our choice); windows have 512 points.
FIRINGS, ENGINES, FEATURES, POINTS = 12, 20, 24, 512
_SEED = 20_261_126
#: Largest difference between a firing judged alone and in company.
CLOSE = 1e-6


def classifier_checks(kind: Any) -> Iterator[Check]:
    """Yield the checks of a classifier's class; it is fitted once, on drawn examples, if it can be."""
    ready: list[tuple[Any, NDArray]] = []

    def given() -> tuple[Any, NDArray]:
        if not ready:
            ready.append(_fitted(kind))
        return ready[0]

    yield "declared: takes features or windows, and learns from them", lambda: _ready(*given())
    yield "contract: probabilities, best guess and set fit together", lambda: _judged(given()[0], given()[1])
    yield "determinism: the same answer twice", lambda: _apart(given()[0], given()[1], given()[1])
    yield "determinism: fitted anew, the same answer", lambda: _apart_of(given()[0], _fitted(kind)[0], given()[1])
    yield "a firing is judged alike alone and in company", lambda: _alone(*given())
    yield "edge case: no firing", lambda: _judged(given()[0], given()[1][:0])
    yield "edge case: one firing", lambda: _judged(given()[0], given()[1][:1])
    if getattr(kind, "takes", "features") == "features":
        yield "edge case: every feature is missing", lambda: _judged(given()[0], given()[1][:3] * np.nan)
    else:
        yield "edge case: a flat window", lambda: _judged(given()[0], given()[1][:3] * 0)


def wrong_judgement(found: Any, n: int) -> str:
    """Return what is wrong with a classifier's answer for ``n`` firings, ``""`` when nothing is."""
    if not isinstance(found, Judgement):
        return "judge must return a sigkit.contracts.classifier.Judgement"
    strange = sorted(set(found.classes) - set(CONDITIONS))
    if strange:
        return f"{strange[0]!r} is no condition; known: {', '.join(CONDITIONS)}"
    probability = np.asarray(found.probability)
    if probability.shape != (n, len(found.classes)):
        return f"probability has shape {probability.shape}; expected ({n}, {len(found.classes)})"
    if n and not (np.abs(probability.sum(axis=1) - 1) < CLOSE).all():
        return "rows of probability do not sum to 1"
    if n and (probability.min() < 0 or probability.max() > 1):
        return "a probability lies outside 0 to 1"
    if np.shape(found.condition) != (n,) or np.shape(found.condition_set) != (n,):
        return "condition and condition_set need one entry a firing"
    allowed = {*found.classes, UNKNOWN}
    for best, members in zip(found.condition, found.condition_set, strict=True):
        if str(best) not in allowed:
            return f"{best!r} is answered but is none of its classes"
        outside = [name for name in str(members).split("|") if name and name not in found.classes]
        if outside:
            return f"the set {members!r} holds {outside[0]!r}, which is none of its classes"
    return "" if 0.0 <= found.coverage <= 1.0 else f"coverage is {found.coverage}; expected 0 to 1"


def _judged(made: Any, given: NDArray) -> str:
    return wrong_judgement(made.judge(given), given.shape[0])


def _fitted(kind: Any) -> tuple[Any, NDArray]:
    """Return a classifier, fitted where it can be, and drawn examples of what it takes."""
    takes = getattr(kind, "takes", "features")
    if takes not in ("features", "windows"):
        raise ValueError(f"takes is {takes!r}; expected 'features' or 'windows'")
    made = make(kind)
    names = tuple(getattr(made, "feature_names", ()))
    if takes == "features" and hasattr(made, "feature_names") and not names:
        names = tuple(f"feature_{number}" for number in range(FEATURES))
        made = kind(feature_names=names)
    rng = np.random.default_rng(_SEED)
    n = ENGINES * FIRINGS
    engines = np.repeat([f"engine-{number}" for number in range(ENGINES)], FIRINGS)
    label = np.array(CONDITIONS[:3])[np.arange(n) % 3]
    given: NDArray
    if takes == "windows":
        shape = np.exp(-0.5 * ((np.arange(POINTS) - 100 - 60 * (np.arange(n) % 3)[:, None]) / 20.0) ** 2)
        given = (shape + 0.05 * rng.normal(size=(n, POINTS))).astype(np.float32)
        given /= np.abs(given).max(axis=1, keepdims=True)
    else:
        given = rng.normal(size=(n, len(names) or FEATURES)) + (np.arange(n) % 3)[:, None]
        given[rng.random(given.shape) < 0.05] = np.nan
    # One that comes fitted is used as it is.
    if callable(getattr(made, "fit", None)) and not callable(getattr(kind, "shipped", None)):
        made.fit(given, label, engines)
    return made, given[:60]


def _ready(made: Any, given: NDArray) -> str:
    return "" if callable(getattr(made, "judge", None)) and len(given) else "it cannot judge"


def _apart(made: Any, one: NDArray, other: NDArray) -> str:
    a, b = made.judge(one), made.judge(other)
    same = np.array_equal(a.probability, b.probability) and list(a.condition) == list(b.condition)
    return "" if same else "two calls with the same firings differ"


def _apart_of(first: Any, second: Any, given: NDArray) -> str:
    a, b = first.judge(given), second.judge(given)
    return "" if np.array_equal(a.probability, b.probability) else "fitted twice on the same examples, it differs"


def _alone(made: Any, given: NDArray) -> str:
    whole = made.judge(given[:8]).probability
    alone = np.concatenate([made.judge(given[row : row + 1]).probability for row in range(8)])
    return "" if np.abs(whole - alone).max() < CLOSE else "probabilities depend on the other firings of the call"
