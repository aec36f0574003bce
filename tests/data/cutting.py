"""Cut camera frames to a smaller size: pixels, and the metadata that has to follow them."""

from datetime import datetime, timedelta
from pathlib import Path

from PIL import ExifTags, Image

STAMP = "%Y:%m:%d %H:%M:%S"


def shrink(picture: Image.Image, factor: float) -> Image.Image:
    """Make the sides `factor` times shorter; square pixels and the centre of the frame are kept."""
    width, height = picture.size
    small = (int(width / factor), int(height / factor))
    left, top = (width - small[0] * factor) / 2, (height - small[1] * factor) / 2
    box = (left, top, width - left, height - top)
    return picture.resize(small, Image.Resampling.LANCZOS, box=box)


def write_frame(picture: Image.Image, exif: Image.Exif, target: Path, quality: int) -> None:
    """Write a JPEG frame (4:2:0, as cameras do) with `exif`, its size tags set to the picture's."""
    detail = exif.get_ifd(ExifTags.IFD.Exif)
    detail[ExifTags.Base.ExifImageWidth], detail[ExifTags.Base.ExifImageHeight] = picture.size
    target.parent.mkdir(parents=True, exist_ok=True)
    picture.save(target, quality=quality, subsampling="4:2:0", optimize=True, exif=exif)


def taken_earlier(exif: Image.Exif, seconds: float) -> None:
    """Set the clock of a frame back (all three date tags)."""
    detail = exif.get_ifd(ExifTags.IFD.Exif)
    for tags, tag in (
        (exif, ExifTags.Base.DateTime),
        (detail, ExifTags.Base.DateTimeOriginal),
        (detail, ExifTags.Base.DateTimeDigitized),
    ):
        # the camera's clock knows no time zone
        then = datetime.strptime(tags[tag], STAMP) - timedelta(seconds=seconds)  # noqa: DTZ007
        tags[tag] = then.strftime(STAMP)
