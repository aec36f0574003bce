"""How commands are explained and what they say when something is missing, in words for photographers."""

from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

_EXAMPLES = "For example:"


class Command(TyperCommand):
    """A command whose help names no types of programs, and that says what a missing argument is."""

    def get_params(self, ctx: Any) -> list[Any]:
        """Return the arguments and options, shown by the words that we chose for them."""
        return _in_our_words(super().get_params(ctx))

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the arguments. Of a missing one it is said what it is, with the command's first example."""
        try:
            return super().parse_args(ctx, args)
        except typer.BadParameter as error:
            if not error.message and error.param is not None:
                what = getattr(error.param, "help", None) or ""
                error.message = f"{what} For example: {self._example()}".strip()
            raise

    def _example(self) -> str:
        lines = (self.help or "").partition(_EXAMPLES)[2].split("\n")
        return next((line.strip() for line in lines if line.strip()), f"nearpair {self.name} --help")


class Group(TyperGroup):
    """The program itself, its help in the same way."""

    def get_params(self, ctx: Any) -> list[Any]:
        """Return the options, shown by the words that we chose for them."""
        return _in_our_words(super().get_params(ctx))


def _in_our_words(params: list[Any]) -> list[Any]:
    for param in params:
        if getattr(param, "is_flag", False) and param.metavar is None:
            param.metavar = ""  # else "<bool>"
        elif param.param_type_name == "argument":
            vars(param)["display_type_rich"] = _no_type  # else "<list[Path]>"
    return params


def _no_type(ctx: Any) -> str:
    del ctx
    return ""
