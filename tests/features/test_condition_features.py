"""What a firing is compared with: its lead, the siblings, its other role, the other end of its coil."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.features.condition_features import condition_features, feature_names
from sigkit.features.waveform_features import shape_columns
from sigkit.types.firing_table import Table, concatenate, empty_table


def lead(name, coil, firing_V, burn_V, role="single", engine="calm", burn_time_ms=1.5):
    """Return the firings of one lead with given firing levels."""
    n = len(firing_V)
    table = empty_table(n)
    for column, value in (("engine", engine), ("lead", name), ("coil", coil), ("role", role), ("sparked", "yes")):
        table[column] = np.full(n, value, dtype=object)
    table["firing_level"] = np.array(firing_V, dtype=float)
    table["burn_level"] = np.full(n, float(burn_V))
    table["burn_time_ms"][:] = burn_time_ms
    table["sample_rate_Hz"] = np.full(n, 1e6)
    for column in shape_columns():
        table[column] = np.full(n, np.nan)
    table["shape_dwell_level"] = np.full(n, 0.4)
    return table


def features_of(*leads: Table):
    values = condition_features(concatenate(list(leads)))
    return {name: values[:, k] for k, name in enumerate(feature_names())}


def test_names_are_distinct_and_one_column_each():
    names = feature_names()
    assert len(set(names)) == len(names)
    assert condition_features(lead("1", "1", [1.0], 1.0)).shape == (1, len(names))
    assert condition_features(empty_table(0)).shape == (0, len(names))


def test_ratios_to_siblings_are_logarithms_of_medians():
    found = features_of(
        lead("1", "1", [9.0, 10.0, 30.0], 1.0), lead("2", "2", [5.0] * 3, 1.0), lead("3", "3", [20.0] * 3, 2.0)
    )
    first = slice(0, 3)
    np.testing.assert_allclose(found["log_firing_to_burn"][first], np.log([9.0, 10.0, 30.0]))
    np.testing.assert_allclose(found["lead_log_firing_to_burn"][first], np.log(10.0))
    # Siblings 5/1 and 20/2: the median of their logarithms.
    middle = 0.5 * (np.log(5.0) + np.log(10.0))
    np.testing.assert_allclose(found["siblings_log_firing_to_burn"][first], np.log(10.0) - middle)
    level = 0.5 * (np.log(5.0) + np.log(20.0))
    np.testing.assert_allclose(found["firing_log_firing_level"][first], np.log([9.0, 10.0, 30.0]) - level)
    # 10 % and 90 % quantiles of three values by straight lines (numpy's own rule).
    low, high = np.quantile(np.log([9.0, 10.0, 30.0]), [0.1, 0.9]) - np.log(10.0)
    np.testing.assert_allclose(found["low_log_firing_level"][first], low)
    np.testing.assert_allclose(found["high_log_firing_level"][first], high)
    assert (found["leads_of_engine"] == 3).all()


def test_the_unit_of_the_recorder_does_not_matter():
    plain = features_of(lead("1", "1", [9.0, 10.0], 1.0), lead("2", "2", [5.0, 6.0], 1.2))
    other = features_of(lead("1", "1", [9e-3, 10e-3], 1e-3), lead("2", "2", [5e-3, 6e-3], 1.2e-3))
    for name in feature_names():
        np.testing.assert_allclose(other[name], plain[name], rtol=1e-9, atol=1e-12, err_msg=name)


def test_the_order_of_the_rows_does_not_matter():
    table = concatenate([lead("1", "1", [9.0, 10.0, 7.0], 1.0), lead("2", "2", [5.0, 6.0], 1.2)])
    order = np.array([3, 0, 4, 2, 1])
    turned = condition_features({name: column[order] for name, column in table.items()})
    np.testing.assert_array_equal(turned, condition_features(table)[order])


def test_engines_do_not_see_each_other():
    calm = (lead("1", "1", [9.0], 1.0), lead("2", "2", [5.0], 1.0))
    alone = features_of(*calm)
    both = features_of(*calm, lead("1", "1", [80.0], 1.0, engine="busy"))
    for name in feature_names():
        np.testing.assert_array_equal(both[name][:2], alone[name], err_msg=name)
    assert np.isnan(both["siblings_log_firing_level"][2])


def test_the_other_role_and_the_other_end_of_a_shared_coil():
    found = features_of(
        lead("1", "1", [8.0], 1.0, "power"), lead("1", "1", [3.0], 1.0, "waste"),
        lead("4", "1", [10.0], 1.0, "power"), lead("4", "1", [2.0], 1.0, "waste"),
        lead("2", "2", [8.0], 1.0, "power"), lead("2", "2", [2.0], 1.0, "waste"),
    )  # fmt: skip
    # Lead 1, power: its waste firings stand at 3 against 2 and 2 of the others, its partner at 10 against 8 and 8.
    assert found["other_role_log_firing_level"][0] == pytest.approx(np.log(1.5))
    assert found["partner_log_firing_level"][0] == pytest.approx(np.log(10.0 / 8.0))
    assert np.isnan(found["partner_log_firing_level"][4])


def test_what_is_missing_stays_missing():
    table = lead("1", "1", [9.0, np.nan], np.nan)
    found = features_of(table)
    assert np.isnan(found["log_firing_to_burn"]).all()
    assert np.isnan(found["siblings_log_firing_level"]).all()
    for column in shape_columns():
        del table[column]
    assert np.isnan(features_of(table)["log_rise_time_us"]).all()
