"""Run the whole job once for each shoot, however many tests look at the result."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from benchmarks.judge import Shoot

from nearpair.shoot.deciding import Overrides
from nearpair.shoot.run import make


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
