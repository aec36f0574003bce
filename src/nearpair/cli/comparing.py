"""`nearpair compare`: finished shoots side by side, on a page and as a table."""

from pathlib import Path
from typing import Annotated

import typer

from nearpair.cli import options, say
from nearpair.cli.faults import told
from nearpair.cli.lines import Line

Shoots = Annotated[list[Path], typer.Argument(metavar="SHOOT", help="The folders of two or more shoots.")]
To = Annotated[Path, typer.Option("--to", metavar="FILE", help="The page to write.")]


@told
def compare(shoots: Shoots, to: To = Path("comparison.html"), as_json: options.Json = False) -> None:
    """Set the proofs of two or more finished shoots side by side on one page.

    Pictures, verdicts, advice and all figures, with what differs in bold. The shoots are only read.

    For example:

        nearpair compare quartz pyrite
        nearpair compare quartz quartz-again --to quartz-twice.html
    """
    from nearpair.errors import NearpairError
    from nearpair.proof.phrases import amount
    from nearpair.shoot.comparison import compare as compare_shoots

    if to.is_dir():
        raise NearpairError(f"{to}: is a folder.", "Give the name of a file, for example comparison.html.")
    found = compare_shoots(shoots, to)
    lines = [
        Line(
            "" if number else "Shoots",
            f"{name}: {proof.verdict}; relief {amount(proof.depth.relief.score)}, "
            f"{amount(proof.depth.relief.range_arcmin)} arcmin from near to far",
        )
        for number, (name, proof) in enumerate(found)
    ]
    say.lines([*lines, Line("Page", str(to), whole=True)], to_stderr=as_json)
    if as_json:
        say.json({str(shoot): proof for shoot, (_, proof) in zip(shoots, found, strict=True)})
