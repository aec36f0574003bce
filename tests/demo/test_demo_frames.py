"""The demo's frames are a card as a camera would leave it: nothing but frames, in shooting order."""

from importlib.resources import as_file
from itertools import pairwise

from PIL import ExifTags, Image

from nearpair.demo import demo_frames


def exif_of(file):
    with Image.open(file) as picture:
        exif = picture.getexif()
        return picture.size, exif.get_ifd(ExifTags.IFD.Exif)


def test_names_follow_the_clock():
    with as_file(demo_frames()) as folder:
        files = sorted(folder.iterdir())
        stamps = [
            (detail[ExifTags.Base.DateTimeOriginal], detail[ExifTags.Base.SubsecTimeOriginal])
            for _, detail in map(exif_of, files)
        ]
    assert len(files) == 41
    assert all(before < after for before, after in pairwise(stamps))


def test_every_frame_says_its_own_size_and_one_lens():
    with as_file(demo_frames()) as folder:
        found = [exif_of(file) for file in folder.iterdir()]
    assert {size for size, _ in found} == {(1000, 666)}
    for size, detail in found:
        assert (detail[ExifTags.Base.ExifImageWidth], detail[ExifTags.Base.ExifImageHeight]) == size
    lenses = {(d[ExifTags.Base.LensModel], d[ExifTags.Base.FocalLength]) for _, d in found}
    assert lenses == {("DO Macro 60mm F2.8", 60.0)}


def test_the_package_stays_small():
    with as_file(demo_frames()) as folder:
        assert sum(file.stat().st_size for file in folder.iterdir()) < 7_000_000
