"""Which view is the left eye's: decided for every scene and measured pair, in both orders, in a mirror too.

    python -m benchmarks.eyes [FOLDER...]

A FOLDER with `truth/truth.json` is a scene of two stations. Cones, Motorcycle and Aloe
(tests/support/pairs.py) follow as single photographs. Each is put into folders whose names say nothing, once
the left eye first and once the right, as it is and mirrored, which exchanges the eyes; `nearpair sort` then
decides. Printed: right or wrong, and its confidence, for each of the four.
"""

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from PIL import Image, ImageOps

from benchmarks.judge import Picture
from benchmarks.pairs import measured_pairs
from benchmarks.truth import load

NAMES = ("this", "that")
Source = Callable[[Path], None]


def frames_of(folder: Path) -> Source:
    """Return what puts the frames of a station into a folder."""

    def put(target: Path) -> None:
        target.mkdir(parents=True)
        for file in sorted(folder.iterdir()):
            (target / file.name).symlink_to(file.resolve())

    return put


def photograph(pixels: Picture) -> Source:
    """Return what puts one picture (H, W, 3) uint8 into a folder."""

    def put(target: Path) -> None:
        target.mkdir(parents=True)
        Image.fromarray(pixels).save(target / "1.png")

    return put


def mirror(folder: Path) -> None:
    """Mirror every frame of a folder, its metadata kept."""
    for file in sorted(folder.iterdir()):
        with Image.open(file) as picture:
            flipped, metadata = ImageOps.mirror(picture), picture.getexif()
        file.unlink()
        flipped.save(file, quality=95, exif=metadata)


def decided(eyes: tuple[Source, Source], place: Path, *, swapped: bool, mirrored: bool) -> tuple[bool, float]:
    """Return whether the left eye was told rightly, and how surely; `eyes`: left and right as shot."""
    shutil.rmtree(place, ignore_errors=True)
    folders = [place / name for name in NAMES]
    for put, folder in zip(eyes[::-1] if swapped else eyes, folders, strict=True):
        put(folder)
        if mirrored:
            mirror(folder)
    command = [sys.executable, "-m", "nearpair", "sort", *map(str, folders), "--json"]
    told = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)["eyes"]
    return told["left"] == NAMES[int(swapped != mirrored)], float(told["confidence"])


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="*", metavar="FOLDER")
    cases: dict[str, tuple[Source, Source]] = {}
    for folder in parser.parse_args().folders:
        scene = load(folder)
        cases[folder.name] = frames_of(folder / scene.left), frames_of(folder / scene.right)
    for pair in measured_pairs():
        cases[pair.name] = photograph(pair.left), photograph(pair.right)
    print(f"{'pair':20}{'as shot':>16}{'swapped':>16}{'mirrored':>16}{'both':>16}")
    wrong = 0
    with tempfile.TemporaryDirectory() as place:
        for name, eyes in cases.items():
            line = f"{name:20}"
            for mirrored in (False, True):
                for swapped in (False, True):
                    right, sure = decided(eyes, Path(place) / "card", swapped=swapped, mirrored=mirrored)
                    wrong += not right
                    line += f"{'right' if right else 'WRONG':>8}{sure:8.4f}"
            print(line, flush=True)
    print(f"{4 * len(cases) - wrong} of {4 * len(cases)} right")


if __name__ == "__main__":
    main()
