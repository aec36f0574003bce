"""Spoilt picture files through decoding, `sort` and `make`: how many are tried, refused, used, crashed, lost.

Run it by hand: `python -m benchmarks.corpus [CASES] [SEED] [LYING]`, with `tests` on the path: first CASES
files with spoilt bytes, then LYING ones whose structure lies. Every file has ten seconds of processor time
before the process ends itself with a traceback. Copies of a frame that is used count as refused.
"""

import faulthandler
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from nearpair.errors import FrameError, NearpairError
from nearpair.frames.metadata import read_info
from nearpair.frames.read import read_pixels, read_small
from nearpair.shoot.run import look, make
from support.corpus import Case, cases, lying, put
from support.tiny import shells

_EACH_S = 10
_TOGETHER = 50
_MAKE_EVERY = 5


def _limit(seconds: float) -> None:
    """End this process with a traceback after `seconds` of processor time from now; 0: never."""
    faulthandler.register(signal.SIGPROF, chain=True)
    signal.setitimer(signal.ITIMER_PROF, seconds)


def decode(files: Sequence[Path], made: Sequence[Case]) -> Counter[str]:
    """Read header, pixels and small luma of every file; a refusal that names no file counts as a crash."""
    counts: Counter[str] = Counter()
    slowest, which = 0.0, ""
    for file, case in zip(files, made, strict=True):
        _limit(_EACH_S)
        started = time.process_time()
        try:
            info = read_info(file)
            read_pixels(info)
            read_small(info, 1)
            counts["used"] += 1
        except FrameError as error:
            counts["refused" if str(error).startswith(f"{file}: ") and error.remedy else "crashed"] += 1
        except Exception:  # noqa: BLE001 - it is what is looked for
            counts["crashed"] += 1
            print(f"CRASHED {case.name!r}: {case.what}")
            traceback.print_exc()
        if time.process_time() - started > slowest:
            slowest, which = time.process_time() - started, case.what
    _limit(0)
    print(f"slowest file {slowest:.2f} s: {which}")
    return counts


def together(good: Path, made: Sequence[Case], work: Path, *, whole: bool) -> Counter[str]:
    """Cases in one card beside a good shoot of two stations: sorted, or made into a pair if `whole`.

    Every case must come out by name, in a station or set aside with a reason; what is in neither is lost.
    """
    counts: Counter[str] = Counter()
    card, shoot = work / "card", work / "shoot"
    shutil.copytree(good, card)
    put(card / "left", list(made))
    _limit(_EACH_S * len(made))
    try:
        folders = [card / "left", card / "right"]
        found = make(folders, shoot) if whole else look(folders)
    except NearpairError as error:
        counts["refused as a whole"] += 1
        print(f"refused as a whole: {error}")
    except Exception:  # noqa: BLE001 - it is what is looked for
        counts["crashed"] += 1
        traceback.print_exc()
    else:
        used = {Path(frame).name for station in found.stations for frame in station.frames}
        aside = {item.file.removeprefix("left/") for item in found.set_aside if item.reason}
        names = {case.name for case in made}
        counts += Counter(
            used=len(names & used), refused=len(names & aside - used), lost=len(names - used - aside)
        )
        for name in sorted(names - used - aside):
            print(f"LOST {name!r}")
    finally:
        _limit(0)
        shutil.rmtree(work)
    return counts


def through_all(made: list[Case], work: Path, good: Path, make_every: int) -> None:
    """Decode the cases, sort them in batches beside a good shoot, and make one of `make_every` batches."""
    print(f"decoding: {dict(decode(put(work / 'all', made), made))}")
    for whole in (False, True):
        counts: Counter[str] = Counter()
        batches = [made[start : start + _TOGETHER] for start in range(0, len(made), _TOGETHER)]
        for batch in batches[:: make_every if whole else 1]:
            counts["tried"] += len(batch)
            counts += together(good, batch, work / "together", whole=whole)
        print(f"{'make' if whole else 'sort'}: {dict(counts)}", flush=True)


def run(count: int, seed: int, lies: int) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        shells(work / "good")
        if count:
            print("spoilt bytes")
            through_all(cases(count, seed, work / "scratch"), work / "spoilt", work / "good", _MAKE_EVERY)
        if lies:
            print("structure that lies")
            through_all(lying(lies, seed, work / "scratch"), work / "lying", work / "good", 1)
    print(f"largest memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    given = [int(argument) for argument in sys.argv[1:]]
    run(*(given + [1000, 1, 300][len(given) :]))
