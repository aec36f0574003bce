"""Seconds a frame and memory for merging 24-megapixel frames, beside decoding alone.

    python -m benchmarks.speed [--data DIR] [--rounds 3] [--frames 20]

Both are measured in turn in one run, and medians are printed, because a machine is not equally fast all the
time. Merging is everything between files and view: decoding, registration, warp, merge. Decoding alone
uses the fastest decoder at hand on all cores. Peak memory is that of a fresh process, for 10 and 40 frames.
"""

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import simplejpeg

from benchmarks.large_stack import cycled, make
from benchmarks.product import merge_files


def decode(file: Path) -> None:
    """Decode one JPEG as fast as can be."""
    simplejpeg.decode_jpeg(file.read_bytes(), "BGR", fastdct=True, fastupsample=True)


def decode_all(files: Sequence[Path]) -> None:
    """Decode every file, on all cores."""
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for _ in pool.map(decode, files):
            pass


def seconds(work: Callable[[], object]) -> float:
    """Return how long `work` takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def peak_mb(files: Sequence[Path]) -> float:
    """Return the peak memory of a fresh process that merges `files`, in MB of 10^6 bytes."""
    listing = "\n".join(str(file) for file in files)
    command = [sys.executable, "-m", "benchmarks.speed", "--peak-of-listed"]
    found = subprocess.run(command, input=listing, capture_output=True, text=True, check=True)
    return float(found.stdout.split()[-1])


def report_own_peak() -> None:
    """Merge the files listed on standard input and print this process's peak memory, MB."""
    merge_files([Path(line) for line in sys.stdin.read().splitlines()])
    # Linux counts kibibytes
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6)


def alternate(files: Sequence[Path], rounds: int) -> tuple[float, float]:
    """Return median seconds a frame for merging and for decoding alone, measured in turn."""
    merging, decoding = [], []
    merge_files(files[:2])  # compiles what is compiled on first use
    for _ in range(rounds):
        decoding.append(seconds(lambda: decode_all(files)) / len(files))
        merging.append(seconds(lambda: merge_files(files)) / len(files))
    return statistics.median(merging), statistics.median(decoding)


def report(data: Path, rounds: int, frames: int) -> None:
    """Measure and print the table."""
    files = make(data / "stack24")[:frames]
    mean_mb = statistics.mean(file.stat().st_size for file in files) / 1e6
    merging_s, decoding_s = alternate(files, rounds)
    print(f"{len(files)} frames of 24 megapixels, {mean_mb:.1f} MB each; medians of {rounds} rounds")
    print(f"  merging, s a frame         {merging_s:7.3f}")
    print(f"  decoding alone, s a frame  {decoding_s:7.3f}")
    print(f"  ratio                      {merging_s / decoding_s:7.2f}")
    with tempfile.TemporaryDirectory(dir=data) as links:
        for count in (10, 40):
            peak = peak_mb(cycled(files, count, Path(links) / str(count)))
            print(f"  peak memory, {count} frames, MB {peak:8.0f}")


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--data", type=Path, default=Path("bench-data"), help="where the frames are kept")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--frames", type=int, default=20)
    parser.add_argument("--peak-of-listed", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.peak_of_listed:
        report_own_peak()
    else:
        report(options.data, options.rounds, options.frames)


if __name__ == "__main__":
    main()
