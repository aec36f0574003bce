"""The whole job at the mounting desk, as a person does it, with a picture of every screen.

Run it by hand: `python -m benchmarks.screens FOLDER [--card CARD]`, with `tests` on the path and a Chromium
installed. CARD is one folder with the frames of both eyes; the demo's frames if none is given. In a fresh
shoot for each size of screen it sorts, merges, mounts, looks, retouches, proofs and exports through the
page alone, and writes pictures of all screens into FOLDER, to be looked at.
"""

import argparse
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from nearpair.shoot.run import make
from support.chromium import opened
from support.desk_page import Desk
from support.five import five

SIZES = {"desk": (1280, 800), "phone": (390, 844)}
DEMO = Path(__file__).parents[1] / "src" / "nearpair" / "demo" / "frames"
FORMS = ("side-by-side", "rocking-gif", "page", "multi-picture", "gltf", "card")
SORTED = (
    "window.desk?.state && desk.state.job.state !== 'running' && !desk.busy"
    " && !document.getElementById('begin').disabled"
)
SEEN = "window.desk?.picture?.first > 0"
PATIENCE_S = 300.0
IN_SIGHT = "i.checkVisibility() && i.getBoundingClientRect().top < innerHeight"


class Patient(Desk):  # type: ignore[misc]
    """The page, for somebody who waits long: the machine may be busy with other things."""

    def wait(self, script: str, seconds: float = PATIENCE_S) -> "Patient":
        """Wait until a script gives something true."""
        super().wait(script, seconds)
        return self


class Walk:
    """One person at one screen, who pictures what is seen."""

    def __init__(self, desk: Patient, folder: Path, size: str) -> None:
        self.desk, self.page = desk, desk.page
        self.folder, self.size = folder, size
        self.page.set_default_timeout(1000 * PATIENCE_S)
        self.number = 0

    def shot(self, name: str, at: str = "", whole: bool = False) -> None:
        """Picture the screen, with an element in sight."""
        if at and self.size == "phone":
            self.page.locator(at).evaluate("(e) => e.scrollIntoView({ block: 'start' })")
        self.desk.wait(f"[...document.images].filter((i) => {IN_SIGHT}).every((i) => i.complete)")
        time.sleep(0.3)
        self.number += 1
        wide = self.desk.tell("document.documentElement.scrollWidth")
        if wide > self.page.viewport_size["width"]:
            print(f"  {self.size}, {name}: the page is {wide} px wide")
        self.page.screenshot(path=self.folder / f"{self.size}-{self.number:02d}-{name}.png", full_page=whole)

    def focus(self) -> None:
        """Put the keyboard on the picture."""
        self.page.locator("#canvas").evaluate("(e) => { e.focus(); scrollTo(0, 0); }")

    def keys(self, *names: str) -> None:
        """Press keys, one after the other."""
        for name in names:
            self.page.keyboard.press(name)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a place of the picture (shares of its crop) is on the screen."""
        left, top, width, height = self.desk.tell("desk.state.pair.mounting.crop_px")
        view, box = self.desk.tell("desk.picture.view"), self.page.locator("#canvas").bounding_box() or {}
        place = (left + x * width - view["x"], top + y * height - view["y"])
        sides = zip(place, ("x", "y"), ("width", "height"), strict=True)
        across, down = (box[o] + box[s] / 2 + v * view["zoom"] for v, o, s in sides)
        return across, down

    def press(self, x: float, y: float) -> None:
        """Click a place of the picture."""
        self.page.mouse.click(*self.at(x, y))


def sorting(walk: Walk, shoot: Path) -> None:
    """The card: a frame dragged to the other station, one set aside and back; the run stopped once."""
    walk.shot("card-looking")
    desk, page = walk.desk.wait(SORTED), walk.page
    walk.shot("card-sorted")
    walk.shot("card-whole", whole=True)
    names = [s["name"] for s in desk.tell("desk.state.look.stations")]
    frame = desk.tell("desk.state.look.files[0].at(-1)")
    shot = f"[data-file='{frame}']"
    if walk.size == "desk":
        page.drag_and_drop(shot, f".station[aria-label='{names[1]}'] h3")
    else:
        page.click(shot)
        walk.shot("card-chosen")
        page.click(f"#move-to button:has-text('{names[1]}')")
    desk.wait(f"desk.state.moved['{frame}'] === '{names[1]}'").wait(SORTED)
    page.click(shot)
    page.click("#move-to button:has-text('Set aside')")
    desk.wait(f"desk.state.moved['{frame}'] === ''").wait(SORTED)
    page.locator(shot).scroll_into_view_if_needed()
    walk.shot("card-one-set-aside")
    page.click("#move-back")
    desk.wait("Object.keys(desk.state.moved).length === 0").wait(SORTED)
    if shoot.exists():
        sys.exit("The shoot was begun before it was asked for.")
    page.click("#begin")
    desk.wait("desk.state.job.state === 'running' && desk.state.job.done > 0")
    walk.shot("running")
    page.click("#stop")
    desk.wait("desk.state.job.state === 'stopped'")
    walk.shot("stopped")


def mounting(walk: Walk) -> None:
    """The window by click, arrows and numbers; undo and redo; glasses and methods; ways to look."""
    desk, page = walk.desk, walk.page
    desk.wait(SEEN).wait("desk.state.proof !== null").rest()
    walk.shot("desk")
    walk.shot("desk-whole", whole=True)
    walk.focus()
    walk.press(0.5, 0.55)
    desk.wait("Array.isArray(desk.state.decisions.mounting.window)").rest()
    walk.shot("window-by-click")
    walk.focus()
    walk.keys("ArrowRight", "ArrowRight", "Shift+ArrowLeft")
    walk.shot("nudged")
    desk.wait("Math.abs(desk.state.pair.adjust.shift_px - 1.9) < 1e-6").rest()
    walk.keys("Control+z")
    desk.wait("desk.state.pair.adjust.shift_px === 0").rest()
    walk.keys("Control+Shift+z")
    desk.wait("desk.state.pair.adjust.shift_px > 1").rest()
    walk.keys("Control+z")
    desk.wait("desk.state.pair.adjust.shift_px === 0").rest()
    for method in desk.tell("desk.state.methods"):
        page.select_option("#method", method)
        desk.wait(f"desk.state.decisions.colour.method === '{method}'").rest()
    page.select_option("#glasses", "green-magenta")
    desk.wait("desk.state.decisions.colour.glasses === 'green-magenta'").rest()
    walk.shot("green-magenta", "#glasses")
    walk.focus()
    walk.keys("Control+z")
    desk.wait("desk.state.decisions.colour.glasses !== 'green-magenta'").rest()
    for look in desk.tell("[...document.querySelectorAll('#looks [role=radio]')].map((b) => b.id)"):
        walk.focus()
        page.click(f"#{look}")
        time.sleep(0.5)
        if look != "look-rocking":
            desk.rest()
        walk.page.mouse.move(*walk.at(0.4, 0.5))
        walk.shot(look, "#looks" if look in ("look-depth", "look-focus") else "")
    page.click("#look-glasses")


def looking(walk: Walk) -> None:
    """1 to 1, loupe, before and after, crop by hand, frames behind a place."""
    desk, page = walk.desk, walk.page
    desk.rest()
    walk.focus()
    walk.keys("x")
    walk.shot("one-to-one")
    walk.keys("f")
    page.mouse.move(*walk.at(0.45, 0.5))
    walk.keys("l")
    walk.shot("loupe", "#stage")
    walk.keys("+")
    page.click("#loupe-way-glasses")
    walk.shot("loupe-glasses", "#stage")
    page.click("#loupe-close")
    page.click("#before")
    walk.shot("before", "#before-words")
    page.click("#before")
    walk.focus()
    walk.keys("c")
    walk.shot("crop", "#stage")
    page.focus("[aria-label='bottom right corner']")
    walk.keys(*["ArrowLeft"] * 5, *["ArrowUp"] * 3)
    walk.shot("cropped", "#stage")
    page.click("#crop-set")
    desk.wait("desk.state.decisions.mounting.crop !== 'auto'").rest()
    walk.focus()
    walk.keys("Control+z")
    desk.wait("desk.state.decisions.mounting.crop === 'auto'").rest()
    walk.keys("s")
    desk.wait("desk.source.found !== null")
    walk.press(0.4, 0.5)
    time.sleep(0.6)
    walk.shot("frames-here", "#stage")
    page.click("#source-brush")
    page.mouse.move(*walk.at(0.4, 0.5))
    page.mouse.down()
    page.mouse.move(*walk.at(0.5, 0.52), steps=6)
    page.mouse.up()
    page.click("#source-after")
    walk.shot("brushed", "#stage")
    page.click("#source-put")
    desk.wait("desk.state.decisions.retouches.length === 1").rest()
    walk.shot("retouched", "#source")
    walk.focus()
    walk.keys("Escape", "Control+z")
    desk.wait("desk.state.decisions.retouches.length === 0").rest()


def finishing(walk: Walk, shoot: Path) -> None:
    """Proof, export and forms; what was made is there."""
    desk, page = walk.desk, walk.page
    page.click("#proof")
    desk.wait("desk.state.job.name === 'proof' && desk.state.job.state === 'running'")
    walk.shot("proofing")
    desk.wait("desk.state.job.state === 'done'").rest()
    walk.shot("proofed", "#results")
    page.click("#export")
    desk.wait("desk.state.job.name === 'export' && desk.state.job.state === 'done'").rest()
    page.click("#more summary")
    walk.shot("forms", "#more")
    asked = [name for name in FORMS if page.locator(f"#forms input[value='{name}']").count()]
    for name in asked:
        page.check(f"#forms input[value='{name}']")
    page.locator("#publish").scroll_into_view_if_needed()
    walk.shot("forms-chosen")
    page.click("#publish")
    desk.wait("desk.state.job.name === 'forms' && desk.state.job.state === 'done'").rest()
    page.click("#more summary")
    page.locator("#results").evaluate("(e) => e.scrollIntoView({ block: 'end' })")
    walk.shot("made")
    walk.shot("end-whole", whole=True)
    made = [path.name for path in (shoot / "out").rglob("*") if path.is_file()]
    print(f"  {walk.size}: made {', '.join(sorted(made))}")


def choosing(browser: Any, size: str, folder: Path, work: Path, number: int) -> None:
    """All pairs of five stations, and another one chosen."""
    shoot = work / "five-shoot"
    if not shoot.exists():
        make(list(five(work / "five").values()), shoot)
    with at_desk(browser, size, folder, Session(shoot)) as walk:
        walk.number = number
        walk.desk.wait(SEEN).rest()
        walk.shot("five-stations")
        walk.focus()
        walk.keys("p")
        walk.desk.wait("document.getElementById('sheet').open")
        walk.shot("all-pairs")
        walk.keys("ArrowRight", "Enter")
        walk.desk.wait("desk.state.decisions.pair.length === 2").rest()
        walk.shot("another-pair", "#pairs")


def unlucky(browser: Any, size: str, folder: Path, work: Path, number: int) -> None:
    """A folder without frames, frames of one eye only, and a shoot.toml that was spoilt by hand."""
    for name, count in (("empty", 0), ("one-station", 8)):
        card = work / name
        card.mkdir(exist_ok=True)
        for file in sorted(DEMO.iterdir())[1 : count + 1]:
            shutil.copyfile(file, card / file.name)
        with at_desk(browser, size, folder, Session(work / "none", [card])) as walk:
            walk.number = number = number + 1
            walk.desk.wait(
                "window.desk?.state?.job.number && desk.state.job.state !== 'running' && !desk.busy"
            )
            walk.shot(name)


def trouble(walk: Walk, shoot: Path) -> None:
    """A shoot.toml that somebody spoilt by hand, and one that is put right again."""
    text = (shoot / "shoot.toml").read_text()
    walk.page.evaluate("scrollTo(0, 0)")
    (shoot / "shoot.toml").write_text(text.replace("[viewing]", "[veiwing]"))
    walk.desk.wait("document.getElementById('said').textContent.includes('shoot.toml')", 20)
    walk.shot("spoilt-toml")
    (shoot / "shoot.toml").write_text(text)
    walk.desk.wait("!document.getElementById('said').textContent.includes('veiwing')", 20)


@contextmanager
def at_desk(browser: Any, size: str, folder: Path, session: Session) -> Iterator[Walk]:
    with serving(session) as address:
        desk = Patient(browser, address, SIZES[size])
        yield Walk(desk, folder, size)
        for line in desk.said:
            print(f"  {size}: the page complained: {line}")
        desk.context.close()


def job(browser: Any, size: str, card: Path, folder: Path, work: Path) -> None:
    """From a card to files."""
    shoot = work / f"{size}-shoot"
    with at_desk(browser, size, folder, Session(shoot, [card])) as walk:
        sorting(walk, shoot)
    number = walk.number
    with at_desk(browser, size, folder, Session(shoot, [card])) as walk:
        walk.number = number
        walk.desk.wait("window.desk?.state")
        walk.shot("taken-up")
        mounting(walk)
        looking(walk)
        finishing(walk, shoot)
        trouble(walk, shoot)
    choosing(browser, size, folder, work, walk.number)
    unlucky(browser, size, folder, work, walk.number + 3)


def main() -> None:
    asked = argparse.ArgumentParser(prog="python -m benchmarks.screens", description=__doc__)
    asked.add_argument("folder", type=Path, help="where the pictures go")
    asked.add_argument("--card", type=Path, help="frames of both eyes in one folder")
    asked.add_argument("--size", choices=SIZES, help="only this size of screen")
    given = asked.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work, opened() as browser:
        card = Path(work) / "card"
        shutil.copytree(given.card or DEMO, card)
        for size in [given.size] if given.size else SIZES:
            start = time.monotonic()
            job(browser, size, card, given.folder, Path(work))
            print(f"{size}: {time.monotonic() - start:.0f} s")


if __name__ == "__main__":
    main()
