"""The mount stage: two views become a mounted pair and its parallax on disk."""

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

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
from nearpair.proof.model import LensProfile, Mounting, Residual, ViewsLight
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


@dataclass(frozen=True, slots=True, eq=False)
class _Begun:
    """What mounting begins with."""

    shoot: ShootFolder
    pair: tuple[Member, Member]
    merged: tuple[Merged, Merged]
    decisions: Decisions
    lens: LensProfile | None

    def key(self) -> str:
        """The digest that stands for the pair."""
        asked, (one, two) = self.decisions.mounting, self.merged
        viewing = self.decisions.viewing if asked.window == "auto" else None
        return key_of(one.key, two.key, asked, viewing, self.decisions.adjust, self.lens)

    def focus(self) -> Plane:
        """The left view's focus map (H, W), where mounting has the view."""
        name, retouched = self.pair[0].station.name, self.merged[0].retouched
        return focus_map(self.shoot, name, self.lens, retouched=retouched)

    def frames(self) -> list[FrameInfo]:
        """The reference frame of each eye."""
        return [reference_frame(member) for member in self.pair]


@dataclass(frozen=True, slots=True, eq=False)
class _Lit:
    """A pair as it is mounted, evened if that was decided; small: the views, halved, before the crop."""

    laid: Laid
    rows: Rectified
    placed: Placed
    residual: Residual
    local: LocalShifts | None
    left: Pixels
    right: Pixels
    parallax: Plane
    small: list[Pixels]
    light: ViewsLight
    profiles: list[bytes | None]


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
    lens = lens_of((reference_frame(pair[0]), reference_frame(pair[1])), asked.lens)
    begun = _Begun(shoot, pair, merged, decisions, lens)
    outputs = [shoot.left, shoot.right, shoot.parallax]
    recalled = memo.recall("mount", begun.key(), outputs)
    if recalled is not None:
        return msgspec.json.decode(recalled, type=Mounted)
    for stale in (shoot.proof_json, shoot.proof_html, shoot.proof_pdf):
        # a proof must never stand beside a pair it does not speak of, not even if this run is stopped
        stale.unlink(missing_ok=True)
    told = Counted(progress, "mounting the pair", _STEPS)
    lit = _lit(begun, told)
    seen = rebased(lit.left, lit.right, lit.parallax, asked.base_share)
    lit = replace(lit, right=seen.right, parallax=seen.parallax)
    if asked.base_share != 1 or lit.light.evened:  # views alike in light are matched better
        residual, local = compared(lit.left, lit.right, begun.focus(), lit.placed.mount.crop_px)
        # what was reckoned from depth tells nothing anew of what moved
        lit = replace(lit, residual=residual, local=local if asked.base_share == 1 else lit.local)
    told.one_more()
    _write(outputs, lit, begun.frames())
    told.one_more()
    result = _result(begun, lit, seen.filled_share)
    memo.record("mount", result.key, outputs, msgspec.json.encode(result))
    if halvings(lit.laid.size_px):
        _keep_small(shoot, result, lit)
    told.one_more()
    return result


def _lit(begun: _Begun, told: Counted) -> _Lit:
    """Lay the views on common rows, place the window, cut, and even."""
    asked, hand, bent = begun.decisions.mounting, begun.decisions.adjust, distortion_of(begun.lens)
    pictures, focus = views_of(begun.shoot, begun.pair, begun.merged)
    views = (straight(pictures[0], bent), straight(pictures[1], bent))
    del pictures
    focus = (straight_focus(focus[0], bent), straight_focus(focus[1], bent))
    told.one_more()
    laid, rows = lay(views, focus, _usable(begun.merged, bent), focal_of(begun.pair), asked.base_share)
    del focus
    told.one_more()
    laid = adjusted(laid, ByHand(hand.shift_px, hand.raise_px, hand.turn_deg, hand.scale))
    laid = replace(laid, crop_px=None if asked.crop == "auto" else asked.crop)
    window = _straight_point(asked.window, bent, laid.size_px)
    stood = mounted_by_what_stood(laid, views, begun.focus(), window, begun.decisions)
    small = [halved(view, halvings(laid.size_px)) for view in views]
    del views
    told.one_more()
    parallax = parallax_of(laid, stood.placed.mount)
    profiles = [read_profile(frame.path) for frame in begun.frames()]
    light = light_of((stood.left, stood.right), parallax, profiles, asked.light)
    left, right = evened_both((stood.left, stood.right), profiles, light)
    small = evened_both(small, profiles, light)
    found = stood.placed, stood.residual, stood.local
    return _Lit(laid, rows, *found, left, right, parallax, small, light, profiles)


def _write(outputs: Sequence[Path], lit: _Lit, frames: Sequence[FrameInfo]) -> None:
    for path, picture, profile, frame in zip(
        outputs, (lit.left, lit.right), lit.profiles, frames, strict=False
    ):
        with replacing(path) as part:
            write_tiff(part, picture, profile, frame)
    with replacing(outputs[2]) as part:
        write_float_tiff(part, lit.parallax)


def _result(begun: _Begun, lit: _Lit, filled_share: float | None) -> Mounted:
    asked, left = begun.decisions.mounting, begun.pair[0]
    floats = asked.floating == "auto"
    floating = floating_sides(without_moved(lit.parallax, lit.local)) if floats else (0, 0)
    done = msgspec.structs.replace(
        _report(lit, focal_of(begun.pair), floating),
        filled_share=filled_share,
        lens=begun.lens,
        light=lit.light,
        window_point_px=asked.window if isinstance(asked.window, tuple) else None,
    )
    mount = lit.placed.mount
    return Mounted(
        begun.key(),
        done,
        (left.station.name, begun.pair[1].station.name),
        begun.decisions.adjust,
        _rows(Projective.like(mount.left_transform)),
        _rows(mount.right_transform),
        lit.local if asked.base_share == 1 else None,
        lit.laid.size_px,
        tuple(left.report.frames),
        left.report.order,
        (begun.merged[0].retouched, begun.merged[1].retouched),
        begun.decisions.retouches,
    )


def _keep_small(shoot: ShootFolder, result: Mounted, lit: _Lit) -> None:
    """Keep the pair small for pages, with what lies around it."""
    x, y, width, height = result.mounting.crop_px
    size_px, matrices = result.size_px, (result.left_matrix, result.right_matrix)
    times, views = halvings(size_px), lit.small
    # around a picture seen from elsewhere there is nothing that fits it
    if result.mounting.base_share != 1.0:
        size_px, views = (
            (y + height, x + width),
            [halved(picture, times) for picture in (lit.left, lit.right)],
        )
        matrices = (((1.0, 0.0, x), (0.0, 1.0, y), (0.0, 0.0, 1.0)),) * 2
    eyes = [Lying(v, times, m, p) for v, m, p in zip(views, matrices, lit.profiles, strict=True)]
    keep_preview(shoot.preview, result.key, eyes, size_px, lit.parallax, result.local)


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


def _report(lit: _Lit, focal: float | None, floating: tuple[int, int]) -> Mounting:
    placed, rows, laid = lit.placed, lit.rows, lit.laid
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
        residual_vertical_px=lit.residual,
        keystone_px=(abs(p) * width * height / 4, abs(q) * height**2 / 4),
        yaw_deg=None if focal is None else -math.degrees(math.atan(p * focal)),
        pitch_deg=None if focal is None else -math.degrees(math.atan(q * focal)),
        base_slope_deg=rows.base_deg,
        floating_px=floating,
        base_share=laid.base_share,
        window_rule=placed.window_rule,
        crop_rule=placed.crop_rule,
    )
