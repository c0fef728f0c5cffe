"""``sigkit label``: the labelling page for one reader."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from sigkit.cli.label_import import label_import


def label(
    dataset: Annotated[Path, typer.Argument(help="Folder of the data set; 'demo' is a copy of the invented one.")],
    reader: Annotated[str, typer.Option("--reader", help="Opaque id of who reads, as r01; no names of persons.")],
    whole_capture: Annotated[
        bool, typer.Option("--whole-capture", help="Go through whole captures instead of single firings.")
    ] = False,
    proposals: Annotated[
        list[Path] | None,
        typer.Option(help="Where to look: a table with capture, channel, time_s (CSV or Parquet); may be repeated."),
    ] = None,
    only_proposals: Annotated[
        bool, typer.Option("--only-proposals", help="These firings only; with --not-blind in the tables' order.")
    ] = False,
    not_blind: Annotated[
        bool, typer.Option("--not-blind", help="Show names, other readers' labels and proposals; labels say so.")
    ] = False,
    seed: Annotated[int, typer.Option(min=0, help="Seed of order and presentation.")] = 1,
    repeat_share: Annotated[
        float, typer.Option(min=0.0, max=1.0, help="Share of firings shown twice, flipped or shifted, when blind.")
    ] = 0.1,
    origin: Annotated[
        str, typer.Option(help="cursor, or picture when instants are read off pictures of the page.")
    ] = "cursor",
    readings: Annotated[
        Path | None,
        typer.Option(help="Save this table of readings made from pictures of the page, and end; see the guide."),
    ] = None,
    host: Annotated[str, typer.Option(help="Address to listen on; any but loopback asks for a token.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port; 0 takes a free one.")] = 8765,
) -> None:
    """Label firings by hand in a local page, blind unless asked otherwise. Ctrl+C ends it.

    Hand readings made elsewhere are taken over by sigkit label import.

    Example: sigkit label demo --reader r01 --whole-capture
    """
    from sigkit.label.label_session import LabelSession
    from sigkit.label.label_settings import LabelSettings
    from sigkit.label.serve_labels import serve_labels

    if str(dataset) == "demo" and not dataset.exists():
        dataset = _copy_of_demo()
    settings = LabelSettings(
        reader, "whole_capture" if whole_capture else "firing", blind=not not_blind, seed=seed,
        repeat_share=repeat_share, origin=origin, proposals=tuple(proposals or ()),
        only_proposals=only_proposals,
    )  # fmt: skip
    session = LabelSession(dataset, settings)
    for message in (*session.journal.messages, *session.left_out):
        typer.echo(message, err=True)
    if readings is not None:
        from sigkit.label.save_readings import save_readings

        typer.echo(f"{save_readings(session, readings)} firings saved to {session.journal.path}")
        return
    typer.echo(f"{len(session.tasks)} to look at; labels go to {session.journal.path}")
    serve_labels(session, host=host, port=port, announce=lambda address: typer.echo(f"Open {address}"))


def _copy_of_demo() -> Path:
    """Copy the demo data set: labels are written beside captures, and what ships is not written to."""
    import shutil

    from sigkit.shipped import demo_archive

    copy = Path("river-ferry-demo-to-label")
    if not copy.exists():
        shutil.copytree(demo_archive().parent, copy)
    typer.echo(f"{copy}: the copy of the invented demo data set that is labelled")
    return copy


class PageOrImport(TyperGroup):
    """A group whose first command needs no name: ``sigkit label DATASET`` opens the page."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        return super().parse_args(ctx, args if args and args[0] in self.commands else ["page", *args])


app = typer.Typer(cls=PageOrImport, add_completion=False, rich_markup_mode=None)
app.command("page")(label)
app.command("import")(label_import)
