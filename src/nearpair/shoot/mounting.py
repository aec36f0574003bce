"""The mount stage: two views become a mounted pair and its parallax on disk."""

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import cv2
import msgspec
import numpy as np

from nearpair.frames.metadata import FrameInfo
from nearpair.frames.profiles import read_profile
from nearpair.frames.read import Pixels
from nearpair.frames.write import read_tiff, write_float_tiff, write_tiff
from nearpair.geometry.distortion import Distortion
from nearpair.geometry.projective import Projective
from nearpair.pairs.byhand import ByHand, adjusted
from nearpair.pairs.dense import dense
from nearpair.pairs.mounting import Rectangle, Window
from nearpair.pairs.placing import Laid, Placed, floating_sides, parallax_of
from nearpair.pairs.rectify import Rectified
from nearpair.pixels.luma import Plane
from nearpair.progress import Counted, Progress
from nearpair.proof.localshifts import without_moved
from nearpair.proof.model import LensProfile, Mounting, Residual
from nearpair.proof.model_capture import LocalShifts
from nearpair.shoot.atomic import replacing
from nearpair.shoot.comparing import compared
from nearpair.shoot.decisions import Adjusting, Decisions, Retouch
from nearpair.shoot.evening import evened_both, light_of
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.levelling import Focused, on_common_rows
from nearpair.shoot.looking import Member
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.merging import Merged
from nearpair.shoot.preview import Lying, Matrix, halved, halvings, keep_preview
from nearpair.shoot.rebasing import rebased
from nearpair.shoot.smallviews import focal_px
from nearpair.shoot.standing import mounted_by_what_stood
from nearpair.shoot.straightening import distortion_of, lens_of, straight
from nearpair.shoot.surveying import match_factor

_STEPS = 6


class Mounted(msgspec.Struct, frozen=True):
    """What mounting did, and the digest that stands for the pair."""

    key: str
    mounting: Mounting
    stations: tuple[str, str]
    """Of the left and of the right eye."""
    adjust: Adjusting
    """What was set by hand."""
    left_matrix: Matrix
    """Left view px → px of the left view as it lies, row by row."""
    right_matrix: Matrix
    """Right view px → the same, with the window at zero parallax."""
    local: LocalShifts | None = None
    size_px: tuple[int, int] = (0, 0)
    """Height and width of the views."""
    left_frames: tuple[str, ...] = ()
    """Files of the left station, in shooting order."""
    left_order: str = "unknown"
    retouched: tuple[bool, bool] = (False, False)
    """Whether the views of these stations are the retouched ones."""
    retouches: tuple[Retouch, ...] = ()
    """What was decided to be retouched."""


def mount_pair(
    shoot: ShootFolder,
    memo: Memo,
    pair: tuple[Member, Member],
    merged: tuple[Merged, Merged],
    decisions: Decisions,
    progress: Progress,
) -> Mounted:
    """Mount the two views, unless the same was done before. Raises PairError when they do not fit."""
    asked = decisions.mounting
    viewing = decisions.viewing if asked.window == "auto" else None
    hand = decisions.adjust
    lens = lens_of((reference_frame(pair[0]), reference_frame(pair[1])), asked.lens)
    bent = distortion_of(lens)
    key = key_of(merged[0].key, merged[1].key, asked, viewing, hand, lens)
    outputs = [shoot.left, shoot.right, shoot.parallax]
    recalled = memo.recall("mount", key, outputs)
    if recalled is not None:
        return msgspec.json.decode(recalled, type=Mounted)
    for stale in (shoot.proof_json, shoot.proof_html, shoot.proof_pdf):
        # a proof must never stand beside a pair it does not speak of, not even if this run is stopped
        stale.unlink(missing_ok=True)
    told = Counted(progress, "mounting the pair", _STEPS)
    pictures, focus = views_of(shoot, pair, merged)
    views = (straight(pictures[0], bent), straight(pictures[1], bent))
    del pictures
    focus = (straight_focus(focus[0], bent), straight_focus(focus[1], bent))
    told.one_more()
    focal_known = focal_of(pair)
    laid, rows = lay(views, focus, _usable(merged, bent), focal_known, asked.base_share)
    del focus
    told.one_more()
    laid = adjusted(laid, ByHand(hand.shift_px, hand.raise_px, hand.turn_deg, hand.scale))
    laid = replace(laid, crop_px=None if asked.crop == "auto" else asked.crop)
    window = _straight_point(asked.window, bent, laid.size_px)
    focal_map = focus_map(shoot, pair[0].station.name, lens, retouched=merged[0].retouched)
    stood = mounted_by_what_stood(laid, views, focal_map, window, decisions)
    placed, residual, local, left, right = stood.placed, stood.residual, stood.local, stood.left, stood.right
    del stood
    times = halvings(laid.size_px)
    small = [halved(view, times) for view in views]
    del views
    told.one_more()
    parallax = parallax_of(laid, placed.mount)
    frames = [reference_frame(member) for member in pair]
    profiles = [read_profile(frame.path) for frame in frames]
    light = light_of((left, right), parallax, profiles, asked.light)
    left, right = evened_both((left, right), profiles, light)
    small = evened_both(small, profiles, light)
    seen = rebased(left, right, parallax, asked.base_share)
    right, parallax = seen.right, seen.parallax
    still = without_moved(parallax, local)
    floating = floating_sides(still) if asked.floating == "auto" else (0, 0)
    told.one_more()
    if asked.base_share != 1:  # what was reckoned from depth tells nothing anew of what moved
        residual, local = compared(left, right, focal_map, placed.mount.crop_px)[0], None
    told.one_more()
    for path, picture, profile, frame in zip(outputs, (left, right), profiles, frames, strict=False):
        with replacing(path) as part:
            write_tiff(part, picture, profile, frame)
    with replacing(outputs[2]) as part:
        write_float_tiff(part, parallax)
    done = _report(placed, rows, laid, focal_known, residual, floating)
    point = asked.window if isinstance(asked.window, tuple) else None
    done = msgspec.structs.replace(
        done, filled_share=seen.filled_share, lens=lens, light=light, window_point_px=point
    )
    left_lies = Projective.like(placed.mount.left_transform)
    names = (pair[0].station.name, pair[1].station.name)
    lies = (_rows(left_lies), _rows(placed.mount.right_transform))
    shot = (tuple(pair[0].report.frames), pair[0].report.order)
    retouched = (merged[0].retouched, merged[1].retouched)
    result = Mounted(
        key, done, names, hand, *lies, local, laid.size_px, *shot, retouched, decisions.retouches
    )
    memo.record("mount", key, outputs, msgspec.json.encode(result))
    if times:
        _keep_small(shoot, result, small, (left, right), parallax, profiles)
    told.one_more()
    return result


def _keep_small(
    shoot: ShootFolder,
    result: Mounted,
    views: Sequence[Pixels],
    pair: tuple[Pixels, Pixels],
    parallax: Plane,
    profiles: Sequence[bytes | None],
) -> None:
    """Keep the pair small for pages, with what lies around it. views: `halved` already; pair: in full."""
    x, y, width, height = result.mounting.crop_px
    size_px, matrices = result.size_px, (result.left_matrix, result.right_matrix)
    times = halvings(size_px)
    # around a picture seen from elsewhere there is nothing that fits it
    if result.mounting.base_share != 1.0:
        size_px, views = (y + height, x + width), [halved(picture, times) for picture in pair]
        matrices = (((1.0, 0.0, x), (0.0, 1.0, y), (0.0, 0.0, 1.0)),) * 2
    eyes = [Lying(v, times, m, p) for v, m, p in zip(views, matrices, profiles, strict=True)]
    keep_preview(shoot.preview, result.key, eyes, size_px, parallax, result.local)


def _rows(transform: Projective) -> Matrix:
    """A plane transform as plain numbers."""
    first, second, third = (tuple(row) for row in transform.matrix().tolist())
    return first, second, third


def reference_frame(member: Member) -> FrameInfo:
    """Return the frame of a station on which its others were laid."""
    return member.station.frames[member.survey.used[member.reference]]


def views_of(
    shoot: ShootFolder, pair: tuple[Member, Member], merged: tuple[Merged, Merged]
) -> tuple[tuple[Pixels, Pixels], tuple[Focused, Focused]]:
    """Read the views of a pair and their focus maps."""
    names = [(m.station.name, found.retouched) for m, found in zip(pair, merged, strict=True)]
    files = [
        kind(name, retouched=retouched) for kind in (shoot.view, shoot.focus) for name, retouched in names
    ]
    with ThreadPoolExecutor(2) as pool:
        left, right, *focus = pool.map(read_tiff, files)
    one, two = (Focused(plane, len(member.station.frames)) for plane, member in zip(focus, pair, strict=True))
    return (left, right), (one, two)


def focal_of(pair: tuple[Member, Member]) -> float | None:
    """Focal length in px of the full views, if both stations say the same."""
    one, two = (focal_px(frame, max(frame.size_px)) for frame in map(reference_frame, pair))
    return one if one == two else None


def focus_map(shoot: ShootFolder, station: str, lens: LensProfile | None, *, retouched: bool) -> Plane:
    """The focus map of a view (h, w), where mounting has the view."""
    whole = read_tiff(shoot.focus(station, retouched=retouched))
    return _straight_plane(whole, distortion_of(lens))


def _straight_plane(plane: Plane, bent: Distortion | None) -> Plane:
    return np.asarray(straight(plane, bent, cv2.INTER_NEAREST), np.float32)


def straight_focus(focused: Focused, bent: Distortion | None) -> Focused:
    """A focus map freed of the lens's distortion."""
    return Focused(_straight_plane(focused.frame, bent), focused.count)


def _straight_point(window: Window, bent: Distortion | None, size_px: tuple[int, int]) -> Window:
    """Where the window is asked for, as mounting has the left view."""
    if bent is None or not isinstance(window, tuple):
        return window
    x, y = bent.straight(np.array(window, np.float64), size_px).tolist()
    return round(x, 1), round(y, 1)


def _usable(merged: tuple[Merged, Merged], bent: Distortion | None) -> tuple[Rectangle, Rectangle]:
    """What the frames of each view really cover."""
    one, two = (m.covered_px if bent is None else bent.inside(m.covered_px, m.size_px) for m in merged)
    return one, two


def lay(
    views: tuple[Pixels, Pixels],
    focus: tuple[Focused, Focused],
    usable: tuple[Rectangle, Rectangle],
    focal: float | None,
    base_share: float,
) -> tuple[Laid, Rectified]:
    """Lay the views on common rows and measure their depth. Raises PairError when they do not fit."""
    size = (views[0].shape[0], views[0].shape[1])
    factor = match_factor(size)
    level = on_common_rows(views, focus, factor, focal)
    disparity = dense(level.first, level.second, *level.on.range_px, level.expected).px
    turn, onto = level.on.first.resampled(factor), level.on.second.resampled(factor)
    return Laid(size, turn, onto, usable, disparity, factor, base_share), level.on.rows


def _report(
    placed: Placed,
    rows: Rectified,
    laid: Laid,
    focal: float | None,
    residual: Residual,
    floating: tuple[int, int],
) -> Mounting:
    mount = placed.mount
    middle = (mount.crop_px[0] + mount.crop_px[2] / 2, mount.crop_px[1] + mount.crop_px[3] / 2)
    # against the left view as it was, whether or not both are turned for a sloping base
    right = rows.second_to_first.resampled(laid.factor)
    height, width = laid.size_px
    around = right.nearest_similarity(((width - 1) / 2, (height - 1) / 2))
    p, q, _ = right.third
    return Mounting(
        rotation_deg=around.roll_deg,
        scale=around.scale,
        vertical_px=right.shift_at(middle)[1],
        shift_px=mount.window_disparity_px,
        window_point_px=mount.window_point_px,
        crop_px=mount.crop_px,
        residual_vertical_px=residual,
        keystone_px=(abs(p) * width * height / 4, abs(q) * height**2 / 4),
        yaw_deg=None if focal is None else -math.degrees(math.atan(p * focal)),
        pitch_deg=None if focal is None else -math.degrees(math.atan(q * focal)),
        base_slope_deg=rows.base_deg,
        floating_px=floating,
        base_share=laid.base_share,
        window_rule=placed.window_rule,
        crop_rule=placed.crop_rule,
    )
