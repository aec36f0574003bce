"""With whom each of several stations is merged, whichever pair is chosen later.

A view is better when the station beside it is heard (`shoot.agreeing`). If that were always the other
station of the pair, choosing another pair would mean merging the same frames again. So each station has one
companion, which depends on where the stations stand and on nothing else: the one whose base is nearest to one
thirtieth of the distance. Its frames need no merging for that. Orders of stacks are told with it, too.
"""

from collections.abc import Sequence
from dataclasses import replace

from nearpair.pairs.choice import choose
from nearpair.pairs.eyes import Kind, OrderFound, StackEvidence, decide
from nearpair.shoot.candidates import Pairs


class Companions:
    """The companions of a shoot. focal_px: focal length in px of the small views, if known."""

    def __init__(self, pairs: Pairs, focal_px: float | None) -> None:
        self._pairs, self._focal_px = pairs, focal_px
        self._good = [
            k for k, at in enumerate(pairs.positions_px) if at is not None and not pairs.few_frames[k]
        ]

    def heard(self, station: int, otherwise: tuple[int, int]) -> tuple[int, int]:
        """The station and its companion, the left one first; `otherwise` if it has none."""
        other = self.of(station)
        if other is None:
            return otherwise
        at = [self._pairs.positions_px[k] or 0.0 for k in (station, other)]
        return (station, other) if (at[0], station) < (at[1], other) else (other, station)

    def of(self, station: int) -> int | None:
        """The companion of a station, by number; None if it fits no other."""
        open_to = sorted({station, *self._good})
        places = [self._pairs.positions_px[k] for k in open_to]
        known = [at for at in places if at is not None]
        if len(known) < len(places) or len(open_to) < 2:
            return None
        found = choose(known, self._pairs.width_px, self._focal_px, open_to.index(station))
        return next(k for k in (open_to[found.first], open_to[found.second]) if k != station)

    def orders(self, stacks: Sequence[StackEvidence]) -> list[OrderFound]:
        """The order of each stack as it and its companion tell; focus was moved the same way in all."""
        found = [self._with_companion(k) for k in range(len(stacks))]
        kinds: list[Kind] = [each.kind for each in found if each is not None and each.kind != "single"]
        rails = kinds.count("rail")
        kind: Kind | None = None if not kinds else "rail" if 2 * rails >= len(kinds) else "ring"
        return [
            order
            if order is not None and (kind is None or order.kind in (kind, "single"))
            else _own(stack, kind)
            for stack, order in zip(stacks, found, strict=True)
        ]

    def _with_companion(self, station: int) -> OrderFound | None:
        other = self.of(station)
        told = None if other is None else self._pairs.between(station, other)
        if told is None or told.found is None:
            return None
        return told.found.orders[0 if told.first == station else 1]


def _own(stack: StackEvidence, kind: Kind | None) -> OrderFound:
    """The order that a stack tells by itself."""
    known = replace(stack, given_kind=stack.given_kind or kind)
    return decide((known, known), None).orders[0]
