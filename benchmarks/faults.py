"""How many planted faults the proof finds, and what it finds where nothing was planted.

    python -m benchmarks.faults [FOLDER OF SCENES] [--only FAULT] [--keep DIR]

A table by fault: how often it is told, and how often the same is told of all other shoots. The scenes are
those of the test suite. All is as it is without any option, but the red subject is mixed by
the method colour.
"""

import argparse
import shutil
import tempfile
from pathlib import Path

from benchmarks.planting import FAULTS, red_subject
from nearpair.proof.model import Proof
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.run import make

SCENES = Path(__file__).parents[1] / "tests" / "data" / "scenes"
STATIONS = {"gears": ("station_2", "station_4")}


def proofed(scene: Path, fault: str, keep: Path | None) -> Proof:
    """Copy a scene, plant the fault, and do the whole job; the shoot is kept in a folder, if one is given."""
    plant, _ = FAULTS[fault]
    to = "" if keep is None else str(keep / f"{scene.name}-{fault.replace(' ', '-')}")
    with tempfile.TemporaryDirectory() as home:
        names = STATIONS.get(scene.name, ("left", "right"))
        folders = Path(home) / "left", Path(home) / "right"
        for name, folder in zip(names, folders, strict=True):
            shutil.copytree(scene / name, folder)
        shutil.copy(scene / "truth" / "truth.json", home)
        asked = Overrides(method="colour") if plant is red_subject else Overrides()
        return make(list(plant(folders)), Path(to or Path(home) / "shoot"), asked)


def main() -> None:
    """Print one line a shoot, then the table by detector."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scenes", nargs="?", type=Path, default=SCENES)
    parser.add_argument("--only", choices=FAULTS)
    parser.add_argument("--keep", type=Path, help="keep the shoots in this folder")
    asked = parser.parse_args()
    scenes = [folder for folder in sorted(asked.scenes.iterdir()) if (folder / "truth").is_dir()]
    found: dict[tuple[str, str], set[str]] = {}
    for fault in [asked.only] if asked.only else FAULTS:
        for scene in scenes:
            proof = proofed(scene, fault, asked.keep)
            found[scene.name, fault] = {finding.code for finding in proof.advice}
            listed = ", ".join(f"{f.code} ({f.severity}; {f.measured})" for f in proof.advice)
            print(f"{scene.name:10} {fault:28} {proof.verdict:10} {listed}", flush=True)
    print("\n| fault | told by | found | false alarms |\n| --- | --- | --- | --- |")
    for fault, (_, codes) in FAULTS.items():
        if codes and any(key[1] == fault for key in found):
            has = {key: bool(told & set(codes)) for key, told in found.items()}
            right = sum(told for key, told in has.items() if key[1] == fault)
            others = [told for key, told in has.items() if key[1] != fault]
            named = " or ".join(f"`{code}`" for code in codes)
            counts = f"{right} of {len(has) - len(others)} | {sum(others)} of {len(others)}"
            print(f"| {fault} | {named} | {counts} |")


if __name__ == "__main__":
    main()
