"""Make the small copies of real photographs that the tests use.

    pip download --no-deps --no-binary pandora pandora==1.9.0
    pip download --no-deps --no-binary pillow pillow==11.1.0
    apt-get download opencv-doc && dpkg -x opencv-doc_*.deb opencv-doc
    python tests/data/make_real.py PANDORA_FOLDER PILLOW_FOLDER OPENCV_DOC_FOLDER BALLS_FOLDER

The first three are the unpacked packages, the last a folder with the ten frames of the `balls` stack. Each
target has a SOURCE.txt with origin, licence, citation and what was changed; this script does not write those.
"""

import sys
from pathlib import Path

import numpy as np
import tifffile
from cutting import shrink, write_frame
from PIL import ExifTags, Image

TARGET = Path(__file__).parent / "real"
QUALITY = 92


def cones(pandora: Path) -> None:
    """Both pictures as they are; disparity of both eyes in quarter px, 0 unknown."""
    target = TARGET / "cones"
    target.mkdir(parents=True, exist_ok=True)
    for eye in ("left", "right"):
        rgb = tifffile.imread(pandora / "tests" / "pandora" / f"{eye}_rgb.tif").astype(np.uint8)
        Image.fromarray(rgb).save(target / f"{eye}.png", optimize=True)
        disparity_px = tifffile.imread(pandora / "tests" / "pandora" / f"disp_{eye}.tif")
        quarters = np.rint(4 * disparity_px).astype(np.uint8)
        Image.fromarray(quarters).save(target / f"disparity_{eye}_quarters.png", optimize=True)


def aloe(opencv_doc: Path) -> None:
    """Half as wide; disparity of the left eye in half px of the small pictures, 0 unknown."""
    source, target = opencv_doc / "usr/share/doc/opencv-doc/examples/data", TARGET / "aloe"
    target.mkdir(parents=True, exist_ok=True)
    for eye, letter in (("left", "L"), ("right", "R")):
        with Image.open(source / f"aloe{letter}.jpg") as picture:
            shrink(picture, 2).save(target / f"{eye}.jpg", quality=QUALITY)
    with Image.open(source / "aloeGT.png") as picture:
        # every second sample, since a mean would mix near and far; px of the large picture are half px here
        Image.fromarray(np.asarray(picture)[::2, ::2]).save(
            target / "disparity_left_halves.png", optimize=True
        )


def rockery(pillow: Path) -> None:
    """Both pictures of a multi-picture file, a quarter as wide, with the metadata that stays true."""
    with Image.open(pillow / "Tests" / "images" / "fujifilm.mpo") as pictures:
        for index, eye in enumerate(("left", "right")):
            pictures.seek(index)
            exif = pictures.getexif()
            write_frame(shrink(pictures, 4), quartered(exif), TARGET / "rockery" / f"{eye}.jpg", QUALITY)


def quartered(exif: Image.Exif) -> Image.Exif:
    """The metadata without blocks that only the maker reads, its pixel pitch four times as large."""
    kept = Image.Exif()
    for tag in (ExifTags.Base.Make, ExifTags.Base.Model, ExifTags.Base.DateTime, ExifTags.Base.Orientation):
        kept[tag] = exif[tag]
    detail = dict(exif.get_ifd(ExifTags.IFD.Exif))
    for tag in (ExifTags.Base.MakerNote, ExifTags.Base.ExifInteroperabilityOffset):
        detail.pop(tag, None)
    for tag in (ExifTags.Base.FocalPlaneXResolution, ExifTags.Base.FocalPlaneYResolution):
        detail[tag] = float(detail[tag]) / 4
    kept.get_ifd(ExifTags.IFD.Exif).update(detail)
    return kept


def balls(source: Path) -> None:
    """Ten frames of one real focus stack, half as wide."""
    target = TARGET / "balls"
    target.mkdir(parents=True, exist_ok=True)
    for file in sorted(source.glob("*.jpg")):
        with Image.open(file) as picture:
            shrink(picture, 2).save(target / file.name, quality=QUALITY)


if __name__ == "__main__":
    for make, folder in zip((cones, rockery, aloe, balls), sys.argv[1:], strict=True):
        make(Path(folder))
