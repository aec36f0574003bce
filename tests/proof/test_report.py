"""The page: self-contained, escaped, well-formed, in order; and the pictures on it."""

import re
from html.parser import HTMLParser
from io import BytesIO
from itertools import pairwise

import msgspec
import numpy as np
import pytest
from PIL import Image

from nearpair.errors import NearpairError
from nearpair.proof.model import DepthOfField, EyeCue, FocusGap, SetAside
from nearpair.proof.model_advice import Finding
from nearpair.proof.model_pairs import Candidate
from nearpair.proof.pictures import depth_picture, legend, thumbnail
from nearpair.proof.report import PICTURES, render, with_code
from nearpair.proof.words import VERDICTS

replace = msgspec.structs.replace
VOID = {"meta", "img", "br", "line", "rect", "path"}
HOSTILE = '<script>alert("1")</script>&\'{{ 7 * 7 }}'


def _file(kind):
    buffer = BytesIO()
    Image.new("RGB", (4, 3), (9, 9, 9)).save(buffer, kind)
    return buffer.getvalue()


@pytest.fixture(scope="module")
def pictures():
    return {"anaglyph": _file("JPEG"), "left": _file("JPEG"), "right": _file("JPEG"), "depth": _file("PNG")}


class _Page(HTMLParser):
    """Collects tags, attributes and text, and checks that tags are closed in order."""

    def __init__(self, page):
        super().__init__()
        self.open, self.tags, self.attributes, self.headings, self.text = [], [], [], [], ""
        self.feed(page)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.text += data
        if self.open and re.fullmatch("h[1-6]", self.open[-1]):
            self.headings.append((int(self.open[-1][1]), data))


def test_the_page_asks_for_nothing_and_runs_nothing(proof, pictures):
    page = _Page(render(proof, pictures))
    assert not {"script", "iframe", "link", "object", "embed", "form"} & set(page.tags)
    links = [
        value for _, name, value in page.attributes if name in ("src", "href", "srcset", "action", "poster")
    ]
    assert len(links) == 4
    assert all(value.startswith(("data:image/jpeg;base64,", "data:image/png;base64,")) for value in links)
    assert "url(" not in render(proof, pictures)
    policy = [value for tag, name, value in page.attributes if (tag, name) == ("meta", "content")]
    assert "default-src 'none'; img-src data:; style-src 'unsafe-inline'" in policy


def test_names_from_outside_are_text(proof, pictures):
    station = replace(
        proof.stations[0],
        name=HOSTILE,
        frames=[HOSTILE] * 5,
        focus=replace(proof.stations[0].focus, gaps=[FocusGap(after_frame=1)]),
    )
    eyes = replace(
        proof.eyes,
        left=HOSTILE,
        evidence=[EyeCue(cue=HOSTILE, left=HOSTILE, weight=1, detail=HOSTILE)],
        contradiction=HOSTILE,
    )
    hostile = replace(
        proof,
        stations=[station, *proof.stations[1:]],
        eyes=eyes,
        set_aside=[SetAside(file=HOSTILE, reason=HOSTILE)],
        advice=[
            Finding(code=HOSTILE, severity="care", text=HOSTILE, remedy=f"`{HOSTILE}`", measured=HOSTILE)
        ],
        notes=[HOSTILE],
    )
    text = render(hostile, pictures)
    page = _Page(text)
    assert "script" not in page.tags
    assert "<script" not in text
    assert page.text.count(HOSTILE) >= 10
    assert "49" not in page.text.split("Glossary")[0].replace(HOSTILE, "").split("Figures")[0]


def test_order_of_the_page_and_of_its_headings(proof, pictures):
    page = _Page(render(proof, pictures))
    levels = [level for level, _ in page.headings]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert [text for level, text in page.headings if level == 2] == [
        "What to do",
        "How much depth",
        "The pair",
        "Depth map",
        "Focus",
        "Which view is which eye",
        "Figures",
        "Cautions",
        "Glossary",
    ]
    assert page.text.index(VERDICTS[proof.verdict][1]) < page.text.index("What to do")


def test_every_picture_has_words_and_may_be_missing(proof, pictures):
    page = _Page(render(proof, pictures))
    assert (
        page.tags.count("img")
        == sum(1 for tag, name, value in page.attributes if name == "alt" and value)
        == 4
    )
    bare = _Page(render(proof, {}))
    assert "img" not in bare.tags
    assert "Depth map" not in bare.text


def test_cautions_are_always_there(proof):
    text = re.sub(r"\s+", " ", _Page(render(proof, {})).text)
    for words in (
        "headache",
        "double vision",
        "photosensitive epilepsy",
        "1 in 14 people",
        "children under six",
    ):
        assert words in text


def test_focus_bars_one_for_each_frame_and_a_mark_for_each_gap(proof):
    focus = replace(proof.stations[0].focus, gaps=[FocusGap(after_frame=1), FocusGap(after_frame=3)])
    gapped = replace(proof, stations=[replace(proof.stations[0], focus=focus), *proof.stations[1:]])
    page = _Page(render(replace(gapped, seen=None), {}))
    assert page.tags.count("rect") == 10
    assert [value for tag, name, value in page.attributes if (tag, name) == ("path", "d")] == [
        "M40 0V58",
        "M80 0V58",
    ]
    assert "2 slices are missing" in page.text
    heights = [float(value) for tag, name, value in page.attributes if (tag, name) == ("rect", "height")]
    assert heights[:5] == pytest.approx([12, 24, 48, 24, 12])


def test_single_frames_have_no_bars(proof):
    single = replace(proof.stations[0], kind="single", depth_of_field=DepthOfField(unsharp_fraction=0.31))
    page = _Page(render(replace(proof, stations=[single], seen=None), {}))
    assert "svg" not in page.tags
    assert "31 % of the textured picture is not sharp" in page.text


def test_unknown_measures_are_words_not_numbers(lab):
    from nearpair.proof.assemble import assemble

    grey = np.full((lab.height, lab.width, 3), 90, np.uint8)
    nothing = np.full((lab.height, lab.width), np.nan, np.float32)
    page = _Page(render(assemble(lab.make_inputs(nothing, views=(grey, grey))), {}))
    assert "not known" in page.text
    assert not re.search(r"\b(nan|inf|None)\b", page.text)


def test_the_pairs_that_several_stations_can_make(proof):
    good = {"base_share": 0.5, "base_mm": 6.0, "near_arcmin": -4.0, "far_arcmin": 42.4, "used_share": 0.38}
    listed = [
        Candidate(
            left="west", right=HOSTILE, relief=76.0, verdict="comfortable", reason="a", chosen=True, **good
        ),
        Candidate(left="west", right="far east", verdict="not comparable", reason="only 3 points"),
    ]
    text = re.sub(r"\s+", " ", _Page(render(replace(proof, candidates=listed), {})).text)
    assert f"west and {HOSTILE} (chosen) 0.50 (6.0 mm) -4 to +42 38 % 76 comfortable" in text
    assert "not comparable: only 3 points" in text
    # with one pair there is nothing to compare
    assert "Pairs that" not in render(replace(proof, candidates=listed[:1]), {})


def test_refusals(proof):
    named = "must be named anaglyph, left, right, depth, above, before, found cover"
    with pytest.raises(NearpairError, match=named):
        render(proof, {"cover": b""})
    with pytest.raises(NearpairError, match="picture left must be a JPEG or PNG file"):
        render(proof, {"left": b"GIF89a"})
    assert set(PICTURES) == {"anaglyph", "left", "right", "depth", "above", "before"}


def test_same_proof_same_page(proof, pictures):
    assert render(proof, pictures) == render(proof, pictures)


def test_code_marks():
    assert with_code("do `a < b` now") == "do <code>a &lt; b</code> now"
    assert with_code("no <marks>") == "no &lt;marks&gt;"


def test_depth_picture_rises_in_lightness_towards_the_viewer():
    parallax = np.linspace(-10, 20, 31, dtype=np.float32)[None]
    picture = depth_picture(parallax, -10, 20)[0]
    lightness = picture.astype(float) @ [0.299, 0.587, 0.114]
    assert (np.diff(lightness) < 0).all()
    assert [value for value, _ in legend(-10, 20, 4)] == [20, 10, 0, -10]
    assert legend(-10, 20, 4)[0][1] == "#" + bytes(picture[-1]).hex()
    np.testing.assert_array_equal(depth_picture(np.float32([[-50, 99]]), -10, 20)[0], picture[[0, -1]])


def test_unknown_depth_is_hatched_in_grey():
    picture = depth_picture(np.full((40, 40), np.nan, np.float32), -1, 1)
    assert (picture[..., 0] == picture[..., 2]).all()
    assert set(np.unique(picture)) == {136, 176}
    assert depth_picture(np.zeros((2, 2), np.float32), 0, 0).shape == (2, 2, 3)


def test_thumbnails_keep_proportions_and_never_grow():
    picture = np.full((100, 301, 3), 32896, np.uint16)
    small = thumbnail(picture, 60)
    assert small.shape == (20, 60, 3)
    assert small.dtype == np.uint8
    assert (small == 128).all()
    assert thumbnail(small, 500).shape == small.shape
    assert thumbnail(small, 500) is not small


@pytest.mark.parametrize(
    ("share", "digits", "text"),
    [
        (0.031, 0, "3 %"),
        (0.031, 1, "3.1 %"),
        (1.0, 0, "100 %"),
        (0.9999, 0, "over 99 %"),
        (0.9999, 1, "over 99.9 %"),
        (0.0, 0, "0 %"),
        (0.0004, 0, "under 1 %"),
        (0.0004, 1, "under 0.1 %"),
    ],
)
def test_percentages_never_claim_all_or_nothing_for_less(share: float, digits: int, text: str) -> None:
    from nearpair.proof.phrases import percent

    assert percent(share, digits) == text
