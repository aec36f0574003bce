"""Several finished shoots side by side: their proofs and anaglyphs on one page. The shoots are only read."""

from collections.abc import Sequence
from pathlib import Path

from nearpair.proof.compare import Side, render_comparison
from nearpair.proof.model import Proof
from nearpair.shoot.atomic import write_whole
from nearpair.shoot.decisions import load
from nearpair.shoot.finished import proof_of
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.proving import as_shown


def compare(shoots: Sequence[Path], page: Path) -> list[Proof]:
    """Write the page; gives the proofs. Raises NearpairError where a shoot has none, or for less than two."""
    sides = [_side(ShootFolder.open(shoot)) for shoot in shoots]
    write_whole(page, render_comparison(sides).encode())
    return [side.proof for side in sides]


def _side(shoot: ShootFolder) -> Side:
    proof = proof_of(shoot)
    return Side(shoot.root.resolve().name, proof, as_shown(shoot, load(shoot.toml), proof.mounting))
