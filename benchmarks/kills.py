"""Runs that are killed at random instants, and disks that get full: nothing lost, the same bytes in the end.

Run it by hand: `python -m benchmarks.kills [INSTANTS] [SEED]`, with `tests` on the path. Works where
processes can be forked; the full disk needs the right to mount a memory disk and is skipped plainly without.
"""

import errno
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from nearpair.errors import NearpairError
from nearpair.outputs.catalogue import FORMS as FORMS_KNOWN
from nearpair.shoot import atomic
from nearpair.shoot.atomic import PART_PREFIX
from nearpair.shoot.deciding import Overrides, decide, revision_of
from nearpair.shoot.decisions import Retouch
from nearpair.shoot.finished import proof_of
from nearpair.shoot.fixing import fix
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.material import Settings
from nearpair.shoot.publishing import publish
from nearpair.shoot.run import candidates, make
from support.tiny import contents, shells

FORMS = ("anaglyph", "side-by-side", "multi-picture", "page", "gltf", "rocking-gif", "swap-mp4")
_SMALL = Settings(size_px=120, seconds=1.0)
REFUSED, CRASHED = 3, 4
_MOST_FILES = 500
_STEP_KB, _TIMES, _MOST_KB = 150, 1.15, 100_000


def job(folders: list[Path], shoot: Path) -> None:
    """All of it: the pair with its proof, then published forms."""
    make(folders, shoot)
    publish(shoot, FORMS, _SMALL)


def forked(work: Callable[[], None], said: Path, kill_after_s: float | None = None) -> int:
    """Run `work` in a process of its own; its exit status, negative if a signal ended it."""
    process = os.fork()
    if not process:
        status = CRASHED
        try:
            work()
            status = 0
        except NearpairError as error:
            said.write_text(str(error))
            status = REFUSED
        except BaseException as error:  # noqa: BLE001 - it is told to the parent
            said.write_text(repr(error))
        finally:
            os._exit(status)
    if kill_after_s is not None:
        time.sleep(kill_after_s)
        os.kill(process, signal.SIGKILL)
    return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])


def undisturbed(folders: list[Path], shoot: Path, said: Path) -> None:
    """Run the job in a process of its own, without disturbing it."""
    if forked(lambda: job(folders, shoot), said):
        sys.exit(said.read_text())


def half_written(shoot: Path, wanted: dict[str, str]) -> list[str]:
    """Files that are not as they are in the end; of those that are written more than once, broken ones."""
    growing = {"shoot.toml": tomllib.loads, "out/outputs.json": json.loads}
    half = [n for n, digest in contents(shoot).items() if n not in growing and wanted.get(n) != digest]
    for name, read in growing.items():
        text = (shoot / name).read_text() if (shoot / name).exists() else None
        try:
            if text is not None:
                read(text)
        except ValueError:
            half.append(name)
    return half


def kills(folders: list[Path], work: Path, instants: int, seed: int) -> Counter[str]:
    """Kill at `instants` random moments, run again, and compare with an undisturbed run."""
    whole, said = work / "undisturbed", work / "said"
    undisturbed(folders, whole, said)
    shutil.rmtree(whole)
    started = time.monotonic()
    undisturbed(folders, whole, said)
    lasts_s = time.monotonic() - started
    wanted = contents(whole)
    print(f"undisturbed: {lasts_s:.1f} s, {len(wanted)} files")
    rng, counts = random.Random(seed), Counter[str]()  # noqa: S311 - to be repeated
    for _ in range(instants):
        shoot, after_s = work / "killed", rng.uniform(0, lasts_s)
        status = forked(lambda: job(folders, shoot), said, after_s)  # noqa: B023 - used at once
        counts["killed" if status == -signal.SIGKILL else "finished before"] += 1
        half = [name for name in half_written(shoot, wanted) if PART_PREFIX not in name]
        counts["half-written file under a final name"] += len(half)
        again = forked(lambda: job(folders, shoot), said)  # noqa: B023
        same = again == 0 and contents(shoot) == wanted
        counts["same bytes in the end" if same else "DIFFERENT OR LOST"] += 1
        if half or not same:
            print(f"killed after {after_s:.3f} s: {half}, then status {again}")
        shutil.rmtree(shoot)
    return counts


def full_disks(folders: list[Path], work: Path) -> Counter[str]:
    """The job on a memory disk of every size up to where it fits; then there is room, and it goes on."""
    disk, said, counts = work / "disk", work / "said", Counter[str]()
    disk.mkdir()
    wanted = contents(work / "undisturbed")
    size_kb = 50
    while size_kb < _MOST_KB:
        size_kb = max(size_kb + _STEP_KB, int(size_kb * _TIMES))
        if mount("-t", "tmpfs", "-o", f"size={size_kb}k", "tmpfs", str(disk)):
            return counts + Counter({"skipped: no right to mount": 1})
        try:
            said.unlink(missing_ok=True)
            shoot = disk / "shoot"
            status = forked(lambda: job(folders, shoot), said)  # noqa: B023
            if status == 0:
                return counts
            counts["refused" if status == REFUSED else "CRASHED"] += 1
            words = said.read_text() if said.exists() else f"signal {-status}"
            left = list(disk.rglob(f"*{PART_PREFIX}*"))
            half = half_written(shoot, wanted)
            print(f"{size_kb} kB: {words}{f' LEFT {left} HALF {half}' if left or half else ''}")
            counts["half-written file under a final name"] += len(half)
            mount("-o", "remount,size=1g", str(disk))
            again = forked(lambda: job(folders, shoot), said)  # noqa: B023
            counts["same bytes with room" if again == 0 and contents(shoot) == wanted else "LOST"] += 1
        finally:
            subprocess.run(["umount", str(disk)], check=False)
    return counts


def everything(folders: list[Path], shoot: Path) -> None:
    """All that writes into a shoot: pair, decisions, retouches, fixes, every form, plan of nothing."""
    make(folders, shoot)
    folder, made = ShootFolder.open(shoot), proof_of(ShootFolder.open(shoot))
    decide(folder, Overrides(window="far", aspect="4:3"), revision_of(folder))
    mark = Retouch(made.stations[0].name, made.stations[0].frames[2], 12.0, ((150.0, 100.0), (160.0, 104.0)))
    decide(folder, Overrides(retouches=(mark,), window="near", method="colour"))
    fix(shoot)
    publish(shoot, [form.name for form in FORMS_KNOWN], _SMALL)
    candidates(shoot)


def every_write(folders: list[Path], work: Path) -> Counter[str]:
    """The disk is full once for each file that is written, in turn, and the work is begun anew each time.

    What is made in the end must be what is made on a disk with room.
    """
    shoot, said, counts, filled = work / "filled", work / "said", Counter[str](), set[str]()
    whole, flush = work / "everything", atomic._flush  # noqa: SLF001 - all files go through it
    if forked(lambda: everything(folders, whole), said):
        sys.exit(said.read_text())
    wanted, met = contents(whole), work / "met"

    def failing() -> None:
        def full(part: Path) -> None:
            name = _target(part)
            if name not in filled:
                met.write_text(name)
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(part))
            flush(part)

        atomic._flush = full  # noqa: SLF001 - in a process of its own
        everything(folders, shoot)

    for _ in range(_MOST_FILES):
        before = contents(shoot)
        status = forked(failing, said)
        if status == 0:
            break
        counts["refused" if status == REFUSED else "CRASHED"] += 1
        words, name = said.read_text(), met.read_text()
        filled.add(name)
        clear = words.startswith(f"{name}: cannot be written (No space left on device).")
        half = [str(part) for part in shoot.rglob(f"*{PART_PREFIX}*")]
        now = contents(shoot)
        changed = [n for n in now if str(shoot / n) == name and now[n] != before.get(n)]
        counts.update(
            {"unclear": not clear, "half-written file": len(half), "changed though full": len(changed)}
        )
        if half or changed or not clear:
            print(f"{name}: {words} {half} {changed}")
    counts["same bytes in the end" if contents(shoot) == wanted else "LOST"] += 1
    return counts


def _target(part: Path) -> str:
    """The file that is being written, from the call of `replacing` that waits for it."""
    frame = sys._getframe(2)  # noqa: SLF001 - whoever flushes knows what for
    return str(frame.f_locals.get("path", part))


def mount(*arguments: str) -> int:
    """Call the system's `mount`; its exit status."""
    return subprocess.run(["mount", *arguments], check=False, capture_output=True).returncode


def run(instants: int, seed: int) -> None:
    """Print what happened."""
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        folders = shells(work / "card")
        before = {file: file.read_bytes() for folder in folders for file in folder.iterdir()}
        print(dict(kills(folders, work, instants, seed)))
        print(dict(full_disks(folders, work)))
        print(dict(every_write(folders, work)))
        after = {file: file.read_bytes() for folder in folders for file in folder.iterdir()}
        print(f"originals unchanged: {before == after}")


if __name__ == "__main__":
    run(int(sys.argv[1]) if len(sys.argv) > 1 else 50, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
