"""Faults as they happen while shooting, planted in the frames of a shoot without any.

Each takes the folders of the left and the right eye, whose files it may change, and gives the folders to
shoot from. Light is worked on in linear values (IEC 61966-2-1), sizes are in px of the frames.
"""

import json
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from nearpair.colour.light import decode_srgb, encode_srgb

QUALITY = 92
Folders = tuple[Path, Path]
Light = Any  # NDArray (H, W, 3) float32, linear


def files(folder: Path) -> list[Path]:
    """The frames of a station in the order of their names."""
    return sorted(folder.iterdir())


def changed(file: Path, change: Callable[[Light], Light]) -> None:
    """Put a frame's linear light (H, W, 3) through `change`; metadata stay."""
    with Image.open(file) as picture:
        exif, codes = picture.getexif(), np.asarray(picture.convert("RGB"))
    light = np.clip(change(decode_srgb(codes)), 0, 1).astype(np.float32)
    Image.fromarray(encode_srgb(light, np.dtype(np.uint8))).save(file, quality=QUALITY, exif=exif)


def sharpest(folder: Path) -> int:
    """Number of the frame with the most fine detail: one that matters."""
    detail = []
    for file in files(folder):
        with Image.open(file) as picture:
            detail.append(cv2.Laplacian(np.asarray(picture.convert("L")), cv2.CV_32F).var())
    middle = slice(len(detail) // 4, -(len(detail) // 4))
    return len(detail) // 4 + int(np.argmax(detail[middle]))


def clean(folders: Folders) -> Folders:
    """Nothing."""
    return folders


def missing_slice(folders: Folders) -> Folders:
    """One frame of the left eye was not shot, where much is sharp."""
    files(folders[0])[sharpest(folders[0])].unlink()
    return folders


def shaken_frame(folders: Folders, length_px: float = 6.0) -> Folders:
    """One frame of the right eye was exposed while the camera moved, by 1 % of the width."""
    kernel = np.zeros((13, 13), np.float32)
    along = np.linspace(-length_px / 2, length_px / 2, 101)
    for x, y in zip(6 + along * np.cos(0.5), 6 + along * np.sin(0.5), strict=True):
        kernel[round(y), round(x)] += 1 / len(along)

    def moved(light: Light) -> Light:
        blurred = cv2.filter2D(light, cv2.CV_32F, kernel, borderType=cv2.BORDER_REFLECT)
        noise = np.random.default_rng(7).normal(0, 1, light.shape) * np.sqrt(1.1e-5 * blurred + 4e-7)
        return blurred + noise

    changed(files(folders[1])[sharpest(folders[1])], moved)
    return folders


def third_of_a_stop(folders: Folders) -> Folders:
    """The right eye got 0.3 stops less light."""
    for file in files(folders[1]):
        changed(file, lambda light: light * 2**-0.3)
    return folders


def other_white_balance(folders: Folders) -> Folders:
    """The right eye's red is 15 % more, its blue 10 % less."""
    for file in files(folders[1]):
        changed(file, lambda light: light * np.array([1.15, 1.0, 0.9], np.float32))
    return folders


def swapped_folders(folders: Folders) -> Folders:
    """The folder called `left` holds the right eye's frames and the other way round."""
    home = folders[0].parent
    names = home / "swapped" / "right", home / "swapped" / "left"
    for folder, name in zip(folders, names, strict=True):
        shutil.copytree(folder, name)
        shutil.rmtree(folder)
    return names[0], names[1]


def three_px_higher(folders: Folders) -> Folders:
    """The right eye's camera stood lower: its picture is 3 px higher."""
    for file in files(folders[1]):
        changed(file, lambda light: np.concatenate([light[3:], light[-1:].repeat(3, axis=0)]))
    return folders


def red_subject(folders: Folders) -> Folders:
    """What lies in the middle is saturated red."""
    for folder in folders:
        for file in files(folder):
            changed(file, _reddened)
    return folders


def _reddened(light: Light) -> Light:
    inside = _ellipse(light.shape[:2], (0.5, 0.5), (0.33, 0.38), 6.0)[..., None]
    grey = light.mean(axis=-1, keepdims=True)
    return light * (1 - inside) + inside * grey * np.array([2.2, 0.03, 0.02], np.float32)


def repeated_frame(folders: Folders) -> Folders:
    """One frame of the left eye was exposed twice without moving the focus: the same, with other noise."""
    all_ = files(folders[0])
    number = sharpest(folders[0])
    for file in reversed(all_[number + 1 :]):
        file.rename(file.with_name(_following(file.name)))
    copy = all_[number].with_name(_following(all_[number].name))
    shutil.copyfile(all_[number], copy)

    def renoised(light: Light) -> Light:
        noise = np.random.default_rng(11).normal(0, 1, light.shape) * np.sqrt(1.1e-5 * light + 4e-7)
        return light + noise

    changed(copy, renoised)
    return folders


def _following(name: str) -> str:
    stem, number = name.rsplit("_", 1)
    return f"{stem}_{int(number.split('.')[0]) + 1:04d}.JPG"


def moved_part(folders: Folders) -> Folders:
    """Part of the subject was knocked between the stacks: the right eye has it 4 px aside and 3 px lower."""

    def knocked(light: Light) -> Light:
        inside = _ellipse(light.shape[:2], (0.42, 0.55), (0.11, 0.14), 3.0)[..., None]
        shifted = np.roll(light, (3, 4), axis=(0, 1))
        return light * (1 - inside) + shifted * inside

    for file in files(folders[1]):
        changed(file, knocked)
    return folders


def shorter_stack(folders: Folders) -> Folders:
    """The right eye's stack lacks the quarter that was shot last."""
    frames = files(folders[1])
    for file in frames[-(len(frames) // 4) :]:
        file.unlink()
    return folders


def near_at_the_side(folders: Folders) -> Folders:
    """A grainy pillar stands in front of everything else, close to the right side, but cut in no frame.

    It is sharp in the nearest frame but one, and displaced as if it stood 4 mm nearer: within their own depth
    the scenes have nothing a px before the window. Reads `truth.json` of the scene beside the folders.
    """
    truth = json.loads((folders[0].parent / "truth.json").read_text())
    for eye, folder in zip(("left", "right"), folders, strict=True):
        planes = [frame["focus_plane_z_mm"] for frame in truth["frames"][truth[eye]]]
        at, step = sorted(planes)[-2], abs(planes[1] - planes[0])
        reach = (min(planes), max(planes))
        px_per_mm = [_px_per_mm(truth["ends"], plane, reach, at + 4.0) for plane in planes]
        for file, plane, enlarged in zip(files(folder), planes, px_per_mm, strict=True):
            aside_px = truth["base_mm"] * enlarged if eye == "right" else 0.0
            scale, blur_px = enlarged / max(px_per_mm), np.hypot(0.4, 0.15 * (at - plane) / step)
            changed(file, partial(_with_pillar, scale=scale, aside_px=aside_px, blur_px=blur_px))
    return folders


def _px_per_mm(ends: dict[str, Any], plane: float, reach: tuple[float, float], at: float) -> float:
    """Enlargement of what stands at z `at`, mm, in the frame focused on `plane`."""
    f_px, camera_mm = (
        np.interp(plane, reach, [ends[end][key] for end in ("deepest", "nearest")])
        for key in ("f_px", "camera_z_mm")
    )
    return float(f_px / (camera_mm - at))


def _with_pillar(light: Light, scale: float, aside_px: float, blur_px: float) -> Light:
    height, width = light.shape[:2]
    grain: Light = np.random.default_rng(3).normal(0, 1, (height, width)).astype(np.float32)
    grain = cv2.GaussianBlur(grain, (0, 0), 0.8)[..., None]
    layer: Light = np.zeros((height, width, 4), np.float32)
    stone = np.clip(0.12 * (1 + 0.9 * grain), 0.01, 1) * np.array([1.0, 0.95, 0.85], np.float32)
    part = slice(height // 5, -(height // 5)), slice(round(0.922 * width), round(0.969 * width))
    layer[part] = np.concatenate([stone, np.ones_like(grain)], axis=-1)[part]
    centre = (1 - scale) * (width - 1) / 2, (1 - scale) * (height - 1) / 2
    moved = np.array([[scale, 0, centre[0] - aside_px], [0, scale, centre[1]]])
    layer = cv2.GaussianBlur(cv2.warpAffine(layer, moved, (width, height)), (0, 0), blur_px)
    return light * (1 - layer[..., 3:]) + layer[..., :3]


def dusty_sensor(folders: Folders, specks: int = 6) -> Folders:
    """Specks of 0.3 % of the width that take 30 % of the light lie on the sensor, in both stations alike."""
    places = np.random.default_rng(5).uniform(0.1, 0.9, (specks, 2))

    def darkened(light: Light) -> Light:
        height, width = light.shape[:2]
        y, x = np.mgrid[0:height, 0:width]
        radius = 0.0033 * width
        for across, down in places:
            inside = np.clip(radius + 0.5 - np.hypot(x - across * width, y - down * height), 0, 1)
            light = light * (1 - 0.3 * inside[..., None]).astype(np.float32)
        return light

    for folder in folders:
        for file in files(folder):
            changed(file, darkened)
    return folders


def _ellipse(
    size: tuple[int, ...], centre: tuple[float, float], radius: tuple[float, float], soft_px: float
) -> Light:
    """1 inside, 0 outside, soft at the rim; centre and radius as shares of width and height."""
    height, width = size[:2]
    y, x = np.mgrid[0:height, 0:width]
    rx, ry = radius[0] * width, radius[1] * height
    away = np.hypot((x - centre[0] * width) / rx, (y - centre[1] * height) / ry)
    return np.clip((1 - away) * min(rx, ry) / soft_px + 0.5, 0, 1).astype(np.float32)


FAULTS: dict[str, tuple[Callable[[Folders], Folders], tuple[str, ...]]] = {
    "clean": (clean, ()),
    "one missing slice": (missing_slice, ("missing-slice",)),
    "one shaken frame": (shaken_frame, ("shaken-frame",)),
    "0.3 stops between the eyes": (third_of_a_stop, ("exposure-difference",)),
    "white balance differs": (other_white_balance, ("white-balance-difference",)),
    "folders named wrongly": (swapped_folders, ("eyes-swapped-folders", "eyes-contradiction")),
    "3 px vertical offset": (three_px_higher, ("camera-height",)),
    "saturated red subject": (red_subject, ("red-rivalry",)),
    "repeated frame": (repeated_frame, ("repeated-frame",)),
    "part moved between stacks": (moved_part, ("subject-moved",)),
    "stacks of other depth": (shorter_stack, ("stacks-cover-differently",)),
    "near thing at the side": (near_at_the_side, ("crowded-right",)),
    "dust on the sensor": (dusty_sensor, ("sensor-dust",)),
}
"""Each fault: how it is planted, and the codes of findings of which one has to tell it."""
