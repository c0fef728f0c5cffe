"""The terminal table shows values with their intervals, and says what flags mean."""

import json

from rich.console import Console

from sigkit.report.terminal_table import footnotes, records_of, terminal_table
from sigkit.types.firing_table import all_columns


def printed(table, **options):
    console = Console(width=220, record=True, file=open("/dev/null", "w", encoding="utf-8"))
    console.print(terminal_table(table, **options))
    console.file.close()
    return console.export_text()


def test_rows_carry_value_and_interval(invented):
    text = printed(invented[1], title="morning-run.csv")
    assert text.count("cylinder 1") == 6
    assert "3.0000 ± 0.0088" in text
    assert "-110.0 ± 3.9" in text
    assert "–" in text


def test_conditions_only_when_asked(invented):
    assert "wide gap 0.82" not in printed(invented[1])
    assert "wide gap 0.82" in printed(invented[1], with_conditions=True)


def test_lower_bounds_are_marked(invented):
    table = {name: column.copy() for name, column in invented[1].items()}
    table["firing_voltage_flag"][0] = "lower_bound"
    assert printed(table).count("≥") == 1


def test_names_from_files_are_no_markup(invented):
    table = {name: column.copy() for name, column in invented[1].items()}
    table["cylinder"][:] = ""
    table["channel"][:] = "[red]ch[/red]"
    assert "[red]ch[/red]" in printed(table, title="[bold]x")


def test_footnotes_explain_flags_and_missing_values(invented):
    notes = footnotes(invented[1])
    assert notes[0] == "absent (1 firing): expected but not found"
    assert any(note.startswith("burn missing (1 firing): no answer") for note in notes)


def test_records_are_plain_json(invented):
    records = json.loads(json.dumps(records_of(invented[1], all_columns()), allow_nan=False))
    assert len(records) == 24
    absent = next(record for record in records if record["flags"] == "absent")
    assert absent["burn_time_ms"] is None
    assert records[0]["polarity"] == -1
