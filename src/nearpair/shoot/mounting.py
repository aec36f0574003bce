"""The mount stage: two views become a mounted pair and its parallax on disk."""

import math

import cv2
import msgspec
import numpy as np

from nearpair.errors import PairError
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.profiles import read_profile
from nearpair.frames.read import Pixels
from nearpair.frames.write import read_tiff, write_float_tiff, write_tiff
from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.disparity import match_rows
from nearpair.pairs.evidence import search_range
from nearpair.pairs.matches import match, spread_out
from nearpair.pairs.mounting import (
    Mount,
    Window,
    mounted,
    mounted_parallax,
    plan_mount,
    window_disparity,
)
from nearpair.pairs.rectify import NotRectified, Rectified, rectify
from nearpair.pixels.luma import Plane, luma, reduced
from nearpair.pixels.moved import moved
from nearpair.progress import Progress
from nearpair.proof.model import Mounting, Residual
from nearpair.shoot.atomic import replacing
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.looking import Member
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.merging import Merged
from nearpair.shoot.pairing import focal_px
from nearpair.shoot.surveying import match_factor

_STEPS = 4
_WRONG_PX = 3.0


class Mounted(msgspec.Struct, frozen=True):
    """What mounting did, and the digest that stands for the pair."""

    key: str
    mounting: Mounting


def mount_pair(
    shoot: ShootFolder,
    memo: Memo,
    pair: tuple[Member, Member],
    merged: tuple[Merged, Merged],
    window: Window,
    progress: Progress,
) -> Mounted:
    """Mount the two views, unless the same was done before. Raises PairError when they do not fit."""
    key = key_of(merged[0].key, merged[1].key, window)
    outputs = [shoot.left, shoot.right, shoot.parallax]
    recalled = memo.recall("mount", key, outputs)
    if recalled is not None:
        return msgspec.json.decode(recalled, type=Mounted)
    for stale in (shoot.proof_json, shoot.proof_html):
        # a proof must never stand beside a pair it does not speak of, not even if this run is stopped
        stale.unlink(missing_ok=True)
    views = [read_tiff(shoot.view(member.station.name)) for member in pair]
    progress("mounting the pair", 0, _STEPS)
    focal = [focal_px(frame, max(frame.size_px)) for frame in map(_reference, pair)]
    focal_known = focal[0] if focal[0] == focal[1] else None
    mount, parallax, rows = _planned(views[0], views[1], merged, window, focal_known, progress)
    left, right = mounted(views[0], views[1], mount)
    del views
    progress("mounting the pair", 3, _STEPS)
    residual = _residual(left, right)
    for path, picture, member in zip(outputs, (left, right), pair, strict=False):
        frame = _reference(member)
        with replacing(path) as part:
            write_tiff(part, picture, read_profile(frame.path), frame)
    with replacing(outputs[2]) as part:
        write_float_tiff(part, parallax)
    result = Mounted(key, _report(mount, rows, merged[0].size_px, focal_known, residual))
    memo.record("mount", key, outputs, msgspec.json.encode(result))
    progress("mounting the pair", _STEPS, _STEPS)
    return result


def _reference(member: Member) -> FrameInfo:
    return member.station.frames[member.survey.used[member.reference]]


def _planned(
    left: Pixels,
    right: Pixels,
    merged: tuple[Merged, Merged],
    window: Window,
    focal: float | None,
    progress: Progress,
) -> tuple[Mount, Plane, Rectified]:
    size = merged[0].size_px
    factor = match_factor(size)
    first, second = (reduced(luma(view), factor) for view in (left, right))
    rows, disparity = _depth(first, second, None if focal is None else focal / factor)
    turned, laid = rows.level((first.shape[0], first.shape[1]))
    left_turn = turned.resampled(factor)
    progress("mounting the pair", 2, _STEPS)
    common = _common_columns(disparity)
    point = window if isinstance(window, tuple) else None
    asked: Window = _on_map(left_turn, point, factor) if point else window
    at = window_disparity(disparity, asked, common) * factor
    usable = (merged[0].covered_px, merged[1].covered_px)
    mount = plan_mount(size, laid.resampled(factor), at, point, usable, left_turn)
    return mount, mounted_parallax(disparity, factor, mount), rows


def _on_map(turn: Similarity, point: tuple[float, float], factor: int) -> tuple[float, float]:
    """Where a point of the left view lies on a map of the turned view reduced by `factor`."""
    x, y = (turn.apply(np.array(point, dtype=np.float64)) + 0.5) / factor - 0.5
    return float(x), float(y)


def _depth(first: Plane, second: Plane, focal: float | None) -> tuple[Rectified, Plane]:
    """How both lumas are laid on common rows, and the disparity of the first as it lies then."""
    found = match(first, second)
    size = (first.shape[0], first.shape[1])
    rows = rectify(spread_out(found, size), size, focal)
    if isinstance(rows, NotRectified):
        message = f"The views cannot be mounted: {rows.reason}."
        raise PairError(message, "Check that both stations show the same subject from beside each other.")
    turn, onto = rows.level(size)
    apart = turn.apply(found.first) - onto.apply(found.second)
    good = np.abs(apart[:, 1]) < _WRONG_PX
    if rows.base_deg:
        first = moved(first, Projective.like(turn).matrix(), size, cv2.INTER_CUBIC, cv2.BORDER_REPLICATE)
    laid = moved(second, onto.matrix(), size, cv2.INTER_CUBIC, cv2.BORDER_REPLICATE)
    lowest, highest = search_range(first, laid, apart[good, 0])
    return rows, match_rows(first, laid, lowest, highest).px


def _common_columns(disparity: Plane) -> tuple[int, int]:
    """Columns of the left view that the right one has too."""
    width = disparity.shape[1]
    known = disparity[np.isfinite(disparity)]
    middle = int(np.median(known)) if known.size else 0
    return max(0, middle), min(width, width + middle)


def _residual(left: Pixels, right: Pixels) -> Residual:
    """Vertical parallax left over, measured anew on the mounted pair (px of the full pictures)."""
    factor = match_factor((left.shape[0], left.shape[1]))
    found = match(reduced(luma(left), factor), reduced(luma(right), factor))
    dy = found.first[:, 1] - found.second[:, 1]
    dy = dy[np.abs(dy - np.median(dy)) < _WRONG_PX] * factor if dy.size else dy
    if dy.size < 16:
        return Residual(rms=None, p95=None)
    return Residual(rms=float(np.sqrt(np.mean(dy**2))), p95=float(np.percentile(np.abs(dy), 95)))


def _report(
    mount: Mount, rows: Rectified, size: tuple[int, int], focal: float | None, residual: Residual
) -> Mounting:
    middle = (mount.crop_px[0] + mount.crop_px[2] / 2, mount.crop_px[1] + mount.crop_px[3] / 2)
    _, vertical = mount.right_transform.shift_at(middle)
    around = mount.right_transform.nearest_similarity(((size[1] - 1) / 2, (size[0] - 1) / 2))
    p, q, _ = mount.right_transform.third
    return Mounting(
        rotation_deg=around.roll_deg,
        scale=around.scale,
        vertical_px=vertical,
        shift_px=mount.window_disparity_px,
        window_point_px=mount.window_point_px,
        crop_px=mount.crop_px,
        residual_vertical_px=residual,
        keystone_px=(abs(p) * size[1] * size[0] / 4, abs(q) * size[0] ** 2 / 4),
        yaw_deg=None if focal is None else -math.degrees(math.atan(p * focal)),
        pitch_deg=None if focal is None else -math.degrees(math.atan(q * focal)),
        base_slope_deg=rows.base_deg,
    )
