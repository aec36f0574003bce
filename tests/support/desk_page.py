"""The mounting desk's page in a browser, for tests."""

import time
from base64 import b64decode

import numpy as np


class Desk:
    """The page, opened, with everything that it complained of or asked for."""

    def __init__(self, browser, address, size=(1200, 900), motion="no-preference"):
        width, height = size
        self.context = browser.new_context(
            viewport={"width": width, "height": height}, reduced_motion=motion, accept_downloads=True
        )
        self.page = self.context.new_page()
        self.said, self.asked = [], []
        self.page.on("console", self._heard)
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.address = address
        self.page.goto(address)

    def _heard(self, message):
        if "GL Driver Message" not in message.text:  # reading pixels back, as only tests do, is slow
            self.said.append(message.text)

    def tell(self, script):
        return self.page.evaluate(script)

    def wait(self, script, seconds=60):
        end = time.monotonic() + seconds
        while not self.tell(script):
            assert time.monotonic() < end, (script, self.said, self.tell("document.body.innerText"))
            time.sleep(0.03)
        return self

    def rest(self):
        """Wait until nothing is under way and the picture is exact."""
        quiet = "desk.state.job.state !== 'running' && desk.picture?.atRest && !desk.busy"
        return self.wait(quiet)

    def pixels(self, canvas="canvas"):
        """A canvas, top row first, (H, W, 3)."""
        script = """(id) => { const c = document.getElementById(id), gl = c.getContext('webgl2');
            let p = new Uint8Array(4 * c.width * c.height);
            if (gl) {
              gl.bindFramebuffer(gl.FRAMEBUFFER, null);
              gl.readPixels(0, 0, c.width, c.height, gl.RGBA, gl.UNSIGNED_BYTE, p);
            } else { p = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; }
            let s = ''; for (let i = 0; i < p.length; i += 8192) {
              s += String.fromCharCode(...p.subarray(i, i + 8192)); }
            return [c.width, c.height, btoa(s), Boolean(gl)]; }"""
        width, height, data, from_below = self.page.evaluate(script, canvas)
        flat = np.frombuffer(b64decode(data), np.uint8).reshape(height, width, 4)
        return flat[:: -1 if from_below else 1, :, :3]

    def crop(self):
        """What the canvas shows of the crop at 1 : 1."""
        view, (x, y, width, height) = (
            self.tell("desk.picture.view"),
            self.tell("desk.state.pair.mounting.crop_px"),
        )
        seen = self.pixels()
        left = round(x - view["x"] + seen.shape[1] / 2)
        top = round(y - view["y"] + seen.shape[0] / 2)
        assert left >= 0
        assert top >= 0
        return seen[top : top + height, left : left + width]
