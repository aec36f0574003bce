"""A small pair whose every measure is known, and a proof of it."""

from types import SimpleNamespace

import numpy as np
import pytest

from nearpair.colour.glasses import GLASSES
from nearpair.optics.viewing import Viewing
from nearpair.outputs.anaglyph import anaglyph
from nearpair.proof.assemble import Inputs, assemble
from nearpair.proof.model import Eyes, Focus, Mounting, Residual, Station

HEIGHT, WIDTH = 200, 320


def shifted_pair(parallax_px, seed=3):
    """Textured left picture and its right partner: right(x + parallax) = left(x), parallax an (H, W) map."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(60, 200, (HEIGHT // 2, WIDTH // 2, 3), dtype=np.uint8)
    left = np.repeat(np.repeat(coarse, 2, axis=0), 2, axis=1)
    right = rng.integers(60, 200, left.shape, dtype=np.uint8)
    rows, columns = np.indices(parallax_px.shape)
    for depth in sorted(set(parallax_px.ravel()), reverse=True):  # far first, near over it
        here = (parallax_px == depth) & (columns + depth >= 0) & (columns + depth < WIDTH)
        right[rows[here], (columns[here] + int(depth))] = left[rows[here], columns[here]]
    return left, right


def layered_parallax(near=-6, far=10):
    """A square in front of a wall."""
    parallax = np.full((HEIGHT, WIDTH), float(far), np.float32)
    parallax[60:140, 100:220] = near
    return parallax


def station(name, kind="rail", **changes):
    """A faultless stack of five frames."""
    values = {
        "frames": [f"{name}_{number}.jpg" for number in range(5)],
        "order": "far-to-near",
        "kind": kind,
        "order_confidence": 0.95,
        "focus": Focus(
            covered_fraction=0.97,
            starts_sharp=False,
            ends_sharp=False,
            share_per_frame=[0.1, 0.2, 0.4, 0.2, 0.1],
        ),
    }
    return Station(name=name, **{**values, **changes})


def mounting(**changes):
    """A sound pair's mounting."""
    values = {
        "rotation_deg": 0.1,
        "scale": 1.001,
        "vertical_px": 1.5,
        "shift_px": 12.0,
        "window_point_px": (160.0, 100.0),
        "crop_px": (0, 0, WIDTH, HEIGHT),
        "residual_vertical_px": Residual(rms=0.2, p95=0.4),
    }
    return Mounting(**{**values, **changes})


def make_inputs(parallax=None, **changes):
    """Inputs of a sound pair; `changes` replace single fields."""
    parallax = layered_parallax() if parallax is None else parallax
    left, right = changes.pop("views", None) or shifted_pair(parallax)
    glasses, method = GLASSES[changes.pop("glasses", "red-cyan")], changes.pop("method", "least-squares")
    values = {
        "left": left,
        "right": right,
        "anaglyph": anaglyph(left, right, glasses, method),
        "parallax": parallax,
        "viewing": Viewing(screen_width_mm=200, distance_mm=600),
        "glasses": glasses,
        "method": method,
        "stations": [station("west"), station("east")],
        "eyes": Eyes(left="west", right="east", confidence=0.97),
        "mounting": mounting(),
        "set_aside": [],
        "notes": [],
    }
    return Inputs(**{**values, **changes})


@pytest.fixture(scope="session")
def proof():
    """The proof of the sound pair."""
    return assemble(make_inputs())


@pytest.fixture(scope="session")
def lab():
    """The helpers above, for the tests."""
    return SimpleNamespace(
        height=HEIGHT,
        width=WIDTH,
        shifted_pair=shifted_pair,
        layered_parallax=layered_parallax,
        station=station,
        mounting=mounting,
        make_inputs=make_inputs,
    )
