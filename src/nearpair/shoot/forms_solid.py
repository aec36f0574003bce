"""Makers of the forms in space: the relief as a textured mesh, and as a body to be printed."""

import io
from pathlib import Path

import numpy as np
from PIL import Image

from nearpair.errors import PairError
from nearpair.frames.mesh import glb, stl
from nearpair.outputs.relief import ASSUMED_WIDTH_MM, Scale, assumed, depth_of, solid, surface
from nearpair.pairs.between import FEWEST_KNOWN, completed
from nearpair.pixels.luma import Plane
from nearpair.proof.model import Metric
from nearpair.shoot.atomic import write_whole
from nearpair.shoot.material import Material, Sized

_TEXTURE_PX, _QUALITY = 2048, 90
_COLUMNS, _COLUMNS_PRINTED = 500, 400
_WORKED_ON_PX = 1000
_HELD_BETWEEN = (0.2, 99.8)  # percentiles of parallax: a few wrong pixels must not drive spikes or the floor


def gltf_form(material: Material, path: Path) -> list[str]:
    """The relief as a binary glTF with the left picture on it."""
    depth, scale, notes = _relief(material)
    mesh = surface(depth, scale, _COLUMNS)
    picture = io.BytesIO()
    view = material.sized(_TEXTURE_PX).left
    Image.fromarray(view).save(
        picture, "JPEG", quality=_QUALITY, subsampling="4:4:4", icc_profile=material.profile
    )
    name = material.about.caption or "relief"
    if mesh.places is None:
        raise ValueError("a surface has places in its picture")
    write_whole(path, glb(mesh.vertices, mesh.triangles, mesh.places, picture.getvalue(), name))
    return [*notes, "It is open where depth jumps: nobody saw what lies behind. glTF counts in metres."]


def stl_form(material: Material, path: Path) -> list[str]:
    """The relief as a closed body."""
    depth, scale, notes = _relief(material)
    mesh = solid(depth, scale, _COLUMNS_PRINTED)
    write_whole(path, stl(mesh.vertices, mesh.triangles))
    sides = np.ptp(mesh.vertices, axis=0)
    size = " x ".join(f"{side:.3g}" for side in sides)
    return [
        *notes,
        f"The body measures {size} mm (width, height, depth with its floor). STL has no unit: take mm.",
    ]


def _relief(material: Material) -> tuple[Plane, Scale, list[str]]:
    """Complete depth in mm behind the window, the size of its pixels, and what has to be said of both."""
    pair = material.at_most(_WORKED_ON_PX)
    if np.count_nonzero(np.isfinite(pair.parallax)) < FEWEST_KNOWN:
        message = "The two views share too little texture to tell their depth, so there is no relief."
        raise PairError(message, "Export a flat form instead.")
    ends = np.nanpercentile(pair.parallax, _HELD_BETWEEN)
    parallax = np.clip(-completed(-pair.parallax, pair.left), *ends).astype(np.float32)
    scale = _scale(material, pair)
    known = material.depth
    if scale is None or known is None:
        depth, scale = assumed(parallax)
        reason = "The shoot's mm are not known (give --base, --step or --field-width with `nearpair proof`)"
        return depth, scale, [f"{reason}: taken as {ASSUMED_WIDTH_MM:g} mm wide, and depth as is customary."]
    told = material.at_most(known.shape[1]).parallax * np.float32(pair.left.shape[1] / known.shape[1])
    return depth_of(parallax, told, known), scale, ["Lengths are true mm, as the proof tells them."]


def _scale(material: Material, pair: Sized) -> Scale | None:
    metric = material.ready.metric
    if metric is None or metric.window_mm_per_px is None:
        return None
    factor = material.width_px / pair.left.shape[1]
    return Scale(metric.window_mm_per_px * factor, _slope(metric) * factor)


def _slope(metric: Metric) -> float:
    """By how much a pixel grows with each mm of depth; 0 where that is not known."""
    ends = (metric.near_mm_per_px, metric.far_mm_per_px, metric.near_mm, metric.far_mm)
    near_px, far_px, near, far = ends
    if near_px is None or far_px is None or near is None or far is None or far <= near:
        return 0.0
    return (far_px - near_px) / (far - near)
