"""The page for measuring glasses in a real Chromium: its arithmetic is that of `colour.calibration`."""

import tomllib

import numpy as np

from nearpair.colour.calibration import calibrated, shares_passed
from nearpair.outputs.glasses_page import glasses_page

MATCHED = """() => {
    const list = tasks("red-cyan"), levels = [-20, -220, -240, -70, -215, -150];
    list.forEach((task, number) => { task.level = levels[number]; });
    return [list, worked(list), written("red-cyan", worked(list)), levels.map(ratio)];
}"""


def test_what_it_saves_is_what_the_matches_say(browser, tmp_path):
    file = tmp_path / "glasses.html"
    file.write_text(glasses_page(), "utf-8")
    page = browser.new_page()
    page.goto(file.as_uri())
    tasks, shares, text, ratios = page.evaluate(MATCHED)
    page.close()
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
