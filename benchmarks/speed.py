"""Seconds a frame and memory for merging 24-megapixel frames, beside decoding alone.

    python -m benchmarks.speed [--data DIR] [--rounds 3] [--frames 20] [--counts 10,40,200] [--tiff]

Both are measured in turn in one run, and medians are printed, because a machine is not equally fast all the
time. Merging is everything between files and view: decoding, registration, warp, merge. Decoding alone
uses the fastest decoder at hand on all cores. Peak memory is that of a fresh process, for each of the counts
of frames; pages of the scratch file count as long as they are mapped.

--tiff takes ten frames as TIFF files of 16 bits, deflated with a predictor, instead of JPEG files.
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
import tifffile

from benchmarks.large_stack import cycled, make, make_tiff
from benchmarks.product import merge_files


def decode(file: Path) -> None:
    """Decode one file as fast as can be on one core."""
    if file.suffix == ".tif":
        tifffile.imread(file, maxworkers=1)
        return
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
    print(own_peak_bytes() / 1e6)


def own_peak_bytes() -> int:
    """Return the peak memory of this process: where the system tells it, not that of the parent before it."""
    status = Path("/proc/self/status")
    if status.exists():
        peak = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(peak.split()[1]) * 1024
    # systems of the Mac's kind count bytes
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def alternate(files: Sequence[Path], rounds: int) -> tuple[float, float]:
    """Return median seconds a frame for merging and for decoding alone, measured in turn."""
    merging, decoding = [], []
    merge_files(files[:2])  # compiles what is compiled on first use
    for _ in range(rounds):
        decoding.append(seconds(lambda: decode_all(files)) / len(files))
        merging.append(seconds(lambda: merge_files(files)) / len(files))
    return statistics.median(merging), statistics.median(decoding)


def report(options: argparse.Namespace) -> None:
    """Measure and print the table."""
    made = make(options.data / "stack24")
    files = (make_tiff(made[:10], options.data / "stack24-tiff") if options.tiff else made)[: options.frames]
    mean_mb = statistics.mean(file.stat().st_size for file in files) / 1e6
    merging_s, decoding_s = alternate(files, options.rounds)
    print(f"{len(files)} frames of 24 megapixels, {mean_mb:.1f} MB each; medians of {options.rounds} rounds")
    print(f"  merging, s a frame         {merging_s:7.3f}")
    print(f"  decoding alone, s a frame  {decoding_s:7.3f}")
    print(f"  ratio                      {merging_s / decoding_s:7.2f}")
    with tempfile.TemporaryDirectory(dir=options.data) as links:
        for count in options.counts:
            peak = peak_mb(cycled(files, count, Path(links) / str(count)))
            print(f"  peak memory, {count} frames, MB {peak:8.0f}", flush=True)


def counts(text: str) -> list[int]:
    """Read numbers of frames, separated by commas."""
    return [int(number) for number in text.split(",")]


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--data", type=Path, default=Path("bench-data"), help="where the frames are kept")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--frames", type=int, default=20)
    parser.add_argument("--counts", type=counts, default=[10, 40], help="frames to take the peak memory for")
    parser.add_argument("--tiff", action="store_true", help="TIFF files of 16 bits instead of JPEG files")
    parser.add_argument("--peak-of-listed", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.peak_of_listed:
        report_own_peak()
    else:
        report(options)


if __name__ == "__main__":
    main()
