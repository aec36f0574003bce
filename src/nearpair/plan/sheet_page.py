"""The shot sheet for a phone: one self-contained HTML page that remembers its ticks on the phone itself."""

import hashlib
from itertools import groupby

from markupsafe import Markup

from nearpair.pages import allowed, templates
from nearpair.plan.diagram import diagram
from nearpair.plan.drawing import svg
from nearpair.plan.model import Plan
from nearpair.plan.phrases import reading
from nearpair.plan.readings import table
from nearpair.plan.sheet import direction, sheet

_WIDTH, _TEXT, _TALLEST = 100.0, 3.9, 90.0

SCRIPT = """
"use strict";
const key = "shot-sheet-" + document.body.dataset.plan;
const boxes = Array.from(document.querySelectorAll("input[type=checkbox]"));
const left = document.getElementById("left");
let stored = "";
try { stored = localStorage.getItem(key) || ""; } catch (error) { /* no memory on this device */ }
function show() {
  const done = boxes.filter((box) => box.checked).length;
  left.textContent = done === boxes.length ? "all shot" : (boxes.length - done) + " to go";
  try { localStorage.setItem(key, boxes.map((box) => (box.checked ? "1" : "0")).join("")); }
  catch (error) { /* ticks last as long as the page */ }
}
boxes.forEach((box, number) => {
  box.checked = stored.charAt(number) === "1";
  box.addEventListener("change", show);
});
document.getElementById("clear").addEventListener("click", () => {
  if (confirm("Clear all ticks?")) { boxes.forEach((box) => { box.checked = false; }); show(); }
});
show();
"""


def page(plan: Plan, title: str = "") -> str:
    """Return the page as HTML. Nothing is fetched; ticks stay on the phone. Same input, same text."""
    words = sheet(plan, title)
    stations = [
        {
            "name": name,
            "base": reading(plan.stations[name]),
            "way": direction(turn),
            "rows": [
                {"number": each.number, "position": reading(each.position_mm), "reference": each.is_reference}
                for each in rows
            ],
        }
        for turn, (name, rows) in enumerate(groupby(plan.readings, key=lambda each: each.station))
    ]
    drawn = diagram(plan, _WIDTH, _TEXT, _TALLEST)
    digest = hashlib.sha256((table(plan.readings) + words.title).encode()).hexdigest()[:16]
    return (
        templates("nearpair.plan")
        .get_template("sheet.html.j2")
        .render(
            sheet=words,
            plan=plan,
            stations=stations,
            drawing=Markup(svg(drawn)),  # noqa: S704 - its texts are escaped there
            script=Markup(SCRIPT),  # noqa: S704 - a constant
            allowed=allowed(SCRIPT),
            digest=digest,
        )
    )
