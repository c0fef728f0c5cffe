"""The command line: commands are imported only when they run, so help is quick."""

from __future__ import annotations

import os
import sys
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from sigkit import __version__
from sigkit.errors import SigkitError

#: Command -> module, attribute and one line of help.
COMMANDS = {
    "screen": ("sigkit.cli.screen", "screen", "Screen recordings: every firing measured, worst recordings first."),
    "measure": ("sigkit.cli.measure", "measure", "Measure every firing of one file."),
    "simulate": ("sigkit.cli.simulate", "simulate", "Simulate engines and write captures with their truth."),
    "train": ("sigkit.cli.train", "train", "Train a condition model on simulated engines."),
    "model": ("sigkit.cli.model", "app", "Show and verify condition models."),
    "bench": ("sigkit.cli.bench", "app", "Compare algorithms on the same terms."),
    "dataset": ("sigkit.cli.dataset", "app", "Make, check, split, merge and export labelled data sets."),
    "profile": ("sigkit.cli.profile", "app", "Make, show and list profiles of how captures were made."),
    "label": ("sigkit.cli.label", "app", "Label firings by hand, blind, in a local page."),
    "info": ("sigkit.cli.info", "info", "Versions, plug-ins, models, demo data."),
}


class LazyGroup(TyperGroup):
    """A command group that knows its commands' names and imports each on use."""

    # The library keeps the type of its contexts to itself.
    def list_commands(self, ctx: Any) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        if cmd_name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[cmd_name]
        found: Any = getattr(import_module(module), attribute)
        if isinstance(found, typer.Typer):
            return typer.main.get_command(found)
        single = typer.Typer(add_completion=False, rich_markup_mode=None)
        single.command(cmd_name)(found)
        return typer.main.get_command(single)

    def format_help(self, ctx: Any, formatter: Any) -> None:
        formatter.write_usage("sigkit", "[OPTIONS] COMMAND [ARGUMENTS]...")
        formatter.write_paragraph()
        formatter.write_text(
            "Finds, measures and classifies ignition firings in recorded waveforms. Each command explains itself: "
            "sigkit COMMAND --help. Work on ignition systems is dangerous; see the cautions in README and report."
        )
        formatter.write_paragraph()
        formatter.write_text("Example: sigkit screen demo --out report")
        with formatter.section("Commands"):
            formatter.write_dl([(name, words) for name, (_, _, words) in COMMANDS.items()])
        with formatter.section("Options"):
            records = (parameter.get_help_record(ctx) for parameter in self.get_params(ctx))
            formatter.write_dl([record for record in records if record])


app = typer.Typer(cls=LazyGroup, add_completion=False, rich_markup_mode=None, no_args_is_help=True)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"sigkit {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    ctx: typer.Context,
    debug: Annotated[bool, typer.Option("--debug", help="Show tracebacks; so does SIGKIT_DEBUG=1.")] = False,
    version: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_print_version, is_eager=True)
    ] = False,
) -> None:
    """Find, measure and classify ignition firings in recorded waveforms."""
    if debug:
        ctx.obj.append(True)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 1 nothing usable or rejected under --strict, 2 wrong usage.

    An error that sigkit raises on purpose, or that the operating system reports of a file, is one message on
    standard error and exit code 1; with ``--debug`` or ``SIGKIT_DEBUG=1`` it is a traceback.
    """
    debug = [True] if os.environ.get("SIGKIT_DEBUG", "0") not in ("", "0") else []
    command = typer.main.get_command(app)
    command.context_settings = {"obj": debug}
    try:
        command.main(args=arguments, prog_name="sigkit", standalone_mode=True)
    except (SigkitError, OSError) as error:
        if debug:
            raise
        sys.stderr.write(f"sigkit: {error}\n")
        sys.exit(1)
