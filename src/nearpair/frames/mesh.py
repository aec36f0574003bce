"""Files of meshes: binary glTF with a picture on it, and binary STL.

glTF 2.0 (Khronos Group, 2021; ISO/IEC 12113:2022; from memory): the GLB container, lengths in metres, y up;
the extension KHR_materials_unlit shows the picture as it was shot, without lamps. STL: 80 bytes of header,
the number of triangles, and 50 bytes for each (common practice, no source); its unit is taken as mm.
"""

import json
import struct
from typing import Any

import numpy as np
from numpy.typing import NDArray

_FLOAT, _UINT = 5126, 5125
_VERTICES, _INDICES = 34962, 34963
_MM_IN_M = 1000.0


def glb(
    vertices_mm: NDArray[np.float32],
    triangles: NDArray[np.uint32],
    places: NDArray[np.float32],
    jpeg: bytes,
    name: str,
) -> bytes:
    """A GLB file: vertices (n, 3) in mm, triangles (m, 3), places (n, 2) in the picture from its top left."""
    metres = np.ascontiguousarray(vertices_mm / np.float32(_MM_IN_M), "<f4")
    parts = [
        metres.tobytes(),
        np.asarray(places, "<f4").tobytes(),
        np.asarray(triangles, "<u4").tobytes(),
        jpeg,
    ]
    views: list[dict[str, Any]] = []
    body = b""
    for part, target in zip(parts, (_VERTICES, _VERTICES, _INDICES, None), strict=True):
        view = {"buffer": 0, "byteOffset": len(body), "byteLength": len(part)}
        views.append(view if target is None else {**view, "target": target})
        body += part + bytes(-len(part) % 4)
    low, high = (end.astype(float).tolist() for end in (metres.min(axis=0), metres.max(axis=0)))
    accessors = [
        {
            "bufferView": 0,
            "componentType": _FLOAT,
            "count": len(metres),
            "type": "VEC3",
            "min": low,
            "max": high,
        },
        {"bufferView": 1, "componentType": _FLOAT, "count": len(places), "type": "VEC2"},
        {"bufferView": 2, "componentType": _UINT, "count": triangles.size, "type": "SCALAR"},
    ]
    text = json.dumps(
        _scene(name) | {"accessors": accessors, "bufferViews": views, "buffers": [{"byteLength": len(body)}]}
    )
    head = text.encode() + b" " * (-len(text.encode()) % 4)
    chunks = struct.pack("<L4s", len(head), b"JSON") + head + struct.pack("<L4s", len(body), b"BIN\0") + body
    return b"glTF" + struct.pack("<LL", 2, 12 + len(chunks)) + chunks


def _scene(name: str) -> dict[str, Any]:
    primitive = {"attributes": {"POSITION": 0, "TEXCOORD_0": 1}, "indices": 2, "material": 0}
    colour = {"baseColorTexture": {"index": 0}, "metallicFactor": 0.0, "roughnessFactor": 1.0}
    return {
        "asset": {"version": "2.0", "generator": "nearpair"},
        "extensionsUsed": ["KHR_materials_unlit"],
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, "name": name}],
        "meshes": [{"primitives": [primitive]}],
        "materials": [
            {"pbrMetallicRoughness": colour, "doubleSided": True, "extensions": {"KHR_materials_unlit": {}}}
        ],
        "textures": [{"source": 0, "sampler": 0}],
        "samplers": [{"magFilter": 9729, "minFilter": 9987, "wrapS": 33071, "wrapT": 33071}],
        "images": [{"bufferView": 3, "mimeType": "image/jpeg"}],
    }


def stl(vertices_mm: NDArray[np.float32], triangles: NDArray[np.uint32]) -> bytes:
    """A binary STL file: vertices (n, 3) in mm, triangles (m, 3) counter-clockwise seen from outside."""
    corners = vertices_mm[triangles].astype(np.float64)
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(across, axis=1, keepdims=True)
    normals = np.divide(across, length, out=np.zeros_like(across), where=length > 0)
    rows = np.zeros(len(triangles), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
    rows["normal"], rows["corners"] = normals, corners
    return b"nearpair, lengths in mm".ljust(80) + struct.pack("<L", len(rows)) + rows.tobytes()
