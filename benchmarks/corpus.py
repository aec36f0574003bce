"""Spoilt picture files through decoding, `sort` and `make`: how many are tried, refused, used, crashed, lost.

Run it by hand: `python -m benchmarks.corpus [CASES] [SEED]`, with `tests` on the path. Every file has ten
seconds before the process ends itself with a traceback. Copies of a frame that is used count as refused.
"""

import faulthandler
import resource
import shutil
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
from support.corpus import Case, cases, put
from support.tiny import shells

_EACH_S = 10
_TOGETHER = 50
_MAKE_EVERY = 5


def decode(files: Sequence[Path], made: Sequence[Case]) -> Counter[str]:
    """Read header, pixels and small luma of every file; a refusal that names no file counts as a crash."""
    counts: Counter[str] = Counter()
    slowest, which = 0.0, ""
    for file, case in zip(files, made, strict=True):
        faulthandler.dump_traceback_later(_EACH_S, exit=True)
        started = time.monotonic()
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
        if time.monotonic() - started > slowest:
            slowest, which = time.monotonic() - started, case.what
    faulthandler.cancel_dump_traceback_later()
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
    faulthandler.dump_traceback_later(_EACH_S * len(made), exit=True)
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
        faulthandler.cancel_dump_traceback_later()
        shutil.rmtree(work)
    return counts


def run(count: int, seed: int) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        made = cases(count, seed, work / "scratch")
        print(f"decoding: {dict(decode(put(work / 'all', made), made))}")
        good = work / "good"
        shells(good)
        for whole in (False, True):
            counts: Counter[str] = Counter()
            batches = [made[start : start + _TOGETHER] for start in range(0, count, _TOGETHER)]
            for batch in batches[:: _MAKE_EVERY if whole else 1]:
                counts["tried"] += len(batch)
                counts += together(good, batch, work / "together", whole=whole)
            print(f"{'make' if whole else 'sort'}: {dict(counts)}")
    print(f"largest memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    run(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
