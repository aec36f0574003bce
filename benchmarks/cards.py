"""The card is pulled out while a run reads from it, at every moment; then it is put in and the run goes on.

Run it by hand: `python -m benchmarks.cards [EVERY]`, with `tests` on the path; EVERY: one of so many moments.
Works where processes can be forked. Whether rights stop a reader depends on who runs this, so the folder is
renamed, which stops everybody.
"""

import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from benchmarks.kills import REFUSED, forked, job, mount, undisturbed
from nearpair.shoot.atomic import PART_PREFIX
from support.tiny import contents, shells

_moments = {"pull at": -1, "seen": 0}
_card: list[Path] = []


def _hook(event: str, arguments: tuple[object, ...]) -> None:
    """Counts what opens or lists something on the card, and pulls it out just before the chosen time."""
    if event not in ("open", "os.listdir", "os.scandir") or not _card:
        return
    if not str(arguments[0]).startswith(str(_card[0])):
        return
    if _moments["seen"] == _moments["pull at"]:
        _card[0].rename(_card[0].with_name("pulled"))
    _moments["seen"] += 1


def moments(folders: list[Path], shoot: Path, said: Path, count: Path) -> int:
    """How often an undisturbed run looks at the card."""

    def counted() -> None:
        job(folders, shoot)
        count.write_text(str(_moments["seen"]))

    if forked(counted, said):
        sys.exit(said.read_text())
    return int(count.read_text())


def pulled(folders: list[Path], work: Path, every: int) -> Counter[str]:
    """Pull the card at each moment, put it in again, go on, and compare with an undisturbed run."""
    said, shoot, card = work / "said", work / "shoot", work / "card"
    counts, words = Counter[str](), Counter[str]()
    undisturbed(folders, work / "undisturbed", said)
    wanted = contents(work / "undisturbed")
    _card.append(card)
    for moment in range(0, moments(folders, work / "counted", said, work / "count"), every):
        _moments.update({"pull at": moment, "seen": 0})
        said.unlink(missing_ok=True)
        status = forked(lambda: job(folders, shoot), said)
        _moments["pull at"] = -1
        counts["tried"] += 1
        counts[{0: "used what was read before", REFUSED: "refused"}.get(status, "CRASHED")] += 1
        told = said.read_text() if said.exists() else ""
        words[told.replace(str(work), "...")] += 1
        half = [n for n, d in contents(shoot).items() if n != "shoot.toml" and wanted.get(n) != d]
        half += [str(part) for part in work.rglob(f"*{PART_PREFIX}*")]
        counts["half-written file"] += len(half)
        if (work / "pulled").exists():
            (work / "pulled").rename(card)
        again = forked(lambda: job(folders, shoot), said)
        same = again == 0 and contents(shoot) == wanted
        counts["same bytes in the end" if same else "LOST"] += 1
        if half or not same:
            print(f"moment {moment}: {told}; {half}; then {again} {said.read_text() if again else ''}")
        shutil.rmtree(shoot, ignore_errors=True)
    for told, often in words.most_common():
        print(f"{often} x {told or 'done'}")
    return counts


def read_only(folders: list[Path], work: Path) -> str:
    """The whole job from a card that takes no changes at all, mounted read-only."""
    disk, said = work / "locked", work / "said"
    disk.mkdir()
    if mount("-t", "tmpfs", "-o", "size=64m", "tmpfs", str(disk)):
        return "skipped: no right to mount"
    try:
        own = [Path(shutil.copytree(folder, disk / folder.name)) for folder in folders]
        mount("-o", "remount,ro", str(disk))
        if forked(lambda: job(own, work / "from-locked"), said):
            return said.read_text()
        made, wanted = contents(work / "from-locked"), contents(work / "undisturbed")
        same = {n: d for n, d in made.items() if n != "shoot.toml"} == {
            n: d for n, d in wanted.items() if n != "shoot.toml"
        }
        return "same bytes as from any other card" if same else "DIFFERENT"
    finally:
        subprocess.run(["umount", str(disk)], check=False)


def run(every: int) -> None:
    """Print what happened."""
    sys.addaudithook(_hook)
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        folders = shells(work / "card")
        print(dict(pulled(folders, work, every)))
        print(f"from a read-only card: {read_only(folders, work)}")


if __name__ == "__main__":
    run(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
