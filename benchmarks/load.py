"""Long stacks, large frames and many stations through the whole of `make`: time a frame, memory, progress.

    python -m benchmarks.load DIR [--cases small,stations,24,60,100,...]

Frames are generated below DIR and kept there for the next time. Every case runs in a fresh process. Memory is
that of the process itself (anonymous); what waits in the unnamed file is the system's to keep or drop, and is
not counted. A silence is the time between two reports of progress, before the first, or after the last one.
"""

import argparse
import json
import shutil
import subprocess
import sys
import threading
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import psutil

from benchmarks.load_frames import Stacks, folders_of

_S60, _S100 = (6336, 9504), (8736, 11648)
CASES = {
    "small-50": Stacks(frames=50),
    "small-200": Stacks(frames=200),
    "small-1000": Stacks(frames=1000),
    "stations": Stacks(frames=30, stations=10, parallax_share=0.006),
    "24-20": Stacks((4000, 6000), 20, blur_px=1.0),
    "24-50": Stacks((4000, 6000), 50, blur_px=0.4),
    "24-200": Stacks((4000, 6000), 200, blur_px=0.2),
    "24-20-tiff": Stacks((4000, 6000), 20, blur_px=1.0, bits=16),
    "60-8": Stacks(_S60, 8, blur_px=2.5),
    "60-50": Stacks(_S60, 50, blur_px=0.6),
    "60-200": Stacks(_S60, 200, blur_px=0.2),
    "100-5": Stacks(_S100, 5, blur_px=4.0),
}
_EVERY_S = 0.02


class Watch:
    """Hears the progress of a run, and looks at its memory meanwhile."""

    def __init__(self) -> None:
        self._last_s, self._last = time.monotonic(), "start"
        self._last_processor_s = time.process_time()
        self.silences: list[tuple[float, float, str]] = []
        self.spent_s: dict[str, float] = defaultdict(float)
        self.processor_s: dict[str, float] = defaultdict(float)
        self.largest: dict[str, int] = defaultdict(int)
        self._ended = threading.Event()
        self._looking = threading.Thread(target=self._look, daemon=True)
        self._looking.start()

    def __call__(self, what: str, done: int, total: int) -> None:
        """Report progress."""
        now_s, processor_s = time.monotonic(), time.process_time()
        passed_s, spent_s = now_s - self._last_s, processor_s - self._last_processor_s
        self.silences.append((passed_s, spent_s, f"{self._last} -> {what} {done}/{total}"))
        self.spent_s[what] += passed_s
        self.processor_s[what] += spent_s
        self._last_s, self._last_processor_s = now_s, processor_s
        self._last = f"{what} {done}/{total}"

    def end(self) -> None:
        """The run is over."""
        self("end", 1, 1)
        self._ended.set()
        self._looking.join()

    def _look(self) -> None:
        while not self._ended.wait(_EVERY_S):
            now = anonymous()
            what = self._last.rsplit(" ", 1)[0]
            self.largest[what] = max(self.largest[what], now)


def anonymous() -> int:
    """Bytes of memory that are this process's own."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("RssAnon")).split()[1]) * 1024


def one(folders: list[Path], shoot: Path) -> None:
    """Make the shoot in this process, and print what was seen, as JSON."""
    watch = Watch()
    started_s = time.monotonic()
    from nearpair.shoot.run import make

    proof = make(folders, shoot, progress=watch)
    watch.end()
    spent = psutil.Process().cpu_times()
    print(
        json.dumps(
            {
                "seconds": time.monotonic() - started_s,
                "processor_s": spent.user + spent.system,
                "silences": sorted(watch.silences, reverse=True)[:5],
                "spent_s": dict(watch.spent_s),
                "processor_spent_s": dict(watch.processor_s),
                "largest_mb": {what: size / 1e6 for what, size in watch.largest.items()},
                "verdict": proof.verdict,
                "stations": [len(station.frames) for station in proof.stations],
                "set_aside": len(proof.set_aside),
            }
        )
    )


def measured(name: str, data: Path) -> dict[str, Any]:
    """One case in a fresh process."""
    folders = folders_of(CASES[name], data / name)
    shoot = data / f"{name}-shoot"
    shutil.rmtree(shoot, ignore_errors=True)
    command = [sys.executable, "-m", "benchmarks.load", str(shoot), "--one", *map(str, folders)]
    found = subprocess.run(command, capture_output=True, text=True, check=False)
    shutil.rmtree(shoot, ignore_errors=True)
    if found.returncode:
        sys.exit(found.stderr)
    out: dict[str, Any] = json.loads(found.stdout.splitlines()[-1])
    return out


def report(name: str, found: dict[str, Any]) -> None:
    """Print what one case gave."""
    case = CASES[name]
    frames, pixels = case.frames * case.stations, case.size_px[0] * case.size_px[1]
    peak = max(found["largest_mb"].values())
    print(
        f"{name}: {case.stations} x {case.frames} frames of {pixels / 1e6:.2f} megapixels, "
        f"{case.bits} bits, "
        f"{found['verdict']}, stations {found['stations']}, {found['set_aside']} set aside"
    )
    print(
        f"  {found['seconds']:.1f} s, {found['seconds'] / frames:.4f} a frame; processor "
        f"{found['processor_s']:.1f} s, {found['processor_s'] / frames:.4f} a frame; peak {peak:.0f} MB"
    )
    for seconds, processor_s, where in found["silences"]:
        print(f"  silent for {seconds:6.2f} s (processor {processor_s:.2f} s): {where}")
    for what, seconds in found["processor_spent_s"].items():
        print(
            f"  {found['spent_s'][what]:7.2f} s, processor {seconds:7.2f} s, "
            f"{1e3 * seconds / frames:7.2f} ms a frame, "
            f"{found['largest_mb'].get(what, 0):6.0f} MB  {what}"
        )
    sys.stdout.flush()


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("data", type=Path, help="where frames are kept; the shoot itself with --one")
    parser.add_argument("--cases", default=",".join(CASES), help=", ".join(CASES))
    parser.add_argument("--one", nargs="+", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        one(options.one, options.data)
        return
    for name in options.cases.split(","):
        report(name, measured(name, options.data))


if __name__ == "__main__":
    main()
