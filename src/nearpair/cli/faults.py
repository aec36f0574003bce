"""What a command says, and its exit status, when it cannot do its job.

0    done
1    the job could not be done: the message says why and what to do
2    wrong usage (reported by the library that reads the command line)
130  stopped with Ctrl-C (128 + signal 2: common practice of shells, no source)
"""

import functools
import os
import sys
import traceback
from collections.abc import Callable
from typing import ParamSpec, TypeVar

import typer

from nearpair.errors import NearpairError

FAILED = 1
INTERRUPTED = 130
DEBUG_VARIABLE = "NEARPAIR_DEBUG"


P = ParamSpec("P")
R = TypeVar("R")


def told(command: Callable[P, R]) -> Callable[P, R]:
    """Wrap a command: whatever stops it becomes plain sentences on standard error and an exit status."""

    @functools.wraps(command)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return command(*args, **kwargs)
        except KeyboardInterrupt:
            _say("\nStopped. Nothing is lost: run the same command again to go on.")
            raise typer.Exit(INTERRUPTED) from None
        except NearpairError as error:
            _trace()
            _say(f"Error: {error.message}\nWhat to do: {error.remedy}")
            raise typer.Exit(FAILED) from None
        except typer.BadParameter:
            raise  # wrong usage is told by the library that reads the command line
        except BrokenPipeError:
            _let_go_of_output()
            raise typer.Exit(FAILED) from None
        except MemoryError:
            _trace()
            _say("Error: this computer has not enough free memory for pictures of this size.")
            _say("What to do: close other programs, or make the frames smaller, and run it again.")
            raise typer.Exit(FAILED) from None
        except Exception as error:  # noqa: BLE001 - the last resort: nobody is to meet a traceback
            _trace()
            _say(_unexpected(error))
            raise typer.Exit(FAILED) from None

    return wrapped


def _unexpected(error: Exception) -> str:
    found = " ".join(f"{type(error).__name__}: {error}".split())
    return (
        f"Error: something went wrong that nearpair did not expect ({found[:300]}). Your frames are safe."
        "\nWhat to do: this is a fault of nearpair; please report it to its developers, with the command you "
        f"gave and what it prints when {DEBUG_VARIABLE}=1 is set."
    )


def _trace() -> None:
    if os.environ.get(DEBUG_VARIABLE) == "1":
        traceback.print_exc(file=sys.stderr)


def _say(text: str) -> None:
    typer.echo(text, err=True)


def _let_go_of_output() -> None:
    """Whoever read our output went away; keep the interpreter from complaining when it flushes at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
