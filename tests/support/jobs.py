"""Run the whole job once for each shoot, however many tests look at the result."""

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import msgspec
from benchmarks.judge import Shoot
from filelock import FileLock

from nearpair.shoot.deciding import Overrides
from nearpair.shoot.run import look, make


@dataclass(frozen=True)
class Done:
    """A finished shoot; `origin` maps names of frames to the names they had before they were renamed."""

    shoot: Shoot
    origin: Mapping[str, str] = field(default_factory=dict)

    def file(self, name):
        """The frame's name in the truth."""
        return self.origin.get(Path(name).name, Path(name).name)

    def files(self, eye):
        """The frames of the station that became this eye, in shooting order, by their names in the truth."""
        return [self.file(name) for name in self.shoot.station(eye)["frames"]]

    def reference(self, eye):
        """The frame whose geometry the view has, by its name in the truth."""
        return self.file(self.shoot.reference_file(eye))


def run(folders, target: Path, origin=None, **decided):
    """Make a shoot of `folders` in `target`; `decided` as in `Overrides`."""
    make([Path(folder) for folder in folders], target, Overrides(**decided))
    return Done(Shoot.load(target), origin or {})


def sort(folders, origin=None):
    """Only look at the folders; the shoot has no pictures, and of a proof what is known then."""
    found = look([Path(folder) for folder in folders])
    return Done(Shoot(Path(), msgspec.to_builtins(found)), origin or {})


def once(factory, name, do):
    """Let `do(folder)` fill a folder, once for all workers of a test run; it is not to be changed."""
    home = factory.getbasetemp()
    home = home.parent if "PYTEST_XDIST_WORKER" in os.environ else home
    folder = home / f"once-{name}"
    with FileLock(home / f"once-{name}.lock"):
        if not folder.exists():
            do(home / f"half-{name}")
            (home / f"half-{name}").rename(folder)
    return folder


def scene_done(scene, factory):
    """The whole job on the frames of a scene, done once."""
    folders = [scene.folder / scene.left, scene.folder / scene.right]
    return once(factory, scene.folder.name, lambda target: run(folders, target))
