"""Part of the proof as data: areas that show a frame of one's own choice, and the same for the other eye."""

import msgspec


class Retouched(msgspec.Struct, frozen=True, kw_only=True):
    """A retouch: the frame that was put in on the view of `station`, and what was done for the other eye."""

    station: str
    frame: str
    other_station: str | None = None
    """The station of the other eye, if it was to be treated alike."""
    other_frame: str | None = None
    """Its frame that is focused on the same plane; None where nothing was done there."""
    other_share: float | None = None
    """Share of the area that the other eye sees; the rest is half-hidden."""
    shift_px: float | None = None
    """How far to the right of its place the area lies in the other view."""
    reason: str = ""
    """Why nothing was done for the other eye."""
