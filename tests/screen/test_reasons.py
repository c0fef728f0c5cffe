"""Reasons name lead or coil pair, count, condition and evidence; hand-made tables with known answers."""

import numpy as np
import pytest

from sigkit.screen.capture_verdict import judge_capture
from sigkit.screen.lead_rows import leads_of
from sigkit.screen.reasons import reasons_of
from sigkit.types.firing_table import empty_table


def table_of(leads):
    """One lead a dict: channel, cylinder, coil, n, condition, firing_V, burn_ms and optional role, sparked, flags."""
    table = empty_table(sum(lead["n"] for lead in leads))
    row = 0
    for lead in leads:
        for k in range(lead["n"]):
            table["channel"][row], table["cylinder"][row] = lead["channel"], lead.get("cylinder", "")
            table["coil"][row], table["condition"][row] = lead.get("coil", ""), lead["condition"]
            table["condition_set"][row] = lead.get("set", lead["condition"])
            table["condition_probability"][row] = 0.8
            table["role"][row] = lead.get("role", ["power", "waste"][k % 2] if lead.get("coil") else "single")
            table["sparked"][row], table["flags"][row] = lead.get("sparked", "yes"), lead.get("flags", "")
            table["firing"][row], table["event"][row], table["time_s"][row] = k, k, 0.03 * k
            for name, value, u in (
                ("firing_voltage", lead["firing_V"] + 0.5 * (k % 3), 1.0), ("burn_time", lead["burn_ms"], 0.01),
                ("burn_voltage", -110.0, 2.0), ("burn_slope", 5.0, 1.0),
            ):  # fmt: skip
                unit = {"burn_time": "ms", "burn_slope": "V_per_ms"}.get(name, "V")
                table[f"{name}_{unit}"][row], table[f"{name}_u_{unit}"][row] = value, u
                table[f"{name}_flag"][row] = "ok"
            row += 1
    return table


def reasons(leads, turned=frozenset(), missing=""):
    table = table_of(leads)
    rows = leads_of(table)
    return reasons_of(table, rows, judge_capture(table, rows, turned), turned, missing)


NORMAL = {"n": 8, "condition": "normal", "firing_V": -600.0, "burn_ms": 1.3}
WIDE = {"n": 8, "condition": "wide_gap", "firing_V": -900.0, "burn_ms": 0.7}


def test_a_single_lead_is_named_with_condition_and_evidence():
    said = reasons(
        [{**NORMAL, "channel": c, "cylinder": c} for c in "124"]
        + [{**WIDE, "channel": "3", "cylinder": "3", "set": "wide_gap|high_resistance"}]
    )
    assert len(said) == 1
    assert said[0].startswith(
        "Cylinder 3: 8 of 8 firings suggest wide gap, mean probability 0.80; high series resistance cannot be excluded."
    )
    assert "Firing voltage 899.5 ± 2.1 V" in said[0]
    assert "against 599.5 V on the others" in said[0]
    assert "burn time 0.7" in said[0]
    assert "Look at the plug's gap" in said[0]


def test_both_ends_of_a_coil_are_named_as_a_pair():
    weak = {"n": 8, "condition": "low_coil_energy", "firing_V": -600.0, "burn_ms": 0.7}
    said = reasons(
        [
            {**weak, "channel": "1", "cylinder": "1", "coil": "A"},
            {**weak, "channel": "4", "cylinder": "4", "coil": "A"},
            {**NORMAL, "channel": "2", "cylinder": "2", "coil": "B"},
            {**NORMAL, "channel": "3", "cylinder": "3", "coil": "B"},
        ]
    )
    assert len(said) == 1
    assert said[0].startswith(
        "Coil pair A (cylinder 1 and cylinder 4), both ends: 16 of 16 firings suggest low coil energy"
    )


@pytest.mark.parametrize(
    "partner_V, words", [(600.0, "at the end of cylinder 1"), (900.0, "which end is not told by voltage or slope")]
)
def test_an_end_is_named_only_where_voltage_tells_it(partner_V, words):
    said = reasons(
        [
            {**WIDE, "channel": "1", "cylinder": "1", "coil": "A"},
            {**NORMAL, "channel": "4", "cylinder": "4", "coil": "A", "firing_V": partner_V, "burn_ms": 0.7},
        ]
    )
    assert said[0].startswith("Coil pair A (cylinder 1 and cylinder 4)")
    assert words in said[0]


def test_misfires_are_told_before_suggestions():
    said = reasons([{**WIDE, "channel": "a", "sparked": "no"}, {**NORMAL, "channel": "b"}])
    assert said[0] == "Channel a: 8 of 8 firings without a spark."
    assert "suggest" in said[1]


def test_absent_firings_are_counted_apart():
    said = reasons(
        [
            {**NORMAL, "channel": "a", "n": 3},
            {**NORMAL, "channel": "a", "n": 1, "flags": "absent", "sparked": "unknown"},
        ]
    )
    assert said[0] == "Channel a: 1 firing was expected and not found (3 found)."


def test_reversed_polarity_is_told():
    assert any("polarity is reversed" in line for line in reasons([{**NORMAL, "channel": "a"}], frozenset({"a"})))


def test_a_clear_capture_is_summed_up():
    assert reasons([{**NORMAL, "channel": "a"}, {**NORMAL, "channel": "b", "burn_ms": 1.4}]) == [
        "16 firings on 2 leads; burn time 1.30 to 1.40 ms in the median."
    ]


def test_nothing_found_and_nothing_named():
    assert reasons([]) == ["No firing was found on any channel."]
    said = reasons([{**NORMAL, "channel": "a", "condition": "unknown", "set": ""}], missing="No model.")
    assert said == ["8 firings on 1 lead; burn time 1.30 ms in the median.", "No model."]
    assert np.all([line.endswith(".") for line in said])
