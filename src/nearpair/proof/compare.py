"""Proofs of two or more pairs side by side on one page: self-contained, no script, nothing fetched."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest

from nearpair.errors import NearpairError
from nearpair.proof.figures import Group, figures
from nearpair.proof.model import Proof
from nearpair.proof.relief_words import relief_words
from nearpair.proof.report import data_address, environment
from nearpair.proof.spread import Chart, chart
from nearpair.proof.words import CAUTIONS, VERDICTS


@dataclass(frozen=True, slots=True)
class Side:
    """One pair: what it is called, its proof, and its anaglyph as a JPEG or PNG file."""

    name: str
    proof: Proof
    anaglyph: bytes


@dataclass(frozen=True, slots=True)
class _Row:
    name: str
    values: list[str]

    @property
    def differs(self) -> bool:
        return len(set(self.values)) > 1


def render_comparison(sides: Sequence[Side]) -> str:
    """HTML page with a column for each pair. Raises NearpairError for fewer than two."""
    if len(sides) < 2:
        raise NearpairError("There is only one pair to compare.", "Give two shoots or more.")
    return (
        environment()
        .get_template("compare.html.j2")
        .render(
            sides=[_column(side) for side in sides],
            groups=_groups([figures(side.proof) for side in sides]),
            cautions=CAUTIONS,
        )
    )


def _column(side: Side) -> dict[str, object]:
    found: Chart | None = chart(side.proof)
    return {
        "name": side.name,
        "proof": side.proof,
        "verdict": VERDICTS[side.proof.verdict][0],
        "anaglyph": data_address("anaglyph", side.anaglyph),
        "relief": relief_words(side.proof)[0],
        "chart": found,
    }


def _groups(all_: Sequence[Sequence[Group]]) -> list[tuple[str, list[_Row]]]:
    """The rows of all proofs by their names, in the order of the first that has them."""
    titles = list(dict.fromkeys(group.title for groups in all_ for group in groups))
    out = []
    for title in titles:
        found = [next((g.rows for g in groups if g.title == title), []) for groups in all_]
        names = list(dict.fromkeys(row[0] for rows in zip_longest(*found) for row in rows if row))
        values = [{row[0]: row[1] for row in rows} for rows in found]
        out.append((title, [_Row(name, [known.get(name, "") for known in values]) for name in names]))
    return out
