"""Meshes of a relief, read back by trimesh: true lengths, closed bodies, cuts at jumps.

Lengths are checked against central projection (elementary geometry): a pixel at distance Z covers Z/f.
"""

import io

import numpy as np
import pytest
import trimesh
from PIL import Image

from nearpair.errors import NearpairError
from nearpair.frames.mesh import glb, stl
from nearpair.outputs.relief import Scale, assumed, depth_of, solid, surface

HEIGHT, WIDTH = 40, 60
DISTANCE_MM, FOCAL_PX = 200.0, 1000.0
SCALE = Scale(DISTANCE_MM / FOCAL_PX, 1 / FOCAL_PX)  # a pixel at depth d behind the window is (Z + d)/f wide
RAMP = np.tile(np.linspace(-3, 3, WIDTH, dtype=np.float32), (HEIGHT, 1))


def jpeg():
    file = io.BytesIO()
    Image.new("RGB", (WIDTH, HEIGHT), (200, 40, 30)).save(file, "JPEG")
    return file.getvalue()


def loaded(content, kind):
    return trimesh.load(io.BytesIO(content), file_type=kind, force="mesh", process=False)


def printed(depth, scale=SCALE, columns=60):
    mesh = solid(depth, scale, columns)
    return trimesh.load(io.BytesIO(stl(mesh.vertices, mesh.triangles)), file_type="stl", force="mesh")


def test_a_printed_body_is_closed_and_has_its_size_in_mm():
    body = printed(RAMP)
    assert body.is_watertight
    assert body.is_winding_consistent
    assert body.volume > 0
    low, high = body.bounds
    # the far side (depth 3) is the wider one: half of the width, at the middle of the outermost pixel
    assert high[0] == pytest.approx((WIDTH - 1) / 2 * (DISTANCE_MM + 3) / FOCAL_PX, rel=1e-5)
    assert low[0] == pytest.approx(-(WIDTH - 1) / 2 * (DISTANCE_MM - 3) / FOCAL_PX, rel=1e-5)
    assert high[2] == pytest.approx(3.0)  # towards the viewer
    assert low[2] == pytest.approx(-3.0 - 0.04 * 0.2 * (WIDTH - 1))


def test_the_volume_of_a_flat_plate():
    body = printed(np.zeros((HEIGHT, WIDTH), np.float32))
    wide, high = (WIDTH - 1) * 0.2, (HEIGHT - 1) * 0.2
    assert body.volume == pytest.approx(wide * high * 0.04 * wide, rel=1e-4)


def test_a_body_with_jumps_is_closed_as_well():
    depth = RAMP.copy()
    depth[10:30, 20:40] = -30
    assert printed(depth).is_watertight


def test_the_textured_mesh_is_in_metres_and_carries_its_picture():
    mesh = surface(RAMP, SCALE, 60)
    found = loaded(glb(mesh.vertices, mesh.triangles, mesh.places, jpeg(), "ramp"), "glb")
    assert found.extents[0] * 1000 == pytest.approx(np.ptp(mesh.vertices[:, 0]), rel=1e-5)
    assert len(found.faces) == 2 * (HEIGHT - 1) * (WIDTH - 1)
    assert found.face_normals[:, 2].min() > 0  # all look at the viewer
    assert found.visual.material.baseColorTexture.size == (WIDTH, HEIGHT)
    # trimesh counts v upwards from the bottom: the top left vertex lies at the picture's top left
    top_left = np.argmin(found.vertices[:, 0] - found.vertices[:, 1])
    assert found.visual.uv[top_left] == pytest.approx([0.5 / WIDTH, 1 - 0.5 / HEIGHT], abs=1e-5)


def test_it_is_cut_where_depth_jumps_and_only_there():
    depth = RAMP.copy()
    depth[:, WIDTH // 2 :] += 20
    mesh = surface(depth, SCALE, 60)
    assert len(mesh.triangles) == 2 * (HEIGHT - 1) * (WIDTH - 2)
    body = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    assert len(body.split(only_watertight=False)) == 2


def test_fewer_columns_keep_the_size():
    wide, narrow = (np.ptp(surface(RAMP * 0, SCALE, columns).vertices[:, 0]) for columns in (60, 20))
    assert wide / (WIDTH - 1) * WIDTH == pytest.approx(narrow / 19 * 20)


def test_depth_is_looked_up_by_parallax():
    parallax = np.linspace(-10, 10, WIDTH, dtype=np.float32)[None].repeat(HEIGHT, axis=0)
    depth = np.asarray(60 * parallax / (30 - parallax), np.float32)  # Z grows as 1/disparity
    told = parallax.copy()
    told[:, 7:20] = np.nan
    assert np.abs(depth_of(parallax, told, depth) - depth).max() < 0.6
    with pytest.raises(NearpairError, match="No depth is known"):
        depth_of(parallax, told * np.nan, depth)


def test_assumed_lengths_are_as_they_are_told():
    depth, scale = assumed(np.full((4, 50), 1.0, np.float32))
    assert scale.window_mm * 50 == pytest.approx(100.0)
    # base = distance / 30, so parallax of 1 px (2 mm in the window) is 60 mm behind it
    assert depth == pytest.approx(60.0)
