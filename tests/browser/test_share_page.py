"""The share page in a real Chromium: what each way of looking shows, by mouse, keyboard and finger."""

import dataclasses
import io

import numpy as np
import pytest
from PIL import Image

from nearpair.colour.glasses import GLASSES
from nearpair.frames.profiles import srgb_profile
from nearpair.outputs.anaglyph import anaglyph
from nearpair.outputs.freeview import crossed, parallel
from nearpair.outputs.page import WITHOUT_GLASSES, Mixing, PageText, kinds_of_glasses, share_page

SIZE = (60, 90)
GAP = 0.1
ATTACK = '</script><script>document.title="hit"</script>'
VIEWS = [*GLASSES, *WITHOUT_GLASSES]


def jpeg(picture):
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "JPEG", quality=95, subsampling="4:4:4", icc_profile=srgb_profile())
    return file.getvalue()


def decoded(content):
    return np.asarray(Image.open(io.BytesIO(content)).convert("RGB"))


@pytest.fixture(scope="module")
def jpegs():
    noise = np.random.default_rng(5).integers(0, 256, (SIZE[0] // 6, SIZE[1] // 6 + 2, 3), np.uint8)
    wide = np.asarray(Image.fromarray(noise).resize((SIZE[1] + 12, SIZE[0]), Image.Resampling.BICUBIC))
    return [jpeg(np.ascontiguousarray(wide[:, x : x + SIZE[1]])) for x in (0, 3, 6)]


@pytest.fixture(scope="module")
def file(jpegs, tmp_path_factory):
    return written(tmp_path_factory.mktemp("page"), jpegs, Mixing(GLASSES["red-cyan"], "half-colour", {}))


def written(folder, jpegs, mixing):
    text = PageText(f"Quartz {ATTACK}", 'A "quoted" name', "Quartz <needles>")
    path = folder / "page.html"
    path.write_text(share_page(jpegs, SIZE, text, mixing, GAP, 0.02), "utf-8")
    return path


class Opened:
    """A page that was opened, with everything that it complained of or asked for."""

    def __init__(self, context, file):
        self.page = context.new_page()
        self.said, self.asked = [], []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(file.as_uri())
        self.page.wait_for_selector("body[data-ready]")

    def choose(self, name):
        self.page.check(f"input[value={name}]")

    def shown(self):
        """The pixels of the canvas."""
        width, height, flat = self.page.evaluate(
            "() => [canvas.width, canvas.height, "
            "[...paint.getImageData(0, 0, canvas.width, canvas.height).data]]"
        )
        return np.array(flat, np.uint8).reshape(height, width, 4)[..., :3]


@pytest.fixture
def opened(browser, file):
    context = browser.new_context()
    yield Opened(context, file)
    context.close()


@pytest.fixture
def calm(browser, file):
    """Opened by somebody who asked the system for reduced motion."""
    context = browser.new_context(reduced_motion="reduce")
    yield Opened(context, file)
    context.close()


def far(one, other):
    return int(np.abs(one.astype(int) - other).max())


@pytest.mark.parametrize("name", GLASSES)
def test_the_page_mixes_the_same_anaglyph_as_the_program(opened, jpegs, name):
    """In linear light, within one code: rounding of two programs."""
    opened.choose(name)
    expected = anaglyph(decoded(jpegs[0]), decoded(jpegs[-1]), GLASSES[name], "half-colour")
    assert far(opened.shown(), expected) <= 1


def test_a_method_without_a_matrix_is_shown_as_it_was_mixed(browser, jpegs, tmp_path):
    """For all kinds of glasses, and for measured ones, which come first."""
    own = dataclasses.replace(GLASSES["red-cyan"], name="mine", filters="own")
    views = decoded(jpegs[0]), decoded(jpegs[-1])
    made = {name: jpeg(anaglyph(*views, kind, "matched")) for name, kind in kinds_of_glasses(own).items()}
    context = browser.new_context()
    page = Opened(context, written(tmp_path, jpegs, Mixing(own, "matched", made)))
    assert page.page.evaluate("mode") == "mine"
    for name in ["mine", *GLASSES]:
        page.choose(name)
        page.page.wait_for_selector(f"body[data-drawn={name}]")
        assert far(page.shown(), decoded(made[name])) <= 1, name
    assert page.said == []
    context.close()


def test_ways_without_glasses(opened, jpegs):
    left, right = decoded(jpegs[0]), decoded(jpegs[-1])
    gap = round(GAP * SIZE[1])
    for name, expected in (
        ("flat", left),
        ("parallel", parallel(left, right, gap)),
        ("crossed", crossed(left, right, gap)),
    ):
        opened.choose(name)
        assert far(opened.shown(), expected) <= 1, name


def test_it_asks_for_nothing_and_complains_of_nothing(opened, file):
    for name in VIEWS:
        opened.choose(name)
    assert [url for url in opened.asked if not url.startswith("data:")] == [file.as_uri()]
    assert opened.said == []


def test_the_policy_stops_what_is_not_the_pages_own(opened):
    opened.page.evaluate(
        """() => {
          const script = document.createElement("script");
          script.textContent = "document.title = 'hit'";
          document.body.append(script);
          new Image().src = "http://127.0.0.1:9/x.png";
        }"""
    )
    assert opened.page.title() != "hit"
    opened.page.wait_for_timeout(50)
    assert sum("Content Security Policy" in text for text in opened.said) == 2


def test_what_people_wrote_stays_text(opened):
    assert opened.page.title().startswith("Quartz </script><script>")
    assert opened.page.inner_text("h1") == f"Quartz {ATTACK}"
    assert opened.page.get_attribute("canvas", "aria-label") == "Quartz <needles>"
    assert opened.page.get_attribute("img", "alt") == "Quartz <needles>"


def test_keys_choose(opened, jpegs):
    opened.page.keyboard.press(str(VIEWS.index("flat") + 1))
    assert far(opened.shown(), decoded(jpegs[0])) <= 1
    assert opened.page.evaluate("document.activeElement.value") == "flat"
    opened.page.keyboard.press("ArrowLeft")  # a group of choices moves with the arrows, as browsers have it
    assert opened.page.evaluate("mode") == "rocking"


def test_rocking_moves_and_stops_with_its_button(opened):
    opened.choose("rocking")
    for _ in range(100):
        if int(opened.page.input_value("#place")) > 60:
            break
        opened.page.wait_for_timeout(30)
    assert int(opened.page.input_value("#place")) > 60
    opened.page.click("#play")
    before = opened.shown()
    opened.page.wait_for_timeout(120)
    assert far(opened.shown(), before) == 0
    assert opened.page.inner_text("#play") == "Move"


def test_nothing_moves_by_itself_where_reduced_motion_is_asked_for(calm, jpegs):
    calm.choose("rocking")
    calm.page.wait_for_timeout(150)
    assert far(calm.shown(), decoded(jpegs[0])) <= 1
    calm.page.fill("#place", "100")  # by hand it does
    assert far(calm.shown(), decoded(jpegs[-1])) <= 1


def test_it_fits_a_phone_and_its_targets_are_large_enough(browser, file):
    """44 px: WCAG 2.2, 2.5.5 (enhanced)."""
    context = browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True)
    phone = Opened(context, file)
    phone.page.tap("label:has(input[value=parallel])")
    assert phone.page.evaluate("mode") == "parallel"
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 360
    heights = phone.page.evaluate("[...document.querySelectorAll('.choice')].map((c) => c.offsetHeight)")
    assert min(heights) >= 44
    context.close()


def test_without_scripts_the_left_picture_is_there(browser, file):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(file.as_uri())
    assert page.is_visible("img >> nth=0")
    assert not page.is_visible("form")
    assert "allow scripts" in page.content()
    context.close()


def test_cautions_are_there(opened):
    text = opened.page.text_content("footer")
    assert "Stop and rest" in text
    assert "eye-care professional" in text
