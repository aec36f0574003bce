"""The forms in which a mounted pair can be published: what each is, who can see it, what they need.

Names are words of the trade; `checkerboard`, `row-interleaved`, `column-interleaved`, `side-by-side` and
`top-bottom` are those of the frame packing arrangement table of ITU-T H.264 (ISO/IEC 14496-10), Annex D.
"""

import difflib
from collections.abc import Sequence
from dataclasses import dataclass

from nearpair.errors import NearpairError


@dataclass(frozen=True, slots=True)
class Form:
    """One form: its name, what it is, what the viewer needs, and the suffix of its file.

    A form of several files has the suffix "" and is a folder. `extra` is the optional part of the
    installation that it needs, "" for none.
    """

    name: str
    what: str
    needs: str
    suffix: str
    extra: str = ""


FORMS: tuple[Form, ...] = (
    Form(
        "anaglyph",
        "both pictures in one, told apart by colour",
        "the coloured glasses that the shoot names, and any screen",
        ".jpg",
    ),
    Form(
        "parallel",
        "left picture on the left; read its note for the largest size",
        "no device: practised eyes looking straight ahead, or a lens viewer",
        ".jpg",
    ),
    Form("crossed", "left picture on the right, at any size", "no device: practised eyes that cross", ".jpg"),
    Form(
        "top-bottom",
        "left picture over the right one, both at full size (over-under)",
        "a 3D screen, projector or player set to top-bottom",
        ".jpg",
    ),
    Form(
        "side-by-side",
        "both pictures squeezed to half their width, left picture on the left",
        "a 3D screen, projector or player set to side by side, half width",
        ".jpg",
    ),
    Form(
        "row-interleaved",
        "rows by turns from the left and the right picture, the top row from the left one",
        "a row-polarised 3D screen with its glasses, showing the file pixel by pixel",
        ".png",
    ),
    Form(
        "column-interleaved",
        "columns by turns from the left and the right picture, the first from the left one",
        "a screen with a parallax barrier or column lenses, showing the file pixel by pixel",
        ".png",
    ),
    Form(
        "checkerboard",
        "pixels by turns from the left and the right picture, the top left one from the left picture",
        "a 3D projector or screen set to checkerboard, with shutter glasses, pixel by pixel",
        ".png",
    ),
    Form(
        "card",
        "a stereo card of 3.5 x 7 in at 300 dpi on a sheet to print and to cut out",
        "a printer, scissors, and the classical hand viewer with two lenses",
        ".pdf",
    ),
    Form(
        "multi-picture",
        "both pictures in one file with their index (CIPA DC-007, multi-picture format)",
        "a 3D camera, frame, television or program that takes such files",
        ".mpo",
    ),
    Form(
        "heif",
        "both pictures in one HEIF file, told to be a stereo pair (ISO/IEC 23008-12, entity group ster)",
        "a headset or a program that takes such files; others show the left picture",
        ".heic",
        "heic",
    ),
    Form(
        "left-right",
        "both pictures at full size, one file for each eye",
        "a headset or a program that takes one picture for each eye",
        "",
    ),
    Form(
        "gltf",
        "the relief as a mesh with the picture on it (binary glTF), to be turned round on a screen",
        "a program or page that shows glTF; no glasses",
        ".glb",
    ),
    Form(
        "stl",
        "the relief as a closed body with a floor, to be printed and touched (STL, in mm)",
        "a 3D printer; then nothing but fingers",
        ".stl",
    ),
    Form(
        "clip",
        "a clip of 16:9 for a film or a talk: anaglyph, side by side, top-bottom, parallel, crossed or flat",
        "what its --packing says: glasses, a 3D screen, or nothing",
        ".mp4",
        "video",
    ),
    Form(
        "page",
        "one web page to send or host, in which viewers choose glasses, crossed, parallel, rocking or flat",
        "any browser of today, also on a phone; glasses only if they have some",
        ".html",
    ),
    Form(
        "lenticular",
        "views in between interlaced in strips, to be printed and covered with a lens sheet",
        "a fine printer and a lens sheet; then no device: each eye sees its own view",
        ".png",
    ),
    Form(
        "pitch-test",
        "bars to find out the printed pitch of a lens sheet, before the lenticular picture is made",
        "the same printer and lens sheet",
        ".png",
    ),
    Form(
        "swap-gif",
        "both views by turns: depth shows by movement, also with one eye",
        "nothing: any program that shows GIF",
        ".gif",
    ),
    Form(
        "swap-webp",
        "both views by turns, in full colour: depth shows by movement, also with one eye",
        "nothing: any browser of today",
        ".webp",
    ),
    Form(
        "rocking-gif",
        "a smooth move from view to view and back, through views reckoned in between",
        "nothing: any program that shows GIF",
        ".gif",
    ),
    Form(
        "rocking-webp",
        "a smooth move from view to view and back, in full colour",
        "nothing: any browser of today",
        ".webp",
    ),
    Form("swap-mp4", "both views by turns, as a video of 10 s", "nothing: any player", ".mp4", "video"),
    Form("rocking-mp4", "a smooth move from view to view and back", "nothing: any player", ".mp4", "video"),
)
"""Every form that can be asked for, in the order in which they are listed."""


def form_named(name: str, forms: Sequence[Form] = FORMS) -> Form:
    """Return the form of this name. Raises NearpairError that names the nearest ones."""
    known = {form.name: form for form in forms}
    if name in known:
        return known[name]
    near = difflib.get_close_matches(name.lower(), known, n=3, cutoff=0.5)
    near = (
        near or [form.name for form in forms if name.lower() in f"{form.name} {form.what} {form.needs}"][:3]
    )
    remedy = "See all with `nearpair export --list`."
    if near:
        remedy = f"Did you mean {' or '.join(near)}? {remedy}"
    raise NearpairError(f"There is no form named {name!r}.", remedy)
