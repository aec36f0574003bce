"""How quick and how exact the live picture of the desk is, in a real Chromium.

Run it by hand: `python -m benchmarks.desk_times SHOOT...`, with `tests` on the path, on finished shoots, of
which copies are used. Says when the first picture stands, how long a frame of a drag takes to draw (window
moved by half a pixel each time; whole picture and 1 : 1), and how far each method's pixels are from those
that `nearpair export` writes.
"""

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from nearpair.outputs.anaglyph import METHODS, anaglyph
from nearpair.shoot.decisions import load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import glasses_named
from nearpair.shoot.shown import pair_as_seen
from support.chromium import opened
from support.desk_page import Desk

SIZE = (1280, 800)
WAIT_S = 600.0
DRAG = """async () => { const times = [], { hand } = desk.picture, from = hand.shift_px;
  for (let k = 0; k < 80; k++) { hand.shift_px += 0.5; const t = performance.now();
    desk.picture.draw(); desk.picture.composite.gl.finish(); times.push(performance.now() - t);
    await new Promise(requestAnimationFrame); }
  hand.shift_px = from; desk.picture.redraw(); return times.sort((a, b) => a - b); }"""
GRAPHICS = """() => { const { gl } = desk.picture.composite;
  const more = gl.getExtension('WEBGL_debug_renderer_info');
  return more ? gl.getParameter(more.UNMASKED_RENDERER_WEBGL) : 'unknown'; }"""


def agreement(desk: Any, shoot: Path, method: str) -> tuple[int, float]:
    """Largest difference of a channel (of 255) to the exported anaglyph, and share of pixels that differ."""
    desk.page.select_option("#method", method)
    desk.wait(f"desk.state.decisions.colour.method === '{method}'", WAIT_S)
    left, right = pair_as_seen(ShootFolder(shoot))
    expected = anaglyph(left, right, glasses_named(load(shoot / "shoot.toml").colour.glasses), method)
    worst, differ, seen = 0, 0, 0
    _, _, width, height = desk.tell("desk.state.pair.mounting.crop_px")
    room = desk.tell("desk.picture.room")
    for top in range(0, height, room[1]):
        for left_px in range(0, width, room[0]):
            found, part = window(desk, expected, left_px, top)
            off = np.abs(found.astype(int) - part).max(axis=-1)
            worst, differ, seen = max(worst, int(off.max())), differ + int((off > 0).sum()), seen + off.size
    return worst, differ / seen


def window(desk: Any, whole: Any, left: int, top: int) -> tuple[Any, Any]:
    """What the canvas shows of the crop from a corner on, pixel by pixel, and the same of the whole."""
    x, y, width, height = desk.tell("desk.state.pair.mounting.crop_px")
    room = desk.tell("desk.picture.room")
    desk.page.evaluate(
        "([x, y]) => desk.picture.exact([x, y])", [x + left + room[0] / 2, y + top + room[1] / 2]
    )
    desk.wait("desk.state.job.state !== 'running' && desk.picture.atRest && !desk.busy", WAIT_S)
    view, seen = desk.tell("desk.picture.view"), desk.pixels()
    from_x = round(view["x"] - seen.shape[1] / 2) - x
    from_y = round(view["y"] - seen.shape[0] / 2) - y
    rows = slice(max(0, from_y), min(height, from_y + seen.shape[0]))
    columns = slice(max(0, from_x), min(width, from_x + seen.shape[1]))
    shown = seen[rows.start - from_y : rows.stop - from_y, columns.start - from_x : columns.stop - from_x]
    return shown, whole[rows, columns]


def measured(browser: Any, shoot: Path) -> None:
    with serving(Session(shoot)) as address:
        desk = Desk(browser, address, SIZE)
        desk.wait("window.desk?.picture?.first > 0", WAIT_S)
        first = desk.tell("desk.picture.first")
        desk.wait("desk.picture.atRest && desk.state.job.state !== 'running'", WAIT_S)
        height, width = desk.tell("desk.state.pair.size_px")
        print(f"{width} x {height} px, {desk.tell(GRAPHICS)}")
        print(f"  first picture after {first:.0f} ms, exact after {desk.tell('performance.now()'):.0f} ms")
        for name, button in (("whole picture", "#whole"), ("1 : 1", "#pixels")):
            desk.page.click(button)
            desk.wait("desk.picture.complete && desk.picture.atRest", WAIT_S)
            times = desk.tell(DRAG)
            print(f"  a frame of a drag, {name}: median {times[40]:.1f} ms, 95 % within {times[75]:.1f} ms")
            desk.wait("desk.picture.atRest", WAIT_S)
        for method in METHODS:
            worst, share = agreement(desk, shoot, method)
            print(f"  {method}: at most {worst} of 255 off the export, {share:.2%} of the pixels differ")
        desk.context.close()


def main() -> None:
    with opened() as browser, tempfile.TemporaryDirectory() as work:
        for number, shoot in enumerate(sys.argv[1:]):
            copy = Path(work) / f"shoot-{number}"
            shutil.copytree(shoot, copy)
            measured(browser, copy)
            shutil.rmtree(copy)


if __name__ == "__main__":
    main()
