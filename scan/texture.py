"""Colour from a texture picture: the surface sampled evenly, each sample looked up in the picture."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from shimwright.scan.raw import FloatArray, Paint

SAMPLES = 600_000  # about 0.3 per mm² on a back of 2 m²: a 20 mm dot gets near a hundred


def paint_from_texture(
    vertices: FloatArray, faces: NDArray[np.int64], uv: FloatArray, material: Any, samples: int = SAMPLES
) -> Paint | None:
    """Coloured samples spread over the faces by area, none at random.

    vertices (n, 3); faces (m, 3); uv (n, 2), v upwards. Returns None where the material holds no picture.
    """
    picture = getattr(material, "baseColorTexture", None) or getattr(material, "image", None)
    if picture is None or len(uv) != len(vertices):
        return None
    pixels = np.asarray(picture.convert("RGB"), dtype=np.uint8)
    face, weights = spread_over(vertices, faces, samples)
    where = np.einsum("ij,ijk->ik", weights, uv[faces[face]])
    height, width = pixels.shape[:2]
    column = np.clip((where[:, 0] % 1.0) * width, 0, width - 1).astype(int)
    row = np.clip((1.0 - where[:, 1] % 1.0) * height, 0, height - 1).astype(int)
    points = np.einsum("ij,ijk->ik", weights, vertices[faces[face]])
    return Paint(points, pixels[row, column])


def spread_over(vertices: FloatArray, faces: NDArray[np.int64], samples: int) -> tuple[NDArray[np.int64], FloatArray]:
    """(face index (k,), barycentric weights (k, 3)) of about `samples` points, by area, by a fixed sequence."""
    a, b, c = vertices[faces[:, 0]], vertices[faces[:, 1]], vertices[faces[:, 2]]
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    edges = np.floor(np.concatenate([[0.0], np.cumsum(area)]) / max(area.sum(), 1e-300) * samples).astype(int)
    face = np.repeat(np.arange(len(faces)), np.diff(edges))
    # additive recurrence with the plastic number: evenly spread, no generator needed
    k = np.arange(len(face))
    u, v = (0.5 + k * 0.7548776662466927) % 1.0, (0.5 + k * 0.5698402909980532) % 1.0
    root = np.sqrt(u)
    return face, np.column_stack([1 - root, root * (1 - v), root * v])
