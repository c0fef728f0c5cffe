"""The page of a run: one self-contained HTML file that loads nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from sigkit.report.cautions import CAUTIONS
from sigkit.report.condition_words import condition_in_words, where_to_look
from sigkit.report.format_value import NOTHING, format_value
from sigkit.report.page_content import PageCapture, PageContent
from sigkit.report.summarise_coil_pairs import CoilPairSummary
from sigkit.report.summarise_leads import TABLE_QUANTITIES, LeadSummary, MedianReading
from sigkit.types.measurements import QUANTITY

#: Heading of each table quantity.
QUANTITY_WORDS = {
    "firing_voltage": "firing voltage",
    "burn_time": "burn time",
    "burn_voltage": "burn voltage",
    "burn_slope": "burn slope",
    "ring_cycles": "ring cycles",
    "dwell_time": "dwell time",
}


def render_page(content: PageContent) -> str:
    """Return the page as HTML text.

    Parameters
    ----------
    content : PageContent
        All text in it is escaped, so names of files cannot become markup.

    Returns
    -------
    str
        A whole document: styles and pictures inside, no network, readable without scripts.
    """
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("sigkit.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["score"] = score_words
    environment.filters["condition"] = condition_in_words
    return environment.get_template("page.html.jinja").render(
        content=content,
        cautions=CAUTIONS,
        quantities=[QUANTITY_WORDS[name] for name in TABLE_QUANTITIES],
        leads=[lead_cells(lead, content.kilovolt_factor) for lead in content.leads],
        pairs=[row for pair in content.coil_pairs for row in pair_cells(pair, content.kilovolt_factor)],
        where=[(condition_in_words(name), where_to_look(name)) for name in _conditions(content)],
        anchors={capture.name: f"capture-{place}" for place, capture in enumerate(content.worst, 1)},
    )


def score_words(capture: PageCapture) -> str:
    """Return the score as shown, a dash where there is none."""
    return f"{capture.score:.0f}" if np.isfinite(capture.score) else NOTHING


def reading_words(name: str, reading: MedianReading, kilovolt: float | None = None) -> tuple[str, str]:
    """Return a reading and its scatter as text, volts as kV at the lead where the pickup ratio is known.

    Examples
    --------
    >>> reading_words("burn_time", MedianReading(1.3003, 0.0089, 0.0077, 6))
    ('1.300 ±\\xa00.017\\xa0ms', '0.0077\\xa0ms')
    """
    unit = QUANTITY[name].unit
    factor = 1.0
    if kilovolt is not None and unit.startswith("V"):
        # The sign of a voltage stays as recorded; a slope counts magnitude, so the ratio's sign drops out.
        factor, unit = (abs(kilovolt) if name == "burn_slope" else kilovolt), "k" + unit
    unit = unit.replace("_per_ms2", "/ms²").replace("_per_ms", "/ms")
    value = format_value(reading.value * factor, reading.u * abs(factor), unit)
    if reading.bounded and value != NOTHING:
        value = f"at least {value}"
    scatter = reading.scatter * abs(factor)
    # Blanks that do not break keep the half-width and its unit on one line of a narrow cell.
    value = (
        value.replace("± ", "±\u00a0").replace(f" {unit}", f"\u00a0{unit}")
        if unit
        else value.replace("± ", "±\u00a0")
    )
    return value, f"{scatter:.2g}\u00a0{unit}".strip() if np.isfinite(scatter) and scatter > 0 else ""


def lead_cells(lead: LeadSummary, kilovolt_factor: Mapping[tuple[str, str], float]) -> dict[str, Any]:
    """Return the cells of one row of the table by cylinder."""
    kilovolt = kilovolt_factor.get((lead.engine, lead.title))
    return {
        "engine": lead.engine or NOTHING,
        "lead": lead.title,
        "coil": lead.coil or NOTHING,
        "role": lead.role or "unknown",
        "firings": lead.firings,
        "without_spark": lead.without_spark,
        "absent": lead.absent,
        "readings": [reading_words(name, lead.readings[name], kilovolt) for name in TABLE_QUANTITIES],
        "conditions": ", ".join(
            f"{condition_in_words(name)} ({count})" for name, count in lead.conditions[:3]
        )
        or NOTHING,
    }


def pair_cells(
    pair: CoilPairSummary, kilovolt_factor: Mapping[tuple[str, str], float]
) -> list[dict[str, Any]]:
    """Return the rows of one coil pair: one for each lead and role, the pair's own cells repeated."""
    difference, _ = reading_words("burn_time", pair.burn_time_difference)
    rows = []
    for (lead, role), readings in pair.readings.items():
        kilovolt = kilovolt_factor.get((pair.engine, lead))
        rows.append(
            {
                "engine": pair.engine or NOTHING,
                "coil": pair.coil,
                "lead": lead,
                "role": role if role != "any" else "unknown",
                "burn_time": reading_words("burn_time", pair.burn_time)[0],
                "difference": difference,
                "events": pair.events,
                "firing_voltage": reading_words("firing_voltage", readings["firing_voltage"], kilovolt)[0],
                "burn_voltage": reading_words("burn_voltage", readings["burn_voltage"], kilovolt)[0],
                "burn_slope": reading_words("burn_slope", readings["burn_slope"], kilovolt)[0],
            }
        )
    return rows


def _conditions(content: PageContent) -> list[str]:
    named = {name for lead in content.leads for name, _ in lead.conditions}
    return sorted(name for name in named if name not in ("normal", "unknown") and where_to_look(name))
