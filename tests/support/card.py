"""Write simulated frames as a camera would: JPEG files with a clock, a lens and numbers that go on."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from PIL import ExifTags, Image

Tag = ExifTags.Base
START = datetime(2025, 3, 14, 9, 30, 0, 250_000, tzinfo=UTC)


@dataclass
class Camera:
    """A camera's counter and clock; both go on with every frame."""

    prefix: str = "SIM_"
    number: int = 101
    clock: datetime = START
    between_s: float = 2.0
    focal_length_mm: float = 60.0
    quality: int = 95

    def exif(self, size):
        """The tags of the next frame; no time zone, as cameras write them."""
        exif = Image.Exif()
        stamp, sub = self.clock.strftime("%Y:%m:%d %H:%M:%S"), f"{self.clock.microsecond // 10_000:02d}"
        exif.update({Tag.Make: "Invented", Tag.Model: "Simulated", Tag.Orientation: 1, Tag.DateTime: stamp})
        exif.get_ifd(ExifTags.IFD.Exif).update(
            {
                Tag.DateTimeOriginal: stamp,
                Tag.DateTimeDigitized: stamp,
                Tag.SubsecTimeOriginal: sub,
                Tag.SubsecTimeDigitized: sub,
                Tag.FocalLength: self.focal_length_mm,
                Tag.FNumber: 4.0,
                Tag.ExposureTime: 0.1,
                Tag.LensModel: "Simulated 60 mm",
                Tag.ExifImageWidth: size[0],
                Tag.ExifImageHeight: size[1],
            }
        )
        return exif

    def shoot(self, frames, folder: Path):
        """Write the frames in the order given; return their names."""
        folder.mkdir(parents=True, exist_ok=True)
        names = []
        for frame in frames:
            picture = Image.fromarray(frame)
            name = f"{self.prefix}{self.number:04d}.JPG"
            picture.save(folder / name, quality=self.quality, exif=self.exif(picture.size))
            names.append(name)
            self.number += 1
            self.clock += timedelta(seconds=self.between_s)
        return names

    def wait(self, seconds):
        """Let time pass, as when the camera is moved to the next station."""
        self.clock += timedelta(seconds=seconds)
