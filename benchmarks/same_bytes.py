"""The same shoot on other computers, as far as one computer can stand in for them: what differs.

    python -m benchmarks.same_bytes DIR [--cases threads-1,threads-4,...]

with `tests` on the path. Each case is a fresh process that sees another number of cores, or whose libraries
are told to do without what newer processors can do: loops compiled for any processor of this kind, NumPy,
OpenCV and OpenBLAS without AVX. Views, pair, parallax, outputs, forms and proof are compared with the
first run.
"""

import argparse
import os
import shutil
import subprocess
import sys
from pathlib import Path

from support.tiny import SCENES, contents

_FORMS = ("side-by-side", "multi-picture", "page", "gltf", "rocking-webp", "card")
_WITHOUT = "AVX2 FMA3 F16C AVX512F AVX512CD AVX512_SKX AVX512_CLX AVX512_CNL AVX512_ICL AVX512_SPR"
_CV_WITHOUT = "AVX,FP16,AVX2,AVX512-SKX"
CASES: dict[str, dict[str, str]] = {
    "first": {},
    "again": {},
    "threads-1": {"CORES": "1"},
    "threads-2": {"CORES": "2"},
    "threads-4": {"CORES": "4"},
    "numpy": {"NPY_DISABLE_CPU_FEATURES": _WITHOUT},
    "opencv": {"OPENCV_CPU_DISABLE": _CV_WITHOUT},
    "opencv-avx2": {"OPENCV_CPU_DISABLE": "AVX512-SKX"},
    "opencv-avx": {"OPENCV_CPU_DISABLE": "AVX2,AVX512-SKX"},
    "opencv-plain": {"OPENCV_IPP": "disabled"},
    "openblas-old": {"OPENBLAS_CORETYPE": "Nehalem"},
    "openblas-haswell": {"OPENBLAS_CORETYPE": "Haswell"},
    "openblas-new": {"OPENBLAS_CORETYPE": "SkylakeX"},
    "loops-generic": {"NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": ""},
    "loops-haswell": {"NUMBA_CPU_NAME": "haswell", "NUMBA_CPU_FEATURES": "+avx2,+fma,+bmi,+bmi2"},
}


def one(shoot: Path, cores: int | None) -> None:
    """Make the pair and the forms in this process."""
    if cores is not None:
        os.cpu_count = lambda: cores
    import cv2

    from nearpair.shoot.material import Settings
    from nearpair.shoot.publishing import publish
    from nearpair.shoot.run import make

    if cores is not None:
        cv2.setNumThreads(cores)
    make([SCENES / "shells" / "left", SCENES / "shells" / "right"], shoot)
    publish(shoot, _FORMS, Settings(size_px=300, seconds=1.0))


def run(data: Path, names: list[str]) -> None:
    """Print what differs."""
    wanted: dict[str, str] = {}
    for name in ["first", *(name for name in names if name != "first")]:
        shoot, given = data / f"shoot-{name}", dict(CASES[name])
        shutil.rmtree(shoot, ignore_errors=True)
        cores = given.pop("CORES", "0")
        if "NUMBA_CPU_NAME" in given:
            given["NUMBA_CACHE_DIR"] = str(data / f"loops-{name}")
        command = [sys.executable, "-m", "benchmarks.same_bytes", str(shoot), "--one", cores]
        subprocess.run(command, env={**os.environ, **given}, check=True)
        found = contents(shoot)
        wanted = wanted or found
        differs = sorted(file for file in wanted.keys() | found.keys() if wanted.get(file) != found.get(file))
        print(f"{name}: {len(found)} files, {len(differs)} differ {differs}", flush=True)


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("data", type=Path, help="where shoots are made and left to be looked at")
    parser.add_argument("--cases", default=",".join(CASES), help=", ".join(CASES))
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one is not None:
        one(options.data, options.one or None)
    else:
        options.data.mkdir(parents=True, exist_ok=True)
        run(options.data, options.cases.split(","))


if __name__ == "__main__":
    main()
