"""The page for measuring glasses: it fetches nothing, and its arithmetic is that of `colour.calibration`."""

import json
import re
import shutil
import subprocess
import tomllib

import numpy as np
import pytest

from nearpair.colour.calibration import calibrated, shares_passed
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


@pytest.mark.skipif(shutil.which("node") is None, reason="needs a JavaScript engine on the command line")
def test_what_it_saves_is_what_the_matches_say():
    script = PAGE.split("<script>")[1].split("</script>")[0].split("let kind =")[0]
    script = re.sub(r"const facts = .*?;\n", f"const facts = {json.dumps(FACTS)};\n", script, count=1)
    script += """
    const list = tasks("red-cyan"), levels = [-20, -220, -240, -70, -215, -150];
    list.forEach((task, number) => { task.level = levels[number]; });
    console.log(JSON.stringify([list, worked(list), written("red-cyan", worked(list)), levels.map(ratio)]));
    """
    ran = subprocess.run(["node", "-e", script], capture_output=True, text=True, check=True)
    tasks, shares, text, ratios = json.loads(ran.stdout)
    assert [(task["eye"], task["own"], task["colour"]) for task in tasks] == [
        ("left", 0, 0),
        ("left", 0, 1),
        ("left", 0, 2),
        ("right", 1, 1),
        ("right", 1, 0),
        ("right", 1, 2),
    ]
    np.testing.assert_allclose(shares["left"], shares_passed(0, ratios[0], (1, ratios[1], ratios[2])))
    np.testing.assert_allclose(shares["right"], shares_passed(1, ratios[3], (ratios[4], 1, ratios[5])))
    made = calibrated(tomllib.loads(text))
    np.testing.assert_allclose(made.display.left[1] / made.display.bare[1], shares["left"], atol=1e-5)
