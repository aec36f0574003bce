"""How many planted faults the proof finds, and what it finds where nothing was planted.

    python -m benchmarks.faults [FOLDER OF SCENES] [--only FAULT]

A table by detector: true positives, and false alarms over all other shoots. The scenes are those of the test
suite.
"""

import argparse
import shutil
import tempfile
from pathlib import Path

from benchmarks.planting import FAULTS
from nearpair.proof.model import Proof
from nearpair.shoot.run import Overrides, make

SCENES = Path(__file__).parents[1] / "tests" / "data" / "scenes"
STATIONS = {"gears": ("station_2", "station_4")}
DETECTORS = tuple(code for _, codes in FAULTS.values() for code in codes)


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
    print("\n| detector | found | false alarms |\n| --- | --- | --- |")
    for detector in DETECTORS:
        has = {key: detector in FAULTS[key[1]][1] for key in found}
        right = sum(detector in codes for key, codes in found.items() if has[key])
        false = sum(detector in codes for key, codes in found.items() if not has[key])
        print(
            f"| `{detector}` | {right} of {sum(has.values())} | {false} of {len(found) - sum(has.values())} |"
        )


if __name__ == "__main__":
    main()
