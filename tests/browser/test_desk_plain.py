"""The mounting desk where the browser shows no WebGL2: it says so, and shows the same picture."""

import numpy as np
import pytest

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from nearpair.outputs.anaglyph import anaglyph
from nearpair.shoot.decisions import load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import glasses_named
from nearpair.shoot.shown import pair_as_seen
from support.chromium import FLAGS, installed
from support.desk_page import Desk


@pytest.fixture
def plain(browser, shoot):
    """The desk in a browser without any 3D drawing."""
    flags = [*FLAGS, "--disable-3d-apis"]
    chromium = browser.browser_type.launch(executable_path=installed(), args=flags)
    with serving(Session(shoot)) as address:
        desk = Desk(chromium, address)
        yield desk.wait("window.desk?.picture?.first > 0")
        chromium.close()


def test_the_picture_is_what_export_writes_and_the_job_can_be_done(plain, shoot):
    """Within 1 of 255 by a matrix, and to the byte where the desk mixes; a click is followed and mounted."""
    assert plain.tell("document.createElement('canvas').getContext('webgl2')") is None
    assert "no WebGL2" in plain.page.inner_text("#plainly")
    left, right = pair_as_seen(ShootFolder(shoot))
    plain.page.click("#pixels")
    for method, most in (("half-colour", 1), ("matched", 0)):
        plain.page.select_option("#method", method)
        plain.wait(f"desk.state.decisions.colour.method === '{method}'").rest()
        glasses = glasses_named(load(shoot / "shoot.toml").colour.glasses)
        expected = anaglyph(left, right, glasses, method)
        assert np.abs(plain.crop().astype(int) - expected).max() <= most
    for look, picture in (("left", left), ("right", right)):
        plain.page.click(f"#look-{look}")
        plain.rest()
        assert (plain.crop() == picture).all()
    plain.page.click("#look-parallel")
    plain.rest()
    key = plain.tell("desk.state.pair.key")
    plain.page.click("#canvas", position={"x": 200, "y": 300})
    plain.wait(f"desk.state.pair.key !== '{key}'").rest()
    assert isinstance(load(shoot / "shoot.toml").mounting.window, tuple)
    assert not plain.tell("document.getElementById('older-again').disabled")
    assert plain.said == []
