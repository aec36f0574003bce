"""The program `nearpair`: its commands, in the groups and the order of a shoot."""

import os
import sys
import warnings
from collections.abc import Callable
from typing import Annotated

import typer

from nearpair import __version__
from nearpair.cli import commands, comparing, desking, exporting, glasses, planning, retouching, watching
from nearpair.cli.faults import DEBUG_VARIABLE
from nearpair.cli.usage import Command, Group

app = typer.Typer(
    name="nearpair",
    cls=Group,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="markdown",
)
_GROUPS: dict[str, tuple[Callable[..., None], ...]] = {
    "Before the shoot, and while the subject stands": (planning.plan, watching.watch, commands.sort),
    "The whole job": (commands.demo, commands.make, desking.desk),
    "One stage of it": (
        commands.pairs,
        commands.merge,
        retouching.retouch,
        commands.mount,
        exporting.export,
        commands.proof,
    ),
    "Besides": (comparing.compare, glasses.glasses),
}
for group, members in _GROUPS.items():
    for member in members:
        app.command(cls=Command, rich_help_panel=group)(member)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"nearpair {__version__}")
        raise typer.Exit


@app.callback()
def nearpair(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Say the version and stop."),
    ] = False,
) -> None:
    """Make stereoscopic photographs of small things: from two focus stacks to a mounted, proofed pair.

    Begin with: nearpair demo
    """


def main() -> None:
    """Run the program with the arguments it was started with."""
    if not sys.warnoptions and os.environ.get(DEBUG_VARIABLE) != "1":
        warnings.simplefilter("ignore")  # a library's warnings are for programmers: ours are sentences
    app()
