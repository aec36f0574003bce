"""Make the frames of the demo shoot from the full-size gears scene.

    python tests/data/make_demo.py SCENES/p2_gears_stations

Stations 2 and 4 (the camera had settled; the first was shot near to far, the second far to near), in one
folder as on a card, two thirds as wide, with their metadata. In front of them lies one test shot, as
photographers make them to judge the light: closer, to one side and brighter, 90 s before the first frame.
"""

import sys
from pathlib import Path

from cutting import shrink, taken_earlier, write_frame
from PIL import ExifTags, Image

FACTOR = 1.5
QUALITY = 91
TARGET = Path(__file__).parents[2] / "src" / "nearpair" / "demo" / "frames"


def demo_sources(scene: Path) -> list[Path]:
    """The forty frames in shooting order."""
    return [
        file for station in ("station_2", "station_4") for file in sorted((scene / station).glob("*.JPG"))
    ]


def make_test_shot(source: Path, first: Path, target: Path) -> None:
    """A closer, brighter view of a corner of `source`, taken 90 s before `first`."""
    with Image.open(source) as picture, Image.open(first) as start:
        width, height = picture.size
        corner = (round(width * 0.3), round(height * 0.25), round(width * 0.9), round(height * 0.85))
        closer = picture.crop(corner).resize(shrink(picture, FACTOR).size, Image.Resampling.BICUBIC)
        exif = start.getexif()
    taken_earlier(exif, 90)
    detail = exif.get_ifd(ExifTags.IFD.Exif)
    detail[ExifTags.Base.ExposureTime] = 2 * float(detail[ExifTags.Base.ExposureTime])
    # one stop more light: twice the linear value is 2^(1/2.2) times the encoded one
    write_frame(closer.point(lambda value: min(255, value * 2 ** (1 / 2.2))), exif, target, QUALITY)


def make(scene: Path) -> None:
    """Write the demo's frames."""
    sources = demo_sources(scene)
    make_test_shot(sources[9], sources[0], TARGET / "NP_0020.JPG")
    for number, source in enumerate(sources, start=21):
        with Image.open(source) as picture:
            write_frame(shrink(picture, FACTOR), picture.getexif(), TARGET / f"NP_{number:04d}.JPG", QUALITY)


if __name__ == "__main__":
    make(Path(sys.argv[1]))
