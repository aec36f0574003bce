"""The proof on paper: its words are those of the page, it opens, and its bytes are always the same."""

import io

import numpy as np
import pypdfium2
from PIL import Image

from nearpair.proof.figures import figures
from nearpair.proof.report_pdf import pdf
from nearpair.proof.where import Pair, where


def jpeg(picture):
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG")
    return out.getvalue()


def test_the_paper_has_pages_and_the_same_bytes_again(lab):
    from nearpair.proof.assemble import assemble

    inputs = lab.make_inputs(lab.layered_parallax(near=-6, far=24))
    proof = assemble(inputs)
    pair = Pair(inputs.left, inputs.right, inputs.anaglyph, inputs.parallax, inputs.glasses)
    places = {code: (jpeg(place.picture), place.caption) for code, place in where(pair, proof).items()}
    assert "too-deep-for-screen" in places
    pictures = {"anaglyph": jpeg(inputs.anaglyph)}
    made = pdf(proof, pictures, places)
    assert made.startswith(b"%PDF-")
    assert made.count(b"/Type /Page\n") >= 2
    assert made == pdf(proof, pictures, places)
    pages = [page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(made)]
    titles = {"Figures", "Cautions", "What to do", *(group.title for group in figures(proof))}
    assert not titles & {page.splitlines()[-1] for page in pages}  # no heading without what it heads


def test_the_place_that_is_too_deep_is_marked_where_it_is(lab):
    """Only the wall lies beyond one degree: blue there, nothing on the square before it."""
    from nearpair.proof.assemble import assemble

    inputs = lab.make_inputs(lab.layered_parallax(near=-6, far=24))
    pair = Pair(inputs.left, inputs.right, inputs.anaglyph, inputs.parallax, inputs.glasses)
    picture = where(pair, assemble(inputs))["too-deep-for-screen"].picture.astype(int)
    blueness = picture[..., 2] - picture[..., 0]
    assert np.median(blueness[:50]) > 40
    assert np.median(blueness[70:130, 110:210]) == 0
