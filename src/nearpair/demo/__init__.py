"""The demo shoot that ships with the package: camera frames only, as they would lie on a card."""

from importlib.resources import files
from importlib.resources.abc import Traversable

__all__ = ["demo_frames"]


def demo_frames() -> Traversable:
    """Return the folder with the demo's frames (JPEG, two stacks and one test shot): read only.

    Inside a zipped package this is no path yet: wrap it in `importlib.resources.as_file`.
    """
    return files(__package__) / "frames"
