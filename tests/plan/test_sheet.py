"""Shot sheets: one page of paper, a page for the phone, a drawing to scale."""

import io
import math
import re
from dataclasses import replace
from html.parser import HTMLParser

import pypdfium2
import pytest

from nearpair.pages import allowed
from nearpair.plan.compute import plan
from nearpair.plan.diagram import diagram
from nearpair.plan.drawing import Path, Words, svg
from nearpair.plan.request import Camera, Request, Subject
from nearpair.plan.sheet_page import SCRIPT, page
from nearpair.plan.sheet_pdf import laid_out, pdf


def text_of(data):
    document = pypdfium2.PdfDocument(io.BytesIO(data))
    assert len(document) == 1
    found = document[0].get_textpage().get_text_bounded()
    size = document[0].get_size()
    document.close()
    return found, size


@pytest.fixture
def long(camera):
    return Request(replace(camera, f_number=4.0), Subject(depth_mm=12, deepest_mm=30, magnification=1))


@pytest.fixture
def landscape():
    return Request(Camera(36, 24, 50), Subject(near_mm=2500, far_mm=math.inf))


def test_the_paper_has_every_reading_and_all_cautions_on_one_page(mineral):
    found = plan(mineral, "1")
    text, size = text_of(pdf(found, "Quartz"))
    assert size == pytest.approx((595.3, 841.9), abs=0.1)  # A4, ISO 216
    assert "Quartz" in text
    for each in found.stack.positions_mm:
        assert f"{each:.2f}" in text
    flat = " ".join(text.split())
    assert all(caution in flat for caution in found.cautions)
    assert "base 13 mm" in flat


@pytest.mark.parametrize("request_", ["mineral", "long", "landscape"])
def test_same_plan_same_bytes(request_, request):
    found = plan(request.getfixturevalue(request_), "1")
    assert pdf(found) == pdf(found)
    assert page(found) == page(found)
    assert text_of(pdf(found))[0]


def test_a_stack_too_long_for_the_page_says_where_the_rest_is(long):
    longer = replace(long, camera=replace(long.camera, f_number=2.0))
    text, _ = text_of(pdf(plan(longer, "1")))
    assert re.search(r"One in \d of \d+ positions", text)


@pytest.mark.parametrize(
    ("frames", "room", "columns"), [(20, 110, 5), (90, 110, 5), (240, 110, 5), (900, 60, 3), (1, 50, 1)]
)
def test_readings_are_laid_out_within_their_room(frames, room, columns):
    grid = laid_out(frames, room, columns)
    shown = math.ceil(frames / grid.every)
    assert math.ceil(shown / grid.rows) <= columns
    assert grid.rows * grid.row_mm <= room + 1e-9
    assert 2.2 < grid.row_mm <= 5.6


class _Seen(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.addresses = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.addresses += [value for name, value in attrs if name in ("src", "href")]


def test_the_phone_page_has_a_box_for_every_frame_and_fetches_nothing(mineral):
    found = plan(mineral, "1")
    text = page(found, "Quartz <1> & Co")
    seen = _Seen()
    seen.feed(text)
    assert text.count('<input type="checkbox">') == len(found.readings)
    assert seen.addresses == []
    assert "Quartz &lt;1&gt; &amp; Co" in text
    assert allowed(SCRIPT) in text
    assert seen.tags.count("script") == 1
    assert text.split("<script>")[1].split("</script>")[0] == SCRIPT  # what the policy allows, to the letter


def test_ticks_of_another_plan_are_not_shown(mineral):
    ids = {
        re.search(r'data-plan="(\w+)"', page(plan(replace(mineral, base_mm=base), "1")))[1]
        for base in (10, 11)
    }
    assert len(ids) == 2


def test_the_drawing_is_to_scale(mineral):
    found = plan(mineral, "1")
    drawn = diagram(found, 180, 3, 75)
    paths = [item for item in drawn.items if isinstance(item, Path)]
    base = next(item for item in paths if item.tone == "warn")
    scale = (base.points[1][1] - base.points[0][1]) / found.stereo.base_mm
    subject = next(item for item in paths if item.filled)
    xs = sorted({x for x, _ in subject.points})
    assert (xs[1] - xs[0]) / scale == pytest.approx(20)
    assert (xs[0] - base.points[0][0]) / scale == pytest.approx(found.stack.near_mm)
    rail = next(item for item in paths if item.width == 0.5 and item.points[0][1] == item.points[1][1])
    assert (rail.points[1][0] - rail.points[0][0]) / scale == pytest.approx(found.stack.travel_mm)


@pytest.mark.parametrize("request_", ["mineral", "long", "landscape"])
def test_the_drawing_stays_on_its_sheet(request_, request):
    drawn = diagram(plan(request.getfixturevalue(request_), "1"), 100, 3.9, 90)
    for item in drawn.items:
        points = [(item.x, item.y)] if isinstance(item, Words) else item.points
        for x, y in points:
            assert -0.01 <= x <= 100.01
            assert -0.01 <= y <= drawn.height


def test_texts_in_a_drawing_are_escaped(mineral):
    drawn = diagram(plan(mineral, "1"), 100, 3.9, 90)
    odd = replace(drawn, title='a "<b>', items=[Words(0, 0, "<script>", 3)])
    assert "<script>" not in svg(odd)
    assert "&lt;script&gt;" in svg(odd)
