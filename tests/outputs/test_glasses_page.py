"""The page for measuring glasses: it fetches nothing, and its arithmetic is that of `colour.calibration`."""

import json
import re

from nearpair.colour.glasses import GLASSES
from nearpair.outputs.glasses_page import glasses_page

PAGE = glasses_page()
FACTS = json.loads(re.search(r'id="facts">(.*?)</script>', PAGE)[1])


def test_the_page_fetches_nothing():
    assert re.findall(r"""(?:src|href)\s*=\s*["']|https?:|@import|url\(""", PAGE) == []
    assert "default-src 'none'" in PAGE


def test_it_has_cautions_labels_and_no_motion():
    assert "Cautions." in PAGE
    assert 'for="level"' in PAGE
    assert 'for="kind"' in PAGE
    assert "transition: none; animation: none" in PAGE
    assert not re.search(r"setInterval|setTimeout|requestAnimationFrame|@keyframes", PAGE)


def test_every_kind_of_glasses_can_be_measured():
    assert set(FACTS["kinds"]) == set(GLASSES)
    assert all(f"<option>{kind}</option>" in PAGE for kind in GLASSES)
    assert FACTS["kinds"]["red-cyan"] == {"left": 0, "right": 1, "filters": ["red", "cyan"]}
