"""PLY, OBJ, STL, OFF, GLB/glTF and 3MF through trimesh, with what it does not check checked here."""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, cast
from urllib.parse import unquote

import numpy as np
import trimesh
from numpy.typing import NDArray

from shimwright.scan.raw import FloatArray, Paint, RawScan
from shimwright.scan.read_apart import apart
from shimwright.scan.refusal import InputRefused
from shimwright.scan.texture import paint_from_texture

GLTF_UP = np.array([0.0, 1.0, 0.0])  # glTF 2.0 §3.4: metres, +Y up
MM_PER_M = 1000.0
UNIT_MM = {"micron": 1e-3, "millimeter": 1.0, "centimeter": 10.0, "inch": 25.4, "foot": 304.8, "meter": 1000.0}
STL_HEADER_BYTES, STL_TRIANGLE_BYTES = 84, 50
MOST_UNUSED = 0.01  # share of points without a face that is nothing to speak of [J]
MOST_POINTS = 20_000_000  # a whole horse every half millimetre
UNREADABLE_EXTENSIONS = ("EXT_meshopt_compression", "KHR_meshopt_compression")


class SameFolder(trimesh.resolvers.Resolver):
    """Gives a file's companions (MTL, pictures, buffers) from its own folder only; nothing is ever fetched."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()

    def get(self, name: str) -> bytes:
        if not self.holds(name):
            raise FileNotFoundError(f"'{name}' is not in the scan's own folder")
        return (self.folder / unquote(name)).resolve().read_bytes()

    def holds(self, name: str) -> bool:
        """Whether the folder has it, below itself."""
        try:
            target = (self.folder / unquote(name)).resolve()
            return "://" not in name and target.is_relative_to(self.folder) and target.is_file()
        except (OSError, ValueError):  # no name that a file can have
            return False

    def keys(self) -> list[str]:
        return [entry.name for entry in self.folder.iterdir()]

    def namespaced(self, namespace: str) -> "SameFolder":
        return SameFolder(self.folder / namespace)

    def write(self, name: str, _data: Any) -> None:
        raise PermissionError(f"'{name}': a scan's folder is only read")


def read_ply(path: Path) -> RawScan:
    """Any PLY; points and faces must be as many as the header promises."""
    promised, promised_faces = _ply_counts(path)
    try:
        scan = _from_trimesh(path, "ply", "PLY")
    except (ValueError, KeyError, IndexError, TypeError) as error:
        if not promised_faces:
            raise InputRefused(
                f"{path.name}: the header promises {promised} points, and not all of them are there as numbers: "
                f"the file is cut off or damaged; export it again"
            ) from error
        return _ply_by_open3d(path)  # faces of mixed corner counts, which trimesh does not take
    faces = 0 if scan.faces is None else len(scan.faces)  # at least one triangle for each face
    if faces < promised_faces or len(scan.points) < promised or (not faces and len(scan.points) > promised):
        raise InputRefused(
            f"{path.name}: the header promises {promised} points and {promised_faces} faces, {len(scan.points)} and "
            f"{faces} were found: the file is cut off; export it again"
        )
    return scan


def read_obj(path: Path) -> RawScan:
    """OBJ has no counts: points that no face uses are the only sign of a file that was cut off, so they are told."""
    written = _check_obj_faces(path)
    scan = _from_trimesh(path, "obj", "OBJ")
    unused = written - len(scan.points)
    if scan.faces is None or unused <= MOST_UNUSED * written:
        return scan
    said = (
        f"{unused} of {written} points belong to no face and were left out: is the file whole? Export it again if not"
    )
    return replace(scan, messages=(*scan.messages, said))


def read_stl(path: Path) -> RawScan:
    """Binary or text; a binary one must be as long as its header promises."""
    with path.open("rb") as stream:
        start = stream.read(1024)
    if b"facet" not in start and len(start) >= STL_HEADER_BYTES:
        promised = int.from_bytes(start[80:84], "little")
        found = (path.stat().st_size - STL_HEADER_BYTES) // STL_TRIANGLE_BYTES
        if found < promised or not promised:
            raise InputRefused(
                f"{path.name}: the header promises {promised} triangles, {found} were found: "
                f"the file is cut off or damaged; export it again"
            )
    return _from_trimesh(path, "stl", "STL")


def read_off(path: Path) -> RawScan:
    """Points and faces must be as many as the header promises."""
    with path.open("rb") as stream:
        head = re.sub(rb"#[^\n]*", b"", stream.read(4096))
    promised = re.search(rb"OFF\s+(\d+)\s+(\d+)", head)
    scan = _from_trimesh(path, "off", "OFF")
    faces = 0 if scan.faces is None else len(scan.faces)
    if promised and (len(scan.points) < int(promised[1]) or faces < int(promised[2])):
        raise InputRefused(
            f"{path.name}: the header promises {int(promised[1])} points and {int(promised[2])} faces, "
            f"{len(scan.points)} and {faces} were found: the file is cut off; export it again"
        )
    return scan


def read_gltf(path: Path) -> RawScan:
    """glTF 2.0: metres, y up (declared by the format)."""
    kind = path.suffix.lower()[1:]
    _check_gltf(path)
    return _from_trimesh(path, kind, "glTF", unit_mm=MM_PER_M, up=GLTF_UP)


def read_3mf(path: Path) -> RawScan:
    """3MF: unit from the model (default millimetre), z up by the specification."""
    from shimwright.scan.read_archive import check_zip

    check_zip(path)
    scene = _load(path, "3mf")
    unit = UNIT_MM.get(str(scene.units or "millimeter").lower().rstrip("s"))
    return _from_scene(scene, path, "3MF", unit, np.array([0.0, 0.0, 1.0]))


def _load(path: Path, kind: str) -> Any:
    with path.open("rb") as stream:
        return trimesh.load_scene(stream, file_type=kind, resolver=SameFolder(path.parent), process=kind == "stl")


def _from_trimesh(
    path: Path, kind: str, name: str, unit_mm: float | None = None, up: FloatArray | None = None
) -> RawScan:
    return _from_scene(_load(path, kind), path, name, unit_mm, up)


def _from_scene(scene: Any, path: Path, name: str, unit_mm: float | None, up: FloatArray | None) -> RawScan:
    """All geometries of the scene, poses baked in, as one RawScan."""
    _check_size(scene, path)
    points: list[FloatArray] = []
    faces: list[NDArray[np.int64]] = []
    normals: list[FloatArray] = []
    paints: list[Paint] = []
    offset = 0
    for geometry in _placed(scene):
        vertices = np.asarray(geometry.vertices, dtype=np.float64)
        points.append(vertices)
        if len(getattr(geometry, "faces", ())):
            faces.append(np.asarray(geometry.faces, dtype=np.int64) + offset)
        normals.append(_file_normals(geometry))
        paint = _paint(geometry, vertices)
        if paint is not None:
            paints.append(paint)
        offset += len(vertices)
    if not points or offset == 0:
        raise InputRefused(f"{path.name}: read as {name}, 0 points: nothing to measure; export the scan again")
    normal = np.concatenate(normals)
    return RawScan(
        points=points[0] if len(points) == 1 else np.concatenate(points),
        faces=np.concatenate(faces) if faces else None,
        normals=normal if len(normal) == offset and not faces else None,
        paint=Paint(np.concatenate([p.points for p in paints]), np.concatenate([p.rgb for p in paints]))
        if paints
        else None,
        unit_mm=unit_mm,
        up=up,
        format=name,
        file=path.name,
        sha256="",
    )


def _placed(scene: Any) -> Iterator[Any]:
    """Every geometry where its node puts it, as scene.dump() gives them, but copied only where it has to be moved:
    of a large cloud the copy takes longer than the reading.
    """
    for node in scene.graph.nodes_geometry:
        pose, name = scene.graph[node]
        geometry = scene.geometry[name]
        yield geometry if np.array_equal(pose, np.eye(4)) else geometry.copy().apply_transform(pose)


def _check_size(scene: Any, path: Path) -> None:
    """A small file may name one mesh many thousand times."""
    uses = [str(scene.graph[node][1]) for node in scene.graph.nodes_geometry]
    total = sum(len(scene.geometry[name].vertices) for name in uses)
    if total > MOST_POINTS:
        raise InputRefused(
            f"{path.name}: {total} points in {len(uses)} parts, more than a scan has ({MOST_POINTS}); "
            f"export the back alone, with fewer points"
        )


def _file_normals(geometry: Any) -> FloatArray:
    """Normals that a cloud's file holds (trimesh keeps PLY properties in metadata), or none."""
    raw = geometry.metadata.get("_ply_raw", {}).get("vertex", {}).get("data") if geometry.metadata else None
    names = getattr(getattr(raw, "dtype", None), "names", None) or (raw.keys() if isinstance(raw, dict) else ())
    if raw is None or not {"nx", "ny", "nz"} <= set(names):
        return np.empty((0, 3))
    return np.column_stack([np.asarray(raw[axis], dtype=np.float64).ravel() for axis in ("nx", "ny", "nz")])


def _paint(geometry: Any, vertices: FloatArray) -> Paint | None:
    if isinstance(geometry, trimesh.PointCloud):
        colours = geometry.colors
        return Paint(vertices, np.asarray(colours)[:, :3].astype(np.uint8)) if len(colours) == len(vertices) else None
    visual = geometry.visual
    if visual.kind == "vertex":
        return Paint(vertices, np.asarray(visual.vertex_colors)[:, :3].astype(np.uint8))
    if visual.kind == "face":
        rgb = np.asarray(visual.face_colors)[:, :3].astype(np.uint8)
        return Paint(np.asarray(geometry.triangles_center, dtype=np.float64), rgb)
    if visual.kind == "texture" and visual.uv is not None:
        return paint_from_texture(vertices, np.asarray(geometry.faces), np.asarray(visual.uv), visual.material)
    return None


def _ply_counts(path: Path) -> tuple[int, int]:
    """(points, faces) that the header promises."""
    with path.open("rb") as stream:
        header = stream.read(65536).split(b"end_header", 1)
    points, faces = (re.search(rb"element\s+%s\s+(\d+)" % kind, header[0]) for kind in (b"vertex", b"face"))
    axes = {*re.findall(rb"property\s+\w+\s+([xyz])\s", header[0])}
    if len(header) < 2 or points is None or len(axes) < 3:
        raise InputRefused(
            f"{path.name}: read as PLY, the header names no points with x, y and z; export the scan again"
        )
    return int(points.group(1)), int(faces.group(1)) if faces else 0


def _ply_by_open3d(path: Path) -> RawScan:
    points, faces, rgb = apart(open3d_mesh, path)
    promised = _ply_counts(path)
    if len(points) != promised[0] or len(faces) < promised[1]:
        raise InputRefused(
            f"{path.name}: the header promises {promised[0]} points and {promised[1]} faces, {len(points)} and "
            f"{len(faces)} were found: the file is cut off; export it again"
        )
    return RawScan(
        points=points,
        faces=faces if len(faces) else None,
        normals=None,
        paint=Paint(points, rgb) if len(rgb) == len(points) else None,
        unit_mm=None,
        up=None,
        format="PLY",
        file=path.name,
        sha256="",
    )


def open3d_mesh(path: Path) -> tuple[FloatArray, NDArray[np.int64], NDArray[np.uint8]]:
    """(points, triangles, colours) by Open3D, which crashes on some damaged files: only for `apart`."""
    import open3d

    mesh = open3d.io.read_triangle_mesh(path)
    rgb = np.rint(255 * np.asarray(mesh.vertex_colors)).astype(np.uint8)
    return np.array(mesh.vertices), np.array(mesh.triangles, dtype=np.int64), rgb


def _check_obj_faces(path: Path) -> int:
    """How many points the file writes. Refuses faces that name point 0: trimesh would bend them silently."""
    data = path.read_bytes()
    vertices = len(re.findall(rb"^\s*v\s", data, re.MULTILINE))
    if vertices == 0:
        raise InputRefused(f"{path.name}: read as OBJ, 0 points: nothing to measure; export the scan again")
    zero = re.search(rb"^\s*f\s(?:[^\n]*\s)?-?0+(?:/|\s|$)", data, re.MULTILINE)
    if zero:
        line = data[: zero.start()].count(b"\n") + 1
        raise InputRefused(
            f"{path.name}: line {line}: a face names point 0, but points are counted from 1: "
            f"the file is damaged; export it again"
        )
    return vertices


def _gltf_document(path: Path) -> dict[str, Any]:
    data = path.read_bytes()
    if data[:4] == b"glTF":
        length = int.from_bytes(data[8:12], "little")
        if length > len(data):
            raise InputRefused(
                f"{path.name}: {len(data)} of {length} bytes are there: the file is cut off; export it again"
            )
        size = int.from_bytes(data[12:16], "little")
        data = data[20 : 20 + size]
    return cast(dict[str, Any], json.loads(data))


def _check_gltf(path: Path) -> None:
    """Refuse by name what would be read as zeros, and whatever lies outside the file's own folder."""
    document, folder = _gltf_document(path), SameFolder(path.parent)
    used = {*document.get("extensionsUsed", ()), *document.get("extensionsRequired", ())}
    for extension in UNREADABLE_EXTENSIONS:
        if extension in used:
            raise InputRefused(
                f"{path.name}: packed with {extension}, which is not read here; export the GLB without compression"
            )
    if "KHR_draco_mesh_compression" in used:
        try:
            import DracoPy  # noqa: F401
        except ImportError as error:
            raise InputRefused(
                f"{path.name}: packed with Draco (KHR_draco_mesh_compression); install the extra "
                f"pip install 'shimwright[formats]', or export the GLB without compression"
            ) from error
    for buffer in [*document.get("buffers", ()), *document.get("images", ())]:
        uri = str(buffer.get("uri", ""))
        if "://" in uri and not uri.startswith("data:"):
            raise InputRefused(
                f"{path.name}: points at '{uri[:60]}', and nothing is ever fetched; export one self-contained GLB"
            )
        if uri and not uri.startswith("data:") and not folder.holds(uri):
            raise InputRefused(
                f"{path.name}: needs '{uri[:60]}', which is not in its own folder; put it there, "
                f"or export one self-contained GLB"
            )
