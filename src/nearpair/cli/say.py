"""Where words go: results to standard output, everything else to standard error."""

import sys
from collections.abc import Iterable
from typing import Any

import typer
from rich.console import Console
from rich.text import Text

from nearpair.cli.lines import Line

READABLE_WIDTH = 100


def errors() -> Console:
    """Return the console on standard error, as it is now."""
    return Console(stderr=True, highlight=False)


def lines(found: Iterable[Line], to_stderr: bool = False) -> None:
    """Print a summary: wrapped and coloured on a terminal, one line a paragraph elsewhere."""
    console = errors() if to_stderr else Console(highlight=False)
    width = min(console.width, READABLE_WIDTH) if console.is_terminal else sys.maxsize
    for line in found:
        console.print(Text(line.wrapped(width), style=line.style), soft_wrap=True)


def json(result: Any) -> None:
    """Print a result as indented JSON, or bytes that are JSON already."""
    import msgspec

    encoded = (
        result if isinstance(result, bytes) else msgspec.json.format(msgspec.json.encode(result)) + b"\n"
    )
    typer.echo(encoded, nl=False)


def plain(text: str) -> None:
    """Print one line on standard output, at once."""
    typer.echo(text)
