"""The program `nearpair`: its commands in the order of a shoot."""

import os
import sys
import warnings
from typing import Annotated

import typer

from nearpair import __version__
from nearpair.cli import commands, comparing, desking, exporting, glasses, planning, retouching, watching
from nearpair.cli.faults import DEBUG_VARIABLE

app = typer.Typer(
    name="nearpair",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="markdown",
)
for command in (
    commands.demo,
    planning.plan,
    watching.watch,
    commands.make,
    commands.sort,
    commands.pairs,
    commands.merge,
    retouching.retouch,
    commands.mount,
    exporting.export,
    commands.proof,
    comparing.compare,
    desking.desk,
    glasses.glasses,
):
    app.command()(command)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"nearpair {__version__}")
        raise typer.Exit


@app.callback()
def nearpair(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version and stop.")
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
