"""Words for the axes of a picture."""

from __future__ import annotations

from collections.abc import Sequence

from sigkit.report.firing_trace import FiringTrace


def value_label(traces: Sequence[FiringTrace]) -> str:
    """Return the label of the value axis: unit and where it is measured.

    Examples
    --------
    >>> value_label([])
    'stored units'
    """
    unit = traces[0].unit if traces else ""
    return {"kV": "kV at the lead", "V": "V at the pickup", "A": "A"}.get(unit, unit or "stored units")


def short_name(trace: FiringTrace) -> str:
    """Return the shortest clear name of a lead for tight places."""
    if trace.cylinder:
        return f"cyl. {trace.cylinder}"
    return f"lead {trace.lead}" if trace.lead else trace.channel[:10]
