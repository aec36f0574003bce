"""Shoots so small that a whole run takes about a second: every fourth frame of a scene, half as wide."""

from hashlib import blake2b
from pathlib import Path

from PIL import Image

SCENES = Path(__file__).parents[1] / "data" / "scenes"


def cut(scene, stations, target: Path, every=4, names=None):
    """Write the frames of two stations of a scene, 300 x 200 px with their metadata; return their folders."""
    folders = [target / name for name in names or stations]
    for station, folder in zip(stations, folders, strict=True):
        folder.mkdir(parents=True)
        for file in sorted((SCENES / scene / station).iterdir())[::every]:
            with Image.open(file) as picture:
                picture.reduce(2).save(folder / file.name, quality=92, exif=picture.getexif())
    return folders


def shells(target: Path):
    """A rail stack of six frames for each eye; the left one far to near, the right one back again."""
    return cut("shells", ("left", "right"), target)


def only(folders, kept):
    """Delete all frames of each folder but those with these numbers."""
    for folder in folders:
        for number, file in enumerate(sorted(folder.iterdir())):
            if number not in kept:
                file.unlink()
    return folders


def snapshot(folder: Path, without=(".cache",)):
    """Digest and time of change of every file below a folder, by its relative name."""
    files = (file for file in sorted(folder.rglob("*")) if file.is_file())
    return {
        file.relative_to(folder).as_posix(): (
            blake2b(file.read_bytes(), digest_size=8).hexdigest(),
            file.stat().st_mtime_ns,
        )
        for file in files
        if not set(file.relative_to(folder).parts) & set(without)
    }


def contents(folder: Path):
    """Digest of every file of a shoot but those in its cache."""
    return {name: digest for name, (digest, _) in snapshot(folder).items()}
