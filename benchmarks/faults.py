"""How many planted faults the proof finds, and what it finds where nothing was planted.

    python -m benchmarks.faults [FOLDER OF SCENES] [--only FAULT]

A table by fault: how often it is told, and how often the same is told of all other shoots. The scenes are
those of the test suite.
"""

import argparse
import shutil
import tempfile
from pathlib import Path

from benchmarks.planting import FAULTS
from nearpair.proof.model import Proof
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.run import make

SCENES = Path(__file__).parents[1] / "tests" / "data" / "scenes"
STATIONS = {"gears": ("station_2", "station_4")}


def proofed(scene: Path, fault: str) -> Proof:
    """Copy a scene, plant the fault, and do the whole job."""
    plant, _ = FAULTS[fault]
    with tempfile.TemporaryDirectory() as home:
        names = STATIONS.get(scene.name, ("left", "right"))
        folders = Path(home) / "left", Path(home) / "right"
        for name, folder in zip(names, folders, strict=True):
            shutil.copytree(scene / name, folder)
        method = "colour" if "red" in fault else "least-squares"
        return make(list(plant(folders)), Path(home) / "shoot", Overrides(method=method))


def main() -> None:
    """Print one line a shoot, then the table by detector."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scenes", nargs="?", type=Path, default=SCENES)
    parser.add_argument("--only", choices=FAULTS)
    asked = parser.parse_args()
    scenes = [folder for folder in sorted(asked.scenes.iterdir()) if (folder / "truth").is_dir()]
    found: dict[tuple[str, str], set[str]] = {}
    for fault in [asked.only] if asked.only else FAULTS:
        for scene in scenes:
            proof = proofed(scene, fault)
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
