"""Checks of a feature extractor."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.bench.check_plugin import Check, make

#: Rows and samples of the drawn examples (our choice).
ROWS, SAMPLES = 6, 512


def feature_checks(kind: Any) -> Iterator[Check]:
    """Yield the checks of a feature extractor's class."""
    given = np.random.default_rng(20_261_127).normal(size=(ROWS, SAMPLES)).cumsum(axis=1)
    yield "contract: one row a firing, one name a column", lambda: _contract(kind, given)
    yield "contract: works in a scikit-learn pipeline", lambda: _pipeline(kind, given)
    yield "determinism: the same answer twice", lambda: _same(kind, given)
    yield "a row does not depend on the other rows", lambda: _alone(kind, given)
    yield "contract: scikit-learn's own list of checks", lambda: _listed(kind)
    yield "edge case: a constant row", lambda: _contract(kind, np.ones((2, SAMPLES)))


def _of(kind: Any, given: NDArray) -> NDArray:
    return np.asarray(make(kind).fit(given).transform(given))


def _contract(kind: Any, given: NDArray) -> str:
    made = make(kind).fit(given)
    found, names = np.asarray(made.transform(given)), made.get_feature_names_out()
    if found.shape != (given.shape[0], len(names)):
        return f"transform gives shape {found.shape} for {given.shape[0]} rows and {len(names)} names"
    return "" if len(set(names)) == len(names) else "a column name comes twice"


def _pipeline(kind: Any, given: NDArray) -> str:
    from sklearn.pipeline import make_pipeline

    found = make_pipeline(make(kind)).fit_transform(given)
    return "" if found.shape[0] == given.shape[0] else "the pipeline changes the number of rows"


def _listed(kind: Any) -> str:
    import warnings

    from sklearn.utils.estimator_checks import check_estimator

    with warnings.catch_warnings():
        # The list warns about what it leaves out.
        warnings.simplefilter("ignore")
        told = check_estimator(make(kind), on_fail=None, on_skip=None)
    return "; ".join(f"{one['check_name']}: {one['exception']}" for one in told if one["status"] == "failed")


def _same(kind: Any, given: NDArray) -> str:
    return "" if np.array_equal(_of(kind, given), _of(kind, given), equal_nan=True) else "two calls differ"


def _alone(kind: Any, given: NDArray) -> str:
    made = make(kind).fit(given)
    whole = np.asarray(made.transform(given))
    alone = np.concatenate([np.asarray(made.transform(given[row : row + 1])) for row in range(ROWS)])
    return "" if np.allclose(whole, alone, rtol=1e-9, atol=1e-12, equal_nan=True) else "rows influence each other"
