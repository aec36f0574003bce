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


def compare(shoots: Sequence[Path], page: Path) -> list[tuple[str, Proof]]:
    """Write the page; gives name and proof of each.

    Raises NearpairError where a shoot has no proof, and for less than two.
    """
    folders = [ShootFolder.open(shoot) for shoot in shoots]
    names = told_apart([folder.root.resolve() for folder in folders])
    sides = [_side(folder, name) for folder, name in zip(folders, names, strict=True)]
    write_whole(page, render_comparison(sides).encode())
    return [(side.name, side.proof) for side in sides]


def told_apart(roots: Sequence[Path]) -> list[str]:
    """Names of the folders, with those of the folders that they lie in as far as that tells them apart."""
    names = [root.name for root in roots]
    for more in range(2, max(len(root.parts) for root in roots) + 1):
        if len({*names}) == len({*roots}):
            break
        names = [
            "/".join(root.parts[-more:]).lstrip("/") if names.count(name) > 1 else name
            for root, name in zip(roots, names, strict=True)
        ]
    return names


def _side(shoot: ShootFolder, name: str) -> Side:
    proof = proof_of(shoot)
    return Side(name, proof, as_shown(shoot, load(shoot.toml), proof.mounting))
