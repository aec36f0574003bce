"""Part of the proof as data: faults of single frames, and what differs from place to place."""

from typing import Literal

import msgspec


class SpoiltFrame(msgspec.Struct, frozen=True, kw_only=True):
    """A frame of a stack that is at fault: its number in shooting order, and what is wrong with it.

    `detail_left`: of a shaken frame, the share of the fine detail that its neighbours let expect;
    `direction_deg`: of the shake, clockwise from the horizontal, null without one.
    """

    frame: int
    kind: Literal["shaken", "repeated"]
    detail_left: float | None = None
    direction_deg: float | None = None


class LocalShifts(msgspec.Struct, frozen=True, kw_only=True):
    """How matched points of the mounted pair stand against each other, by cells of the picture, row by row.

    `height_px`: right minus left, downwards. `aside_px`: parallax beyond what the focus of the place lets
    expect. Medians, px; null where too little was matched. `moved_share` of the cells, around `box_px`
    (x, y, width, height), is shifted by `moved_px` (aside, down): that part of the subject moved.
    `moved_cells`: their numbers.
    """

    columns: int
    rows: int
    height_px: list[float | None]
    aside_px: list[float | None]
    moved_share: float = 0.0
    moved_px: tuple[float, float] | None = None
    box_px: tuple[int, int, int, int] | None = None
    moved_cells: list[int] = []
