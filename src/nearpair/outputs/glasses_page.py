"""The page on which a person measures their glasses by eye: one self-contained HTML file, nothing fetched."""

import json

from nearpair.colour.calibration import COLOURS, VERSION, own_colour
from nearpair.colour.glasses import GLASSES
from nearpair.colour.light import LUMINANCE_WEIGHTS
from nearpair.pages import templates


def glasses_page() -> str:
    """The whole page. Same version, same text. It saves what `nearpair.colour.calibration` reads."""
    kinds = {
        name: {
            "left": own_colour(glasses.left_channels),
            "right": own_colour(glasses.right_channels),
            "filters": name.split("-"),
        }
        for name, glasses in GLASSES.items()
    }
    facts = {"kinds": kinds, "colours": COLOURS, "luminance": LUMINANCE_WEIGHTS, "version": VERSION}
    page = templates("nearpair.outputs").get_template("glasses.html.j2")
    return page.render(facts=json.dumps(facts), kinds=list(kinds))
