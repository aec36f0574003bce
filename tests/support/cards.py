"""Frames as people hand them over: renamed, mixed in one folder, in folders with wrong names, mirrored."""

import shutil
from pathlib import Path

import numpy as np
from PIL import Image, ImageOps


def mixed(folders, card: Path, seed=7):
    """Copy the frames of all folders into one, under new names in no order; return new name → old name."""
    files = [file for folder in folders for file in sorted(folder.iterdir())]
    numbers = 1 + np.random.default_rng(seed).permutation(len(files))
    card.mkdir(parents=True)
    origin = {}
    for file, number in zip(files, numbers, strict=True):
        name = f"frame-{number:03d}.jpg"
        shutil.copyfile(file, card / name)
        origin[name] = file.name
    return origin


def without_metadata(folder: Path, target: Path):
    """Copy the frames of a folder without any metadata; pixels stay as they are stored."""
    target.mkdir(parents=True)
    for file in sorted(folder.iterdir()):
        with Image.open(file) as picture:
            # "keep" reuses the tables, so that nothing but the metadata is lost
            picture.save(target / file.name, quality="keep", exif=Image.Exif())


def mirrored(folder: Path, target: Path):
    """Copy the frames of a folder as seen in a mirror."""
    target.mkdir(parents=True)
    for file in sorted(folder.iterdir()):
        with Image.open(file) as picture:
            ImageOps.mirror(picture).save(target / file.name, quality=95, exif=picture.getexif())


def swapped(left: Path, right: Path, target: Path):
    """Copy the left eye's frames into a folder called `right` and the other way round; return both."""
    folders = [target / "right", target / "left"]
    for source, folder in zip((left, right), folders, strict=True):
        shutil.copytree(source, folder)
    return folders
