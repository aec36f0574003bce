"""The pictures of a shoot that the desk shows: the mounted pair, the one before it, anaglyphs and maps."""

from collections.abc import Callable
from functools import partial
from threading import Lock, Thread

from nearpair.desk.maps import depth_piece, focus_piece
from nearpair.desk.tiles import map_tile, tile
from nearpair.errors import NearpairError
from nearpair.pixels.memory import give_back
from nearpair.shoot.decisions import ColourDecisions
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.mounting import Mounted
from nearpair.shoot.preview import Bytes, Plane
from nearpair.shoot.showing import Shown, mixed, mixture_key, mounted_last, shown, shown_small
from nearpair.shoot.showing_focus import FocusShown, focus_shown

MIXED = "mixed-"
"""Beginning of the name of the anaglyph's picture; what it is made for and how comes after it."""

_LARGE_BYTES = 500 << 20
"""Of a pair larger than this only the coarser sizes are kept when the next one is mounted."""
_COLOURS = 2  # what is decided now, and what was before


class Pictures:
    """Reads the pictures of a shoot when they are asked for, and keeps them; several threads may ask."""

    def __init__(self, folder: Callable[[], ShootFolder | None]) -> None:
        self._folder = folder
        self._reading, self._knowing, self._mixing, self._focusing = Lock(), Lock(), Lock(), Lock()
        self._whole: Shown | None = None
        self._small: Shown | None = None
        self._before: Shown | None = None
        self._colours: dict[str, ColourDecisions] = {}
        self._mixed: dict[str, tuple[Bytes, ...]] = {}
        self._focus: FocusShown | None = None

    def _mounted(self) -> tuple[ShootFolder, Mounted] | None:
        """The shoot and the pair that was mounted last; None while there is none."""
        folder = self._folder()
        mounted = None if folder is None else mounted_last(folder)
        return None if folder is None or mounted is None else (folder, mounted)

    def at_once(self) -> Shown | None:
        """The mounted pair in the sizes that are there without reading it all; None while there is none."""
        found = self._mounted()
        if found is None:
            return None
        folder, mounted = found
        with self._knowing:
            for known in (self._whole, self._small):
                if known is not None and known.key == mounted.key:
                    return known
            if self._small is not None and self._whole is None:
                self._before = self._small
            self._small = small = shown_small(folder, mounted)
        if small is None:
            return self.whole()
        Thread(target=self._read_on, name="desk pictures", daemon=True).start()
        return small

    def _read_on(self) -> None:
        try:
            self.whole()
        except NearpairError:
            return  # whoever asks for it next is told

    def whole(self) -> Shown | None:
        """The mounted pair in every size, None while there is none; read once for each mounting."""
        found = self._mounted()
        if found is None:
            return None
        folder, mounted = found
        with self._reading:
            if self._whole is None or self._whole.key != mounted.key:
                self._keep_before()
                whole = shown(folder, mounted)
                with self._knowing:
                    self._whole, self._small = whole, None
                give_back()
            return self._whole

    def _keep_before(self) -> None:
        with self._focusing:
            self._focus = None
        whole = self._whole
        if whole is None:
            return
        large = sum(picture.nbytes for picture in (*whole.left, *whole.right)) > _LARGE_BYTES
        with self._knowing:
            self._before, self._whole = (whole.coarser() if large else whole), None

    def piece(self, key: str, what: str, level: int, column: int, row: int) -> bytes | None:
        """A piece of a picture as PNG; None if there is none, or not any longer."""
        pair = self._named(key)
        if pair is None:
            return None
        if what == "depth":
            return map_tile(pair, partial(depth_piece, pair), level, column, row)
        if what == "focus":
            return self._focus_tile(pair, level, column, row)
        if level < pair.finest and pair is not self._before:
            pair = self.whole()
            if pair is None or pair.key != key:
                return None
        if what in ("left", "right"):
            picture = pair.held(what, level)
        else:
            sizes = self._mixture(key, what.removeprefix(MIXED)) if what.startswith(MIXED) else None
            picture = sizes[level] if sizes is not None and 0 <= level < len(sizes) else None
        return None if picture is None else tile(picture, column, row)

    def _named(self, key: str) -> Shown | None:
        """The pair with this key, of those that are there."""
        pair = self.at_once()
        for known in (pair, self._before):
            if known is not None and known.key == key:
                return known
        return None

    def map_of(self, key: str) -> Plane | None:
        """Parallax of a pair for the page, None if it is not there any longer."""
        pair = self._named(key)
        return None if pair is None else pair.parallax

    def focus_map(self, key: str) -> Plane | None:
        """Frames of a pair's crop for the page, as large as `map_of`; None if it is not there any longer."""
        pair = self._named(key)
        focus = None if pair is None else self._focus_of(key)
        return None if pair is None or focus is None else focus.small(pair.mounting.crop_px)[0]

    def _focus_of(self, key: str) -> FocusShown | None:
        found = self._mounted()
        if found is None or found[1].key != key:
            return None
        folder, mounted = found
        with self._focusing:
            if self._focus is None or self._focus.key != key:
                self._focus = None  # its memory goes first
                self._focus = focus_shown(folder, mounted)
            return self._focus

    def _focus_tile(self, pair: Shown, level: int, column: int, row: int) -> bytes | None:
        focus, found = self._focus_of(pair.key), self._mounted()
        if focus is None or found is None:
            return None
        mounted = found[1]
        shot = (len(mounted.left_frames), mounted.left_order)
        return map_tile(pair, partial(focus_piece, focus, *shot), level, column, row)

    def name_mixture(self, colour: ColourDecisions) -> str:
        """Name of the anaglyph's picture for these decisions, which can be asked for from now on."""
        digest = mixture_key(colour)
        with self._knowing:
            self._colours.pop(digest, None)
            self._colours[digest] = colour
            for old in list(self._colours)[:-_COLOURS]:
                del self._colours[old]
        return MIXED + digest

    def _mixture(self, key: str, digest: str) -> tuple[Bytes, ...] | None:
        """The anaglyph of a pair at every size; None if it was not named, or the pair is not held in full."""
        colour = self._colours.get(digest)
        whole = next((p for p in (self.whole(), self._before) if p is not None and p.key == key), None)
        if colour is None or whole is None or whole.finest:
            return None
        with self._mixing:
            name = f"{key} {digest}"
            if name not in self._mixed:
                while len(self._mixed) >= _COLOURS:
                    del self._mixed[next(iter(self._mixed))]
                self._mixed[name] = mixed(whole, colour)
                give_back()
            return self._mixed[name]
