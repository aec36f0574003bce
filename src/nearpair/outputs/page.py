"""The share page: one HTML file to send or to host, in which each viewer chooses how to look at the pair.

It fetches nothing: pictures are data: addresses, style and script are in the page, and its own content
policy (Content Security Policy level 3) allows just these two by their SHA-256. Anaglyphs by a method that
has a matrix are mixed in the page, in linear light, by the same matrices as in `anaglyph`; others are
pictures in the page. What people wrote is escaped. Without scripts the left picture is shown. It moves by
itself only when rocking is chosen, and not even then where the viewer's system asks for reduced motion (WCAG
2.2, 2.2.2 and 2.3.3); it can always be stopped.
"""

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from markupsafe import Markup

from nearpair.colour.glasses import GLASSES, Glasses
from nearpair.outputs.anaglyph import MATRICES
from nearpair.outputs.motion import ROCKING_MS
from nearpair.pages import allowed, templates

WITHOUT_GLASSES = {"crossed": "Crossed", "parallel": "Parallel", "rocking": "Rocking", "flat": "Flat"}

_HINTS = {
    "glasses": "Put on the glasses; what is near stands in front.",
    "crossed": "Cross your eyes until the two pictures become three, and look at the middle one.",
    "parallel": "Look through the screen, as if far away, until two become three. Make it small.",
    "rocking": "Depth shows by movement, also to one eye.",
    "flat": "The left eye's picture.",
}
_CAUTIONS = (
    "Begin with short looks. Stop and rest when your head aches, your eyes sting, or you see double.",
    "Not everybody sees depth in such pictures. Children need shorter looks and grown-ups beside them.",
    "If moving pictures trouble you, choose another way of looking; rocking stops with its button.",
    "Whoever has had fits or migraine from flicker asks a doctor first.",
    "Questions about your eyes are for an eye-care professional.",
)


@dataclass(frozen=True, slots=True)
class PageText:
    """What people said about the picture."""

    caption: str
    creator: str
    alt: str


@dataclass(frozen=True, slots=True)
class Mixing:
    """How anaglyphs are mixed: the glasses that come first, the method, and what was mixed before (JPEG).

    `made`: one picture for each of `kinds_of_glasses`, for a method that has no matrix; else none.
    """

    glasses: Glasses
    method: str
    made: Mapping[str, bytes]


def kinds_of_glasses(own: Glasses) -> dict[str, Glasses]:
    """The glasses that viewers can choose, by name: all kinds, and first the shoot's own if measured."""
    return {own.name: own, **GLASSES} if own.filters == "own" else dict(GLASSES)


def share_page(
    jpegs: Sequence[bytes],
    size: tuple[int, int],
    text: PageText,
    mixing: Mixing,
    gap_share: float,
    far_share: float,
) -> str:
    """The page. jpegs: the left picture, views in between from left to right, the right picture.

    size: (height, width) px of the two outer ones, those between may be smaller. far_share: farthest parallax
    as a share of the width. Same input, same text.
    """
    style, script = _text("share.css"), _text("share.js")
    kinds = kinds_of_glasses(mixing.glasses)
    alt = text.alt or text.caption or "Stereoscopic photograph without a description"
    return (
        templates("nearpair.outputs")
        .get_template("share.html.j2")
        .render(
            policy=_policy(style, script),
            title=text.caption or "Stereoscopic photograph",
            about=text,
            alt=alt,
            height=size[0],
            width=size[1],
            addresses=[_address(jpeg) for jpeg in jpegs],
            made={name: _address(jpeg) for name, jpeg in mixing.made.items()},
            views=[*((name, f"{name} glasses") for name in kinds), *WITHOUT_GLASSES.items()],
            first=mixing.glasses.name,
            cautions=_CAUTIONS,
            style=Markup(style),  # noqa: S704 - our own file
            script=Markup(script),  # noqa: S704 - our own file
            data=_data(size, mixing, gap_share, far_share),
        )
    )


def _address(jpeg: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}"


def _data(size: tuple[int, int], mixing: Mixing, gap_share: float, far_share: float) -> Markup:
    """What the script needs, as JSON that cannot end its element."""
    whole_mm = round(60 / (1 + gap_share + far_share) * (2 + gap_share))
    hints: Mapping[str, str] = {
        **_HINTS,
        "parallel": f"{_HINTS['parallel']} Most people need it no wider than {whole_mm} mm.",
    }
    kinds = {} if mixing.made else kinds_of_glasses(mixing.glasses)
    known = {
        "height": size[0],
        "width": size[1],
        "gap": gap_share,
        "roundMs": ROCKING_MS,
        "glasses": {name: MATRICES[mixing.method](kind).round(6).tolist() for name, kind in kinds.items()},
        "hints": hints,
    }
    return Markup(json.dumps(known).replace("<", "\\u003c"))  # noqa: S704 - made here of numbers and our words


def _policy(style: str, script: str) -> str:
    sources = f"style-src {allowed(style)}; script-src {allowed(script)}; img-src data:"
    return f"default-src 'none'; {sources}; base-uri 'none'; form-action 'none'"


@cache
def _text(name: str) -> str:
    return files("nearpair.outputs").joinpath(name).read_text("utf-8")
