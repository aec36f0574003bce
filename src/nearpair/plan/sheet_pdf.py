"""The shot sheet on paper: one A4 page as PDF, with tick boxes, by reportlab. Same input, same bytes."""

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from nearpair.plan.diagram import diagram
from nearpair.plan.drawing import TONES, Drawing, Path
from nearpair.plan.model import Plan
from nearpair.plan.phrases import reading
from nearpair.plan.sheet import Sheet, direction, sheet

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

MM = 72 / 25.4
_WIDTH, _HEIGHT, _MARGIN = 210.0, 297.0, 14.0
_INSIDE = _WIDTH - 2 * _MARGIN
_TEXT, _TALLEST = 3.0, 75.0  # of the diagram, mm
_NUMBER, _BOX, _GAP = 17.0, 4.6, 5.0  # columns of readings, mm
_SMALL, _PLAIN, _TITLE = 7.4, 8.6, 15.0  # points
_LINE = 1.28
_LARGEST_ROW, _SMALLEST_ROW = 5.6, 2.3  # mm
_FONT, _BOLD = "Helvetica", "Helvetica-Bold"


def pdf(plan: Plan, title: str = "") -> bytes:
    """Return the sheet as a PDF file of one page."""
    from reportlab.pdfgen.canvas import Canvas

    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(_WIDTH * MM, _HEIGHT * MM), invariant=1)
    words = sheet(plan, title)
    canvas.setTitle(words.title)
    canvas.setCreator("nearpair")
    _Page(canvas).draw(plan, words)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


class _Page:
    """One page in mm with y down, as the eye goes."""

    def __init__(self, canvas: "Canvas") -> None:
        self.canvas = canvas

    def draw(self, plan: Plan, words: Sheet) -> None:
        y = self._head(words)
        drawn = diagram(plan, _INSIDE, _TEXT, _TALLEST)
        self._drawing(drawn, _MARGIN, y)
        y = self._facts(words, y + drawn.height + 5)
        y = self._bullets([*words.notes, *words.how, words.cost], y, _SMALL)
        bottom = _HEIGHT - _MARGIN - self._height(words.cautions) - 6
        self._readings(plan, y + 3, bottom)
        self._text(_MARGIN, bottom + 5, "Take care", _PLAIN, bold=True)
        self._bullets(words.cautions, bottom + 6, _SMALL)

    def _head(self, words: Sheet) -> float:
        size, title = _TITLE, words.title
        while self._wide(title, size) > _INSIDE and size > _SMALL:
            size -= 0.5
        while self._wide(title, size) > _INSIDE:
            title = title[:-2] + "…"
        self._text(_MARGIN, _MARGIN + 4.5, title, size, bold=True)
        self._line(_MARGIN, _MARGIN + 7, _WIDTH - _MARGIN, _MARGIN + 7)
        return _MARGIN + 9

    def _facts(self, words: Sheet, top: float) -> float:
        """Facts in two columns."""
        half, lowest = math.ceil(len(words.facts) / 2), top
        for column, part in enumerate((words.facts[:half], words.facts[half:])):
            x, y = _MARGIN + column * (_INSIDE / 2 + 2), top
            for label, value in part:
                self._text(x, y, label, _SMALL, tone=TONES["soft"])
                for line in self._wrapped(value, _PLAIN, _INSIDE / 2 - 24):
                    self._text(x + 21, y, line, _PLAIN)
                    y += _PLAIN * _LINE / MM
                y += 0.6
            lowest = max(lowest, y)
        return lowest - 1

    def _bullets(self, texts: Sequence[str], y: float, size: float) -> float:
        for text in texts:
            lines = self._wrapped(text, size, _INSIDE - 4)
            for number, line in enumerate(lines):
                y += size * _LINE / MM
                if number == 0:
                    self._text(_MARGIN, y, "•", size)
                self._text(_MARGIN + 4, y, line, size)
        return y

    def _height(self, texts: Sequence[str]) -> float:
        lines = sum(len(self._wrapped(text, _SMALL, _INSIDE - 4)) for text in texts)
        return lines * _SMALL * _LINE / MM

    def _readings(self, plan: Plan, top: float, bottom: float) -> None:
        """One row for each position with a box for each station; as many columns as it takes."""
        for line in self._wrapped(_legend(plan), _SMALL, _INSIDE - 8):
            top += _SMALL * _LINE / MM
            self._text(_MARGIN, top, line, _SMALL, bold=True)
        wide = _NUMBER + _BOX * len(plan.stations) + _GAP
        grid = laid_out(plan.stack.frames, bottom - top - 8, int((_INSIDE + _GAP) // wide))
        shown = list(range(0, plan.stack.frames, grid.every))
        for column in range(math.ceil(len(shown) / grid.rows)):
            part = shown[column * grid.rows : (column + 1) * grid.rows]
            self._column(plan, part, _MARGIN + column * wide, top + 1, grid.row_mm)
        if grid.every > 1:
            text = f"One in {grid.every} of {plan.stack.frames} positions; all are on the phone's page."
            self._text(_MARGIN, bottom, text, _SMALL, tone=TONES["warn"])

    def _column(self, plan: Plan, frames: Sequence[int], x: float, top: float, height: float) -> None:
        size = min(_PLAIN, height * MM * 0.72)
        side = min(3.4, height * 0.72)
        places = [x + _NUMBER + 2 + _BOX * number for number in range(len(plan.stations))]
        for number, place in enumerate(places):
            self._arrow(place + 2.6, top + 0.8, down=number % 2 == 0)
            self._text(place + 0.4, top + 3, f"{number + 1}", 6.5, tone=TONES["soft"])
        for row, frame in enumerate(frames):
            y = top + 4 + (row + 0.72) * height
            self._text(x, y, f"{frame + 1}", size * 0.85, tone=TONES["soft"])
            bold = frame == plan.stack.reference_frame and plan.stack.kind != "single"
            position = reading(plan.stack.positions_mm[frame])
            self._text(x + _NUMBER, y, position, size, bold=bold, right=True)
            for place in places:
                self._box(place, y - side + height * 0.06, side)

    def _arrow(self, x: float, y: float, *, down: bool) -> None:
        """Which way a station is shot through the column."""
        tip, end = (y + 2.2, y) if down else (y, y + 2.2)
        self._path(Path(((x, end), (x, tip)), "soft", 0.25), 0, 0, TONES["soft"])
        barb = tip - 0.7 if down else tip + 0.7
        self._path(Path(((x - 0.6, barb), (x, tip), (x + 0.6, barb)), "soft", 0.25), 0, 0, TONES["soft"])

    def _drawing(self, drawing: Drawing, x: float, y: float) -> None:
        for item in drawing.items:
            colour = TONES[item.tone]
            if isinstance(item, Path):
                self._path(item, x, y, colour)
            else:
                self._anchored(x + item.x, y + item.y, item.text, item.size * MM, item.anchor, colour)

    def _path(self, item: Path, x: float, y: float, colour: str) -> None:
        from reportlab.lib.colors import HexColor

        self.canvas.setStrokeColor(HexColor(colour))
        self.canvas.setLineWidth(item.width * MM)
        self.canvas.setDash([4 * item.width * MM, 3 * item.width * MM] if item.dashed else [])
        path = self.canvas.beginPath()
        for number, (px, py) in enumerate(item.points):
            (path.moveTo if number == 0 else path.lineTo)((x + px) * MM, (_HEIGHT - y - py) * MM)
        if item.filled:
            path.close()
            self.canvas.setFillColor(HexColor(colour), alpha=0.15)
        self.canvas.drawPath(path, stroke=1, fill=int(item.filled))
        self.canvas.setFillAlpha(1)
        self.canvas.setDash([])

    def _anchored(self, x: float, y: float, text: str, size: float, anchor: str, colour: str) -> None:
        shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * self._wide(text, size)
        self._text(x - shift, y, text, size, tone=colour)

    def _text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        bold: bool = False,
        right: bool = False,
        tone: str = TONES["ink"],
    ) -> None:
        from reportlab.lib.colors import HexColor

        self.canvas.setFillColor(HexColor(tone))
        self.canvas.setFont(_BOLD if bold else _FONT, size)
        shown = text.encode("cp1252", "replace").decode("cp1252")  # what the built-in fonts have
        draw = self.canvas.drawRightString if right else self.canvas.drawString
        draw(x * MM, (_HEIGHT - y) * MM, shown)

    def _line(self, x1: float, y1: float, x2: float, y2: float) -> None:
        self._path(Path(((x1, y1), (x2, y2)), "ink", 0.25), 0, 0, TONES["ink"])

    def _box(self, x: float, y: float, side: float) -> None:
        corners = ((x, y), (x + side, y), (x + side, y + side), (x, y + side), (x, y))
        self._path(Path(corners, "ink", 0.2), 0, 0, TONES["ink"])

    def _wide(self, text: str, size: float) -> float:
        return float(self.canvas.stringWidth(text, _FONT, size)) / MM

    def _wrapped(self, text: str, size: float, width: float) -> list[str]:
        from reportlab.lib.utils import simpleSplit

        return list(simpleSplit(text, _FONT, size, width * MM)) or [""]


@dataclass(frozen=True, slots=True)
class Grid:
    """Rows of a column of readings, their height in mm, and if only one in so many is shown."""

    rows: int
    row_mm: float
    every: int


def laid_out(frames: int, room_mm: float, columns: int) -> Grid:
    """Lay readings out in at most so many columns: high rows if few, low ones if many, then one in some."""
    fit = max(1, int(room_mm // _LARGEST_ROW))
    if frames <= fit * columns:
        return Grid(math.ceil(frames / math.ceil(frames / fit)), _LARGEST_ROW, 1)
    most = max(1, int(room_mm // _SMALLEST_ROW))
    every = math.ceil(frames / (most * columns))
    rows = math.ceil(math.ceil(frames / every) / columns)
    return Grid(rows, room_mm / rows, every)


def _legend(plan: Plan) -> str:
    """Say what the columns are."""
    kind = {"rail": "Readings of the rail, mm", "ring": "Focus distances, mm"}.get(
        plan.stack.kind, "Focus distance, mm"
    )
    stations = "; ".join(
        f"{number + 1}: {name}, sideways {reading(base)} mm, {direction(number)}"
        for number, (name, base) in enumerate(plan.stations.items())
    )
    bold = "" if plan.stack.kind == "single" else " Bold: reference frame."
    return f"{kind}. {stations}.{bold}"
