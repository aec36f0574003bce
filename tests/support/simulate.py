"""Focus stacks that nobody shot: a real picture, blurred by its own measured depth, as a lens would blur it.

Disparity is proportional to 1/depth, and so is the diameter of the blur disc of a thin lens (similar
triangles behind the lens): a point of disparity d, seen by a lens focused on disparity f, becomes a disc of

    diameter blur_px = aperture_over_base · |d − f|

The picture is cut into layers of like disparity and put together from back to front in linear light, each
layer blurred by its own disc (layered depth of field: Scofield, "2½-D depth-of-field simulation", Graphics
Gems III 1992; from memory). Near layers cover and, blurred, spread over far ones. What a blurred edge lets
through is a second, hidden picture: just inside an edge in depth, what lies beside it goes on behind it.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np


@dataclass(frozen=True)
class Lens:
    """How a simulated stack is taken.

    `blur_px`: largest diameter of a blur disc; `breathing`: how much larger (share) the picture is when the
    lens is focused nearest than farthest, centre fixed; `flicker`: standard deviation of the light from frame
    to frame (share); `noise`: variance per unit of linear light.
    """

    frames: int = 10
    blur_px: float = 14.0
    breathing: float = 0.0
    flicker: float = 0.008
    noise: float = 1.0e-5
    layers: int = 30


@dataclass(frozen=True)
class Layer:
    """Pixels of like disparity, and what would be seen of them without anything in front."""

    disparity_px: float
    cover: np.ndarray  # (H, W) float32, 1 where this layer or a nearer one is
    light: np.ndarray  # (H, W, 3) float32 linear, 0 outside the cover


def to_linear(encoded):
    """Linear light of 8-bit sRGB (IEC 61966-2-1:1999)."""
    value = np.asarray(encoded, dtype=np.float32) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)


def to_encoded(linear):
    """8-bit sRGB of linear light (IEC 61966-2-1:1999)."""
    value = np.clip(linear, 0, 1)
    encoded = np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)
    return np.rint(255 * encoded).astype(np.uint8)


def disc(diameter_px):
    """The share of each pixel that a disc of this diameter covers, sum 1; odd side."""
    reach = int(np.ceil(diameter_px / 2 + 0.5))
    fine = np.arange(-reach * 9 - 4, reach * 9 + 5) / 9
    inside = (fine[:, None] ** 2 + fine[None, :] ** 2 <= (diameter_px / 2) ** 2).astype(np.float32)
    side = 2 * reach + 1
    shares = inside.reshape(side, 9, side, 9).sum(axis=(1, 3))
    return shares / shares.sum()


def blur(picture, diameter_px):
    """Blur with a disc; nothing happens below half a pixel."""
    if diameter_px < 0.5:
        return picture
    return cv2.filter2D(picture, -1, disc(diameter_px), borderType=cv2.BORDER_REPLICATE)


def steps(index, slack):
    """Where right and lower neighbours belong to one surface: boolean (H, W-1) and (H-1, W)."""
    index = index.astype(np.int32)
    return np.abs(np.diff(index, axis=1)) <= slack, np.abs(np.diff(index, axis=0)) <= slack


def grow(seeds, allowed, joined, reach_px):
    """Spread from `seeds` over neighbours that are allowed and of one surface, `reach_px` far."""
    across, down = joined
    region = seeds.copy()
    for _ in range(reach_px):
        wider = region.copy()
        wider[:, 1:] |= region[:, :-1] & across
        wider[:, :-1] |= region[:, 1:] & across
        wider[1:] |= region[:-1] & down
        wider[:-1] |= region[1:] & down
        region = wider & allowed
    return region


def far_sides(index, joined):
    """Pixels just beyond an edge in depth."""
    beyond = np.zeros(index.shape, dtype=bool)
    across, down = joined
    beyond[:, 1:] |= ~across & (index[:, 1:] < index[:, :-1])
    beyond[:, :-1] |= ~across & (index[:, :-1] < index[:, 1:])
    beyond[1:] |= ~down & (index[1:] < index[:-1])
    beyond[:-1] |= ~down & (index[:-1] < index[1:])
    return beyond


def hidden_picture(light, index, joined, slack, reach_px):
    """What goes on behind edges in depth: light, layer index, -1 where nothing does."""
    beyond = far_sides(index, joined)
    if not beyond.any():
        return light, np.full(index.shape, -1)
    distance, labels = cv2.distanceTransformWithLabels(
        (~beyond).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    source = np.zeros(labels.max() + 1, dtype=np.int64)
    source[labels[beyond]] = np.flatnonzero(beyond)
    behind = source[labels]
    there = index.ravel()[behind]
    exists = (distance <= reach_px) & (there < index - slack)
    return light.reshape(-1, 3)[behind], np.where(exists, there, -1)


def cut_layers(light, disparity_px, count, reach_px=9):
    """Layers from far to near.

    `reach_px`: how far a layer goes on under its neighbours, at least the radius of the largest blur disc. A
    slanted surface goes on into its nearer layers, so that it has no seams.
    """
    edges = np.linspace(disparity_px.min(), disparity_px.max(), count + 1)
    index = np.clip(np.searchsorted(edges, disparity_px, side="right") - 1, 0, count - 1)
    slack = max(1, count // 20)
    joined = steps(index, slack)
    behind, behind_index = hidden_picture(light, index, joined, slack, reach_px)
    found = []
    for layer in np.unique(index):
        seen = grow(index == layer, index >= layer, joined, reach_px)
        hidden = ~seen & (behind_index >= layer) & (behind_index <= layer + slack)
        own = np.where(seen[..., None], light, behind) * (seen | hidden)[..., None]
        middle_px = float((edges[layer] + edges[layer + 1]) / 2)
        found.append(Layer(middle_px, (seen | hidden).astype(np.float32), own))
    return found


def expose(layers, focus_px, aperture_over_base):
    """Linear light of a frame focused on the disparity `focus_px`."""
    light = np.zeros_like(layers[0].light)
    through = np.ones_like(layers[0].cover)
    for layer in layers:
        diameter = aperture_over_base * abs(layer.disparity_px - focus_px)
        passed = 1 - blur(layer.cover, diameter)
        light *= passed[..., None]
        light += blur(layer.light, diameter)
        through *= passed
    # what no layer covers is as bright as what is around it
    return light / np.maximum(1 - through, 1e-3)[..., None]


def enlarge(picture, scale):
    """Scale about the centre of the picture (a lens that breathes), size kept."""
    if scale == 1.0:
        return picture
    height, width = picture.shape[:2]
    cx, cy = (width - 1) / 2, (height - 1) / 2
    matrix = np.array([[scale, 0, cx * (1 - scale)], [0, scale, cy * (1 - scale)]])
    return cv2.warpAffine(
        picture, matrix, (width, height), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE
    )


def focus_planes(disparity_px, frames):
    """Disparities focused on, far to near, over the whole depth."""
    far, near = np.percentile(disparity_px, [0.5, 99.5])
    return np.linspace(far, near, frames)


def scales(lens):
    """Magnification of each frame, far to near, 1 for the farthest."""
    return 1 + lens.breathing * np.arange(lens.frames) / max(1, lens.frames - 1)


def take(layers, planes, lens, index, seed):
    """One encoded frame; its light and noise come from `seed`."""
    random = np.random.default_rng((seed, index))
    reach = max(planes[-1] - planes[0], 1e-6)
    light = enlarge(expose(layers, planes[index], lens.blur_px / reach), scales(lens)[index])
    light = light * (1 + lens.flicker * random.standard_normal())
    # photon noise, and a floor of 4 % of it for the electronics
    deviation = np.sqrt(lens.noise * (np.clip(light, 0, 1) + 0.04))
    return to_encoded(light + deviation * random.standard_normal(light.shape, dtype=np.float32))


def focus_stack(picture, disparity_px, lens, planes=None, seed=0):
    """Frames (H, W, 3) uint8, far to near, of a picture (H, W, 3) uint8 whose disparity is known everywhere.

    `planes`: disparities focused on, far to near; both eyes of a pair need the same.
    """
    planes = focus_planes(disparity_px, lens.frames) if planes is None else planes
    layers = cut_layers(to_linear(picture), disparity_px, lens.layers, round(lens.blur_px / 2) + 2)
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(partial(take, layers, planes, lens, seed=seed), range(lens.frames)))
