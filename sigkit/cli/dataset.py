"""``sigkit dataset``: labelled data sets made, filled, checked, split, merged, exported; their readers compared."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    pass

app = typer.Typer(
    add_completion=False, rich_markup_mode=None, no_args_is_help=True,
    help="Make, fill, check, split, merge, export and describe labelled data sets. Example: sigkit dataset verify demo",
)  # fmt: skip

Folder = Annotated[Path, typer.Argument(help="Folder of the data set.")]
Description = Annotated[str, typer.Option(help="What it is, one or two sentences; no person, place or plate.")]
Licence = Annotated[str, typer.Option(help="SPDX name of the licence.")]
Creator = Annotated[str, typer.Option(help="Who answers for it, no person's name.")]
Version = Annotated[str, typer.Option(help="Version of the data set.")]
Invented = Annotated[bool, typer.Option("--invented", help="Engines, boats and faults do not exist.")]
HowMade = Annotated[str, typer.Option(help="How it was recorded or made: pickup, recorder in general words.")]
NotFor = Annotated[str, typer.Option(help="What it must not be used for, beside the standing exclusions.")]
MixedOrigins = Annotated[bool, typer.Option("--mixed-origins", help="Say in the metadata that origins mix.")]


@app.command()
def new(
    folder: Folder, description: Description, licence: Licence = "CC-BY-4.0", creator: Creator = "the contributors",
    version: Version = "1.0.0", invented: Invented = False, how_made: HowMade = "", not_for: NotFor = "",
    published: Annotated[str, typer.Option(help="Date, ISO 8601; today when not given.")] = "",
) -> None:  # fmt: skip
    """Make an empty data set. Example: sigkit dataset new ferry --description "Invented captures" --invented"""
    from sigkit.corpus.make_dataset import new_dataset

    statement = _statement(description, licence, creator, version, invented, how_made, not_for, published)
    new_dataset(folder, statement)
    typer.echo(f"{folder}: an empty data set; put captures in with sigkit dataset import")


@app.command("import")
def import_(
    folder: Folder,
    what: Annotated[list[str], typer.Argument(help="Capture files or folders.")],
    engine: Annotated[str, typer.Option(help="Opaque word for the engine, such as e01.")],
    origin: Annotated[str, typer.Option(help="simulated, recorded or drawn.")],
    ignition_type: Annotated[str, typer.Option(help="shared_coil, coil_on_plug or distributor.")] = "",
    leads: Annotated[str, typer.Option(help="Cylinder of each channel or file, with commas.")] = "",
    contributor: Annotated[str, typer.Option(help="Opaque id of who contributes, such as c01.")] = "",
    instrument: Annotated[str, typer.Option(help="Recorder in general words: bits, bandwidth.")] = "",
    note: Annotated[str, typer.Option(help="Free text; shown for review before any export.")] = "",
    rate: Annotated[float | None, typer.Option(help="Sample rate in hertz where the files give none.")] = None,
) -> None:
    """Put captures of one engine in; everything private in the files stays behind.

    Example: sigkit dataset import ferry recordings/ --engine e01 --origin recorded
    """
    from sigkit.corpus.make_dataset import import_captures

    cylinders = [lead.strip() for lead in leads.split(",") if lead.strip()]
    report = import_captures(folder, what, engine=engine, origin=origin, ignition_type=ignition_type,
                             cylinders=cylinders, contributor=contributor, instrument=instrument, note=note,
                             sample_rate_Hz=rate)  # fmt: skip
    typer.echo(f"{folder}: {len(report.names)} captures of {engine} taken in")
    typer.echo(f"left out of the files: {', '.join(report.left_out)}")
    for word, lines in (("there already", report.repeated), ("not usable", report.rejected)):
        for line in lines:
            typer.echo(f"sigkit: {word}: {line}", err=True)
    if report.rejected or not report.names:
        raise typer.Exit(1)


@app.command()
def verify(
    folder: Folder, strict: Annotated[bool, typer.Option("--strict", help="Notes count as errors.")] = False
) -> None:
    """Check every rule. Example: sigkit dataset verify demo"""
    from sigkit.corpus.open_dataset import open_dataset

    opened = open_dataset(folder)
    truth = opened.truth()
    labels = sum(len(opened.firing_labels(reader)) for reader in opened.readers)
    for note in opened.notes:
        typer.echo(f"sigkit: {note}", err=True)
    splits = "not split yet" if not opened.splits else f"{len(set(opened.splits.values()))} splits"
    typer.echo(f"{opened.name}: {len(opened.engines)} engines, {opened.manifest.num_rows} captures, {splits}, "
               f"{labels} labels of {len(opened.readers)} readers, {truth.num_rows if truth else 0} true firings")
    typer.echo(f"content {opened.dataset_hash}")
    typer.echo("sound")
    if strict and opened.notes:
        raise typer.Exit(1)


@app.command()
def split(
    folder: Folder,
    seed: Annotated[int, typer.Option(min=0, help="Seed; the same seed and engines give the same splits.")] = 1,
    train: Annotated[float, typer.Option(min=0, help="Share of the engines.")] = 0.5,
    calibrate: Annotated[float, typer.Option(min=0, help="Share of the engines.")] = 0.15,
    develop: Annotated[float, typer.Option(min=0, help="Share of the engines.")] = 0.15,
    test: Annotated[float, typer.Option(min=0, help="Share of the engines.")] = 0.2,
    add: Annotated[bool, typer.Option("--add", help="Only engines that are in no split yet.")] = False,
) -> None:
    """Draw the splits by whole engines, once. Example: sigkit dataset split ferry --seed 7"""
    from sigkit.corpus.make_splits import make_splits

    shares = {"train": train, "calibrate": calibrate, "develop": develop, "test": test}
    if sum(shares.values()) <= 0:
        raise typer.BadParameter("no split has a share above 0")
    splits = make_splits(folder, seed, shares, add=add)
    for name in shares:
        engines = [engine for engine, its in splits.items() if its == name]
        typer.echo(f"{name}: {', '.join(engines) or 'no engine'}")


@app.command()
def merge(
    sources: Annotated[list[Path], typer.Argument(help="Data sets.")],
    out: Annotated[Path, typer.Option(help="Folder of the new data set; must not exist.")],
    description: Description, licence: Licence, creator: Creator = "the contributors",
    version: Version = "1.0.0", invented: Invented = False, how_made: HowMade = "", not_for: NotFor = "",
    published: Annotated[str, typer.Option(help="Date, ISO 8601; today when not given.")] = "",
    mixed_origins: MixedOrigins = False,
    same_readers: Annotated[bool, typer.Option("--same-readers", help="Equal reader ids are one person.")] = False,
) -> None:  # fmt: skip
    """Merge data sets. Example: sigkit dataset merge a b --out ab --description "Both" --licence MIT"""
    from sigkit.corpus.merge_datasets import merge_datasets

    statement = _statement(description, licence, creator, version, invented, how_made, not_for, published)
    made = merge_datasets(sources, out, statement, mixed_origins=mixed_origins, same_readers=same_readers)
    typer.echo(f"{out}: {len(made.engines)} engines, {made.manifest.num_rows} captures, {len(made.readers)} readers")


@app.command()
def export(
    folder: Folder,
    out: Annotated[Path, typer.Option(help="Folder to write; must not exist.")],
    form: Annotated[str, typer.Option("--format", help="csv, parquet, numpy or ts.")] = "csv",
    reader: Annotated[str, typer.Option(help="For ts: whose conditions, a reader or truth.")] = "",
    keep_texts: Annotated[
        bool, typer.Option("--keep-texts", help="Keep free texts, after you have reviewed them.")
    ] = False,
) -> None:
    """Write captures, labels and tables in another form; free texts are shown, and left out unless kept.

    Example: sigkit dataset export demo --out demo-ts --format ts --reader truth
    """
    from sigkit.corpus.export_dataset import export_dataset, free_texts
    from sigkit.corpus.open_dataset import open_dataset

    opened = open_dataset(folder)
    for place, text in free_texts(opened):
        typer.echo(f"free text in {place}: {text}")
    written = export_dataset(opened, out, form, reader=reader, keep_texts=keep_texts)
    typer.echo(f"{out}: {len(written)} files; free texts {'kept' if keep_texts else 'left out'}")


@app.command()
def card(
    folder: Folder, description: Description = "", licence: Licence = "", creator: Creator = "", version: Version = "",
    invented: Invented = False, how_made: HowMade = "", not_for: NotFor = "",
    published: Annotated[str, typer.Option(help="Date, ISO 8601.")] = "", mixed_origins: MixedOrigins = False,
) -> None:  # fmt: skip
    """Write CARD.md and dataset.json anew from the files; what is not given stays as said before.

    Example: sigkit dataset card ferry --version 1.1.0
    """
    from dataclasses import replace

    from sigkit.corpus.dataset import Dataset
    from sigkit.corpus.dataset_card import write_card
    from sigkit.corpus.describe import Statement, statement_of, write_description
    from sigkit.corpus.description import own_part, read_description
    from sigkit.corpus.manifest import manifest_rules, read_manifest

    own = own_part(read_description(folder))
    # A folder that is no data set is told so before anything is asked of it.
    read_manifest(folder, manifest_rules(own.get("columns") or {}))
    told = own.get("statement")
    before = statement_of(told) if told else Statement("")
    given: dict[str, Any] = {name: value for name, value in (
        ("description", description), ("licence", licence), ("creator", creator), ("version", version),
        ("invented", invented), ("how_made", how_made), ("not_for", not_for), ("published", published)) if value}
    statement = replace(before, **given)
    if not statement.description:
        raise typer.BadParameter("the data set does not say what it is yet", param_hint="--description")
    write_description(folder, statement, mixed_origins=mixed_origins)
    typer.echo(f"{write_card(Dataset.open(folder))} and dataset.json written")


@app.command()
def agreement(
    folder: Folder,
    out: Annotated[Path, typer.Option(help="Folder for the report and the queues; must not exist.")],
    readers: Annotated[str, typer.Option(help="Readers, with commas; all persons by default.")] = "",
    tolerance: Annotated[float, typer.Option(min=0, help="Range of burn times that needs no second look, ms.")] = 0.1,
) -> None:
    """Compare readers with each other and with themselves; queues of firings that want a second look.

    The queues (adjudicate.csv, suspected-<reader>.csv) open in the labelling app.

    Example: sigkit dataset agreement ferry --out ferry-agreement
    """
    from sigkit.corpus.open_dataset import open_dataset
    from sigkit.corpus.write_agreement import write_agreement

    opened = open_dataset(folder)
    chosen = [one.strip() for one in readers.split(",") if one.strip()]
    for line in write_agreement(opened, out, chosen, tolerance):
        typer.echo(line)


def _statement(
    description: str, licence: str, creator: str, version: str, invented: bool, how_made: str, not_for: str,
    published: str,
) -> Any:  # fmt: skip
    from datetime import UTC, date, datetime

    from sigkit.corpus.describe import Statement

    if published:
        try:
            date.fromisoformat(published)
        except ValueError as fault:
            raise typer.BadParameter(f"{published!r} is no date as 2026-01-31", param_hint="--published") from fault
    today = datetime.now(UTC).date().isoformat()
    return Statement(description, licence, creator, version, published or today, invented, how_made, not_for)
