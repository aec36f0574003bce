"""The five stations of the small gears: 600 x 400 px, every second frame, 3 mm apart from left to right.

Rendered by a physically based renderer, see tests/data/make_scenes.py. The truth says: x from
-6 mm (station_1) to 6 mm (station_5), station_2 shot from near to far, the others from far to near.
"""

import shutil
from pathlib import Path

from support.tiny import SCENES

DATA = SCENES.parent

NAMES = tuple(f"station_{number}" for number in range(1, 6))
X_MM = dict(zip(NAMES, (-6.0, -3.0, 0.0, 3.0, 6.0), strict=True))
ORDERS = {name: "near-to-far" if name == "station_2" else "far-to-near" for name in NAMES}


def five(target: Path, names=NAMES):
    """Copy stations into `target`; return their folders by name."""
    folders = {}
    for name in names:
        thinned = name in ("station_2", "station_4")
        files = sorted((DATA / ("scenes/gears" if thinned else "gears_beside") / name).iterdir())
        folders[name] = target / name
        folders[name].mkdir(parents=True)
        for file in files[:: 2 if thinned else 1]:
            shutil.copyfile(file, folders[name] / file.name)
    return folders
