"""The proof as a page: one self-contained HTML file, no script, nothing fetched.

Everything that comes from outside (names of stations and files, notes) is escaped. Pictures go in as data:
addresses; the page's own content policy allows nothing else.
"""

import base64
from collections.abc import Mapping
from functools import cache
from typing import Any

from jinja2 import Environment
from markupsafe import Markup

from nearpair.errors import NearpairError
from nearpair.pages import templates
from nearpair.proof.figures import figures
from nearpair.proof.model import Proof, Station
from nearpair.proof.phrases import amount, percent
from nearpair.proof.pictures import legend
from nearpair.proof.relief_words import relief_words
from nearpair.proof.scalebar import scale_bar
from nearpair.proof.spread import chart
from nearpair.proof.words import CAUTIONS, VERDICTS

PICTURES = ("anaglyph", "left", "right", "depth", "above", "before")
"""Names of the pictures a report can show; each may be left out."""

_BAR_STEP, _BAR_HEIGHT = 20, 48
_SIGNATURES = {b"\xff\xd8\xff": "image/jpeg", b"\x89PNG\r\n\x1a\n": "image/png"}


def render(
    proof: Proof, pictures: Mapping[str, bytes], places: Mapping[str, tuple[bytes, str]] | None = None
) -> str:
    """HTML page of `proof`. `pictures` holds JPEG or PNG files by name (see PICTURES).

    places: for codes of findings a picture of where, as a file, and what its marks mean.

    Raises NearpairError for another name or another kind of file. Same input, same text.
    """
    unknown = sorted(set(pictures) - set(PICTURES))
    if unknown:
        raise NearpairError(
            f"pictures must be named {', '.join(PICTURES)}, found {', '.join(unknown)}.", "Rename them."
        )
    word, text = VERDICTS[proof.verdict]
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            proof=proof,
            verdict={"word": word, "text": text},
            pictures={
                name: data_address(name, pictures[name]) if name in pictures else None for name in PICTURES
            },
            places={
                code: {"address": data_address(code, file), "caption": caption}
                for code, (file, caption) in (places or {}).items()
            },
            legend=_legend(proof),
            relief=relief_words(proof),
            cautions=CAUTIONS,
            chart=chart(proof),
            bar=scale_bar(proof),
            stations=[_station(station) for station in proof.stations],
            figures=figures(proof),
        )
    )


@cache
def environment() -> Environment:
    """Give what renders the pages: everything is escaped, unknown names are errors."""
    made = templates("nearpair.proof")
    made.filters["with_code"] = with_code
    made.filters["percent"] = percent
    made.filters["amount"] = amount
    return made


def with_code(text: str) -> Markup:
    """Escape `text` and set what stands between backticks as code."""
    parts = text.split("`")
    return Markup("").join(
        Markup("<code>{}</code>").format(part) if number % 2 else Markup("{}").format(part)
        for number, part in enumerate(parts)
    )


def data_address(name: str, data: bytes) -> str:
    """A JPEG or PNG file as an address; NearpairError for anything else."""
    for signature, kind in _SIGNATURES.items():
        if data.startswith(signature):
            return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
    raise NearpairError(
        f"picture {name} must be a JPEG or PNG file, found something else.", "Encode it first."
    )


def _legend(proof: Proof) -> list[dict[str, str]]:
    near, far = proof.depth.near_px, proof.depth.far_px
    if near is None or far is None:
        return []
    return [{"label": f"{value:+.1f} px", "colour": colour} for value, colour in legend(near, far)]


def _station(station: Station) -> dict[str, Any]:
    shares = station.focus.share_per_frame if station.kind != "single" else []
    tallest = max(shares, default=0.0) or 1.0
    bars = [
        {
            "x": number * _BAR_STEP + 2,
            "y": f"{50 - _BAR_HEIGHT * share / tallest:.2f}",
            "width": _BAR_STEP - 4,
            "height": f"{_BAR_HEIGHT * share / tallest:.2f}",
        }
        for number, share in enumerate(shares)
    ]
    return {
        "name": station.name,
        "summary": _summary(station),
        "bars": bars,
        "width": max(1, len(shares)) * _BAR_STEP,
        "gaps": [(gap.after_frame + 1) * _BAR_STEP for gap in station.focus.gaps],
        "alt": f"Focus of {station.name}: {len(shares)} frames, {len(station.focus.gaps)} missing slices",
        "first": station.frames[0] if station.frames else "",
        "last": station.frames[-1] if station.frames else "",
    }


def _summary(station: Station) -> str:
    if station.kind == "single":
        unsharp = station.depth_of_field.unsharp_fraction if station.depth_of_field else None
        return (
            "One frame."
            if unsharp is None
            else f"One frame; {percent(unsharp)} of the textured picture is not sharp."
        )
    direction = {"far-to-near": ", from far to near", "near-to-far": ", from near to far"}.get(
        station.order, ""
    )
    sure = f" (confidence {percent(station.order_confidence)})" if direction else ""
    gaps = len(station.focus.gaps)
    missing = {0: "no slice is missing", 1: "one slice is missing"}.get(gaps, f"{gaps} slices are missing")
    return (
        f"{station.kind.capitalize()} stack of {len(station.frames)} frames{direction}{sure}; "
        f"{percent(station.focus.covered_fraction)} of the view is sharp in some frame; {missing}."
    )
