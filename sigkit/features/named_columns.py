"""What the three extractors share: checked rows in, named columns out."""

from __future__ import annotations

from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator, TransformerMixin
from sklearn.utils.validation import check_is_fitted, validate_data


class NamedColumns(TransformerMixin, BaseEstimator):
    """A scikit-learn transformer over rows of samples that learns nothing but the number of columns.

    A subclass writes ``_rows`` (rows of samples to rows of features) and ``_names``. NaN samples are allowed
    and mean "not recorded"; each subclass says what then goes missing.
    """

    def _check_settings(self) -> None:
        """Raise `sigkit.errors.SettingsError` where the parameters contradict each other."""

    def _names(self) -> list[str]:
        raise NotImplementedError

    def _rows(self, rows: NDArray) -> NDArray:
        raise NotImplementedError

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = True
        tags.requires_fit = True
        tags.transformer_tags.preserves_dtype = ["float64", "float32"]
        return tags

    def fit(self, X: NDArray, y: Any = None) -> Self:
        """Check the settings and remember the number of columns.

        Parameters
        ----------
        X : ndarray, shape (n, samples)
            Rows of samples, NaN where not recorded.
        y : ignored
        """
        validate_data(self, X, dtype=[np.float64, np.float32], ensure_all_finite="allow-nan")
        self._check_settings()
        return self

    def transform(self, X: NDArray) -> NDArray:
        """Return the features, shape (n, features), NaN where missing.

        Parameters
        ----------
        X : ndarray, shape (n, samples)
            Rows of samples, NaN where not recorded.

        Raises
        ------
        ValueError
            When ``X`` has another number of columns than at ``fit``, or holds infinities.
        """
        check_is_fitted(self)
        rows = validate_data(
            self, X, reset=False, dtype=[np.float64, np.float32], ensure_all_finite="allow-nan"
        )
        return self._rows(rows).astype(rows.dtype, copy=False)

    def get_feature_names_out(self, input_features: Any = None) -> NDArray[np.str_]:
        """Return the names of the columns, each with its unit where it has one.

        Parameters
        ----------
        input_features : array_like of str, optional
            Names of the samples; only checked, the features do not depend on them.
        """
        check_is_fitted(self)
        if input_features is not None:
            given = np.asarray(input_features, dtype=object)
            seen = getattr(self, "feature_names_in_", None)
            if seen is not None and not np.array_equal(given, seen):
                raise ValueError("input_features is not equal to feature_names_in_")
            if len(given) != self.n_features_in_:
                raise ValueError(
                    "input_features should have length equal to number of features "
                    f"({self.n_features_in_}), got {len(given)}"
                )
        return np.asarray(self._names(), dtype=object)
