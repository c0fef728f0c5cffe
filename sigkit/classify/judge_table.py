"""Fill the condition columns of a firing table."""

from __future__ import annotations

import numpy as np

from sigkit.classify.model_store import Model
from sigkit.features.condition_features import condition_features
from sigkit.types.firing_table import CONDITIONS, UNKNOWN, Table, row_count

#: Channel kinds whose firings are judged.
JUDGED_KINDS = ("secondary_voltage", "unknown")
NORMAL = CONDITIONS[0]


def judge_table(table: Table, model: Model | None) -> Table:
    """Return the table with condition, probability and set filled in.

    Parameters
    ----------
    table : Table
        In context (`sigkit.context.apply_context`).
    model : Model or None
        None leaves every condition ``unknown``.

    Returns
    -------
    Table
        Absent firings and channels that show no lead stay ``unknown``. A further column ``fault_probability`` holds
        the probability that the condition is any but normal, NaN where it was not judged.
    """
    result = dict(table)
    n = row_count(table)
    result["condition"] = np.full(n, UNKNOWN, dtype=object)
    result["condition_set"] = np.full(n, "", dtype=object)
    result["condition_probability"] = np.full(n, np.nan)
    result["fault_probability"] = np.full(n, np.nan)
    if model is None or n == 0:
        return result
    rows = np.flatnonzero(np.isin(table["channel_kind"], JUDGED_KINDS) & (table["firing"] >= 0))
    if rows.size == 0:
        return result
    judged = model.pipeline.judge(condition_features(table)[rows])
    result["condition"][rows] = judged.condition
    result["condition_set"][rows] = judged.condition_set
    result["condition_probability"][rows] = judged.probability.max(axis=1)
    if NORMAL in judged.classes:
        result["fault_probability"][rows] = 1.0 - judged.probability[:, judged.classes.index(NORMAL)]
    return result
