"""Readers: the same points out of every format, and a refusal with counts for what is damaged.

Outside checks: files are written by trimesh, open3d, laspy, usd-core or by hand after each format's own
specification, and damaged files come from public test suites (folder of malformed files, when it is there).
"""

import json
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
import trimesh
from PIL import Image

from shimwright.scan.raw import RawScan
from shimwright.scan.read import FEWEST_POINTS, read
from shimwright.scan.refusal import InputRefused, WrongUse

BAD_SCANS = Path(__file__).parents[2] / "shared" / "bad-scans"


@pytest.fixture(scope="module")
def dome() -> trimesh.Trimesh:
    """A lumpy dome of 642 points, coloured by height."""
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=0.4)
    mesh.vertices *= [2.0, 1.0, 0.7]
    rgb = np.full((len(mesh.vertices), 4), 255, dtype=np.uint8)
    rgb[:, 0] = np.rint(255 * (mesh.vertices[:, 2] + 0.28) / 0.56)
    mesh.visual.vertex_colors = rgb
    return mesh


def same_points(scan: RawScan, dome: trimesh.Trimesh, tolerance: float = 1e-5) -> None:
    order, expected = np.lexsort(np.round(scan.points, 3).T), np.lexsort(np.round(dome.vertices, 3).T)
    assert scan.points[order] == pytest.approx(dome.vertices[expected], abs=tolerance)


@pytest.mark.parametrize("suffix", ["ply", "stl", "off", "obj", "glb", "3mf"])
def test_mesh_formats_give_the_same_points(dome: trimesh.Trimesh, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"dome.{suffix}"
    dome.export(path)
    scan = read(path)
    same_points(scan, dome)
    assert scan.faces is not None
    assert len(scan.faces) == len(dome.faces)


def test_declared_units(dome: trimesh.Trimesh, tmp_path: Path) -> None:
    """glTF 2.0 §3.4: metres, +Y up. 3MF core §3.4.1: millimetre by default. STL and PLY store none."""
    found = {}
    for suffix in ("glb", "3mf", "stl", "ply"):
        dome.export(tmp_path / f"dome.{suffix}")
        found[suffix] = read(tmp_path / f"dome.{suffix}")
    assert found["glb"].unit_mm == 1000.0
    assert found["glb"].up == pytest.approx([0, 1, 0])
    assert found["3mf"].unit_mm == 1.0
    assert found["stl"].unit_mm is None
    assert found["ply"].unit_mm is None
    assert found["ply"].up is None


@pytest.mark.parametrize("order", ["<", ">"])
def test_binary_ply_of_both_endians(dome: trimesh.Trimesh, tmp_path: Path, order: str) -> None:
    """Written by hand after the PLY description (Turk 1994, from memory)."""
    name = {"<": "little", ">": "big"}[order]
    head = (
        f"ply\nformat binary_{name}_endian 1.0\nelement vertex {len(dome.vertices)}\n"
        "property double x\nproperty double y\nproperty double z\n"
        "property uchar red\nproperty uchar green\nproperty uchar blue\nend_header\n"
    )
    rows = np.zeros(len(dome.vertices), dtype=[("xyz", f"{order}f8", 3), ("rgb", "u1", 3)])
    rows["xyz"], rows["rgb"] = dome.vertices, dome.visual.vertex_colors[:, :3]
    path = tmp_path / "dome.ply"
    path.write_bytes(head.encode() + rows.tobytes())
    scan = read(path)
    same_points(scan, dome, 1e-12)
    assert scan.paint is not None
    assert np.array_equal(scan.paint.rgb, dome.visual.vertex_colors[:, :3])


def test_ply_with_mixed_polygons_is_read(dome: trimesh.Trimesh, tmp_path: Path) -> None:
    vertices = "\n".join(" ".join(map(str, v)) for v in dome.vertices)
    head = f"ply\nformat ascii 1.0\nelement vertex {len(dome.vertices)}\n" + "".join(
        f"property float {axis}\n" for axis in "xyz"
    )
    path = tmp_path / "mixed.ply"
    path.write_text(
        head
        + "element face 2\nproperty list uchar int vertex_indices\nend_header\n"
        + vertices
        + "\n3 0 1 2\n4 0 1 2 3\n"
    )
    assert len(read(path).points) == len(dome.vertices)


@pytest.mark.parametrize(
    ("name", "head", "line"),
    [
        ("a.xyz", "", "{x} {y} {z}"),
        ("a.csv", "X,Y,Z,Intensity\r\n", "{x},{y},{z},7\r"),
        ("a.txt", "# made by hand\n// X Y Z R G B\n", "{x}\t{y}\t{z}\t{r}\t0\t9"),
        ("a.pts", "642\n", "{x} {y} {z} -1035 {r} 0 9"),
        ("a.csv", "id;x;y;z\n", "1;{x};{y};{z}"),
        ("a.csv", "x,y,z\n", '"{x}","{y}","{z}"'),
        ("a.xyz", "", "{x} {y} {z} 0.0 0.6 0.8"),
    ],
    ids=["bare", "crlf header", "comments", "count line", "semicolons", "quotes", "normals"],
)
def test_text_clouds(dome: trimesh.Trimesh, tmp_path: Path, name: str, head: str, line: str) -> None:
    rows = [
        line.format(x=p[0], y=p[1], z=p[2], r=c[0])
        for p, c in zip(dome.vertices, dome.visual.vertex_colors, strict=True)
    ]
    path = tmp_path / name
    path.write_text(head + "\n".join(rows) + "\n", newline="")
    scan = read(path)
    same_points(scan, dome)
    assert (scan.paint is not None) == ("{r}" in line)
    if scan.paint is not None:
        assert np.array_equal(scan.paint.rgb[:, 0], dome.visual.vertex_colors[:, 0])
    assert (scan.normals is not None) == line.endswith("0.8")


@pytest.mark.parametrize(("head", "line"), [("x;y;z\n", "{x};{y};{z}"), ("", "{x}\t{y}\t{z}"), ("", "{x} {y} {z}")])
def test_decimal_commas(dome: trimesh.Trimesh, tmp_path: Path, head: str, line: str) -> None:
    """Half of Europe's spreadsheets write 0,5 for a half."""
    rows = [line.format(x=p[0], y=p[1], z=p[2]).replace(".", ",") for p in dome.vertices]
    (tmp_path / "a.csv").write_text(head + "\n".join(rows), encoding="utf-8-sig")
    same_points(read(tmp_path / "a.csv"), dome)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("642\n" + "0.1 0.2 0.3\n" * 300, "promises 642 points, 300 were found"),
        ("0.1 0.2 0.3\n" * 300 + "0.1 0.2\n", "line 301 has 2 numbers, the first row 3"),
        ("# mine\n" + "0.1 0.2 0.3\n" * 300 + "that was all folks\n", "line 302 reads 'that was all folks'"),
        ("x,y,z\n", "0 points"),
        ("x,y,z\n" + "0.1,0.2\n" * 300, "names 3 columns, the rows have 2"),
    ],
)
def test_tables_that_are_none(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "a.xyz").write_text(text)
    with pytest.raises(InputRefused, match=words):
        read(tmp_path / "a.xyz")


PLY_HEAD = "ply\nformat {} 1.0\nelement vertex 642\n{}end_header\n"
XYZ = "".join(f"property float {axis}\n" for axis in "xyz")


@pytest.mark.parametrize(
    ("head", "share", "words"),
    [
        (PLY_HEAD.format("ascii", XYZ), 0.5, "promises 642 points"),
        (PLY_HEAD.format("binary_little_endian", XYZ), 0.5, "promises 642 points"),
        (PLY_HEAD.format("ascii", XYZ.replace("float z", "float w")), 1.0, "no points with x, y and z"),
        (PLY_HEAD.format("ascii", XYZ).replace("642", "9" * 20), 1.0, "promises 9{20} points"),
    ],
)
def test_clouds_that_are_cut_off(dome: trimesh.Trimesh, tmp_path: Path, head: str, share: float, words: str) -> None:
    """A point that is not in the file is never made up: a library behind fills with what lay in memory."""
    text = "".join("{:.6f} {:.6f} {:.6f}\n".format(*p) for p in dome.vertices).encode()
    body = text if "ascii" in head else dome.vertices.astype("<f4").tobytes()
    (tmp_path / "a.ply").write_bytes(head.encode() + body[: int(share * len(body))])
    with pytest.raises(InputRefused, match=words):
        read(tmp_path / "a.ply")


def test_one_mesh_named_fifty_thousand_times(dome: trimesh.Trimesh, tmp_path: Path) -> None:
    files = trimesh.exchange.gltf.export_gltf(trimesh.Scene(dome))
    document = json.loads(files.pop("model.gltf"))
    document |= {"nodes": [{"mesh": 0}] * 50_000, "scenes": [{"nodes": list(range(50_000))}], "scene": 0}
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "a.gltf").write_text(json.dumps(document))
    with pytest.raises(InputRefused, match="32100000 points in 50000 parts"):
        read(tmp_path / "a.gltf")


def test_a_companion_that_was_not_sent_is_named(dome: trimesh.Trimesh, tmp_path: Path) -> None:
    files = trimesh.exchange.gltf.export_gltf(trimesh.Scene(dome))
    (tmp_path / "a.gltf").write_bytes(files["model.gltf"])
    with pytest.raises(InputRefused, match=r"needs '.*\.bin', which is not in its own folder"):
        read(tmp_path / "a.gltf")


def test_points_without_a_third_number(dome: trimesh.Trimesh, tmp_path: Path) -> None:
    (tmp_path / "a.obj").write_text("v 1 2\n" + dome.export(file_type="obj"))
    with pytest.raises(InputRefused, match="damaged"):
        read(tmp_path / "a.obj")


@pytest.mark.parametrize("share", [0.5, 0.99])
def test_triangles_that_are_cut_off(dome: trimesh.Trimesh, tmp_path: Path, share: float) -> None:
    data = dome.export(file_type="stl")
    (tmp_path / "a.stl").write_bytes(data[: int(share * len(data))])
    with pytest.raises(InputRefused, match="promises 1280 triangles"):
        read(tmp_path / "a.stl")


def test_faces_missing_in_an_obj_are_told(dome: trimesh.Trimesh, tmp_path: Path) -> None:
    text = dome.export(file_type="obj")
    (tmp_path / "a.obj").write_text(text)
    assert read(tmp_path / "a.obj").messages == ()
    (tmp_path / "a.obj").write_text(text[: text.index("\nf ") + 5000])
    (said,) = read(tmp_path / "a.obj").messages
    assert "of 642 points belong to no face" in said


def test_a_locked_archive(dome: trimesh.Trimesh, tmp_path: Path) -> None:
    """ZIP specification 4.4.4: bit 0 of the flags, 6 bytes into a local header and 8 into a central one."""
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("a.ply", dome.export(file_type="ply"))
    data = bytearray((tmp_path / "a.zip").read_bytes())
    data[6] |= 1
    data[data.rfind(b"PK\x01\x02") + 8] |= 1
    (tmp_path / "a.zip").write_bytes(data)
    with pytest.raises(InputRefused, match="locked with a password"):
        read(tmp_path / "a.zip")


@pytest.mark.parametrize(("kind", "options"), [("ply", {"encoding": "ascii"}), ("ply", {}), ("off", {})])
def test_faces_that_are_cut_off(dome: trimesh.Trimesh, tmp_path: Path, kind: str, options: dict[str, str]) -> None:
    data = dome.export(file_type=kind, **options)
    data = data.encode() if isinstance(data, str) else data
    (tmp_path / f"a.{kind}").write_bytes(data[: int(0.9 * len(data))])
    with pytest.raises(InputRefused, match=r"642 points and 1280 faces, 642 and \d+ were found"):
        read(tmp_path / f"a.{kind}")


@pytest.mark.parametrize("kind", ["ascii", "binary", "compressed"])
@pytest.mark.parametrize("share", [0.5, 0.95])
def test_pcd_that_is_cut_off(dome: trimesh.Trimesh, tmp_path: Path, kind: str, share: float) -> None:
    import open3d

    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(dome.vertices))
    path = tmp_path / "a.pcd"
    open3d.io.write_point_cloud(str(path), cloud, write_ascii=kind == "ascii", compressed=kind == "compressed")
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    with pytest.raises(InputRefused, match="promises 642 points"):
        read(path)


@pytest.mark.parametrize("ascii_", [True, False])
def test_pcd(dome: trimesh.Trimesh, tmp_path: Path, ascii_: bool) -> None:
    import open3d

    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(dome.vertices))
    open3d.io.write_point_cloud(str(tmp_path / "a.pcd"), cloud, write_ascii=ascii_)
    same_points(read(tmp_path / "a.pcd"), dome, 1e-5)


def test_las(dome: trimesh.Trimesh, tmp_path: Path) -> None:
    laspy = pytest.importorskip("laspy")
    header = laspy.LasHeader(point_format=3, version="1.2")
    header.scales = np.full(3, 1e-6)
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = dome.vertices.T
    cloud.write(str(tmp_path / "a.laz"))
    scan = read(tmp_path / "a.laz")
    same_points(scan, dome)
    assert scan.unit_mm == 1000.0


def test_usd_takes_pose_unit_and_up(dome: trimesh.Trimesh, tmp_path: Path) -> None:
    pytest.importorskip("pxr")
    from pxr import Gf, Usd, UsdGeom

    stage = Usd.Stage.CreateNew(str(tmp_path / "a.usda"))
    UsdGeom.SetStageUpAxis(stage, UsdGeom.Tokens.z)
    UsdGeom.SetStageMetersPerUnit(stage, 1.0)
    mesh = UsdGeom.Mesh.Define(stage, "/horse")
    mesh.CreatePointsAttr([Gf.Vec3f(*map(float, v)) for v in dome.vertices])
    mesh.CreateFaceVertexCountsAttr([3] * len(dome.faces))
    mesh.CreateFaceVertexIndicesAttr(dome.faces.ravel().tolist())
    UsdGeom.Xformable(mesh).AddTranslateOp().Set(Gf.Vec3d(5, 0, 0))
    stage.Save()
    scan = read(tmp_path / "a.usda")
    assert scan.points.mean(axis=0) == pytest.approx(dome.vertices.mean(axis=0) + np.array([5, 0, 0]), abs=1e-5)
    assert (scan.unit_mm, scan.up.tolist()) == (1000.0, [0, 0, 1])  # type: ignore[union-attr]
    assert scan.faces is not None
    assert len(scan.faces) == len(dome.faces)


def painted_patch(folder: Path) -> Path:
    """A flat patch 1 × 1 with a red dot of radius 0.05 at (0.3, 0.7) in its texture picture."""
    n = 512
    column, row = np.meshgrid(np.arange(n), np.arange(n))
    u, v = (column + 0.5) / n, 1 - (row + 0.5) / n
    picture = np.full((n, n, 3), 120, dtype=np.uint8)
    picture[np.hypot(u - 0.3, v - 0.7) < 0.05] = (220, 10, 10)
    folder.mkdir(exist_ok=True)
    Image.fromarray(picture).save(folder / "skin.png")
    (folder / "patch.mtl").write_text("newmtl skin\nmap_Kd skin.png\n")
    k = 16
    grid = [(i / (k - 1), j / (k - 1)) for j in range(k) for i in range(k)]
    lines = ["mtllib patch.mtl", "usemtl skin"]
    lines += [f"v {x} {y} {0.01 * x * y}" for x, y in grid] + [f"vt {x} {y}" for x, y in grid]
    for j in range(k - 1):
        for i in range(k - 1):
            a, b, c, d = (1 + j * k + i, 2 + j * k + i, 2 + (j + 1) * k + i, 1 + (j + 1) * k + i)
            lines += [f"f {a}/{a} {b}/{b} {c}/{c}", f"f {a}/{a} {c}/{c} {d}/{d}"]
    (folder / "patch.obj").write_text("\n".join(lines))
    return folder / "patch.obj"


def red_centre(scan: RawScan) -> np.ndarray:
    assert scan.paint is not None
    red = (scan.paint.rgb[:, 0] > 180) & (scan.paint.rgb[:, 1] < 60)
    return scan.paint.points[red, :2].mean(axis=0)


def test_dots_are_found_in_the_texture_picture(tmp_path: Path) -> None:
    path = painted_patch(tmp_path / "obj")
    assert red_centre(read(path)) == pytest.approx([0.3, 0.7], abs=0.003)
    trimesh.load(path).export(tmp_path / "patch.glb")
    assert red_centre(read(tmp_path / "patch.glb")) == pytest.approx([0.3, 0.7], abs=0.003)
    with zipfile.ZipFile(tmp_path / "patch.zip", "w") as archive:
        for part in (tmp_path / "obj").iterdir():
            archive.write(part, part.name)
    assert red_centre(read(tmp_path / "patch.zip")) == pytest.approx([0.3, 0.7], abs=0.003)


def test_scene_poses_are_baked_in(dome: trimesh.Trimesh, tmp_path: Path) -> None:
    scene = trimesh.Scene()
    turn = trimesh.transformations.rotation_matrix(0.7, [0.2, 0.3, 1.0], [1.0, 2.0, 3.0])
    scene.add_geometry(dome, transform=turn)
    scene.export(tmp_path / "posed.glb")
    same_points(read(tmp_path / "posed.glb"), dome.copy().apply_transform(turn))


def test_missing_and_empty(tmp_path: Path) -> None:
    with pytest.raises(WrongUse, match="no such file"):
        read(tmp_path / "nothing.ply")
    (tmp_path / "empty.ply").touch()
    with pytest.raises(InputRefused, match="0 bytes"):
        read(tmp_path / "empty.ply")


@pytest.mark.parametrize(
    "suffix", ["ply", "stl", "obj", "glb", "off", "3mf", "pcd", "las", "e57", "usdz", "zip", "xyz"]
)
def test_a_letter_is_no_scan(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"letter.{suffix}"
    path.write_text("Dear fitter,\nthe horse is well.\n")
    with pytest.raises(InputRefused):
        read(path)


@pytest.mark.parametrize("suffix", ["ply", "stl", "glb", "3mf"])
def test_truncation_is_refused(dome: trimesh.Trimesh, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"dome.{suffix}"
    dome.export(path)
    whole = path.read_bytes()
    for share in (0.1, 0.5, 0.9):
        path.write_bytes(whole[: int(share * len(whole))])
        with pytest.raises(InputRefused):
            read(path)


@pytest.mark.parametrize("value", ["nan", "inf", "1e30"])
def test_impossible_coordinates_are_refused_with_their_count(dome: trimesh.Trimesh, tmp_path: Path, value: str) -> None:
    path = tmp_path / "a.xyz"
    rows = [" ".join(map(str, p)) for p in dome.vertices] + [f"0 {value} 0"]
    path.write_text("\n".join(rows))
    with pytest.raises(InputRefused, match=r"1 of 643 points|1e\+30"):
        read(path)


def test_bit_flips_never_escape(dome: trimesh.Trimesh, tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    for suffix in ("ply", "stl", "glb", "3mf", "obj"):
        path = tmp_path / f"dome.{suffix}"
        dome.export(path)
        whole = np.frombuffer(path.read_bytes(), dtype=np.uint8)
        for _ in range(6):
            damaged = whole.copy()
            damaged[rng.integers(0, len(whole), 20)] ^= np.uint8(1) << rng.integers(0, 8, 20).astype(np.uint8)
            path.write_bytes(damaged.tobytes())
            try:
                scan = read(path)
            except InputRefused:
                continue
            assert len(scan.points) >= FEWEST_POINTS
            assert np.isfinite(scan.points).all()


def test_a_zip_bomb_and_leaving_paths_are_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.xyz", b"0 " * (60 << 20))
    with pytest.raises(InputRefused, match="unpack"):
        read(tmp_path / "bomb.zip")
    with zipfile.ZipFile(tmp_path / "leave.zip", "w") as archive:
        archive.writestr("../../a.xyz", "0 0 0\n")
    with pytest.raises(InputRefused, match="leaves the archive"):
        read(tmp_path / "leave.zip")
    assert not (tmp_path.parent.parent / "a.xyz").exists()


def test_gltf_never_fetches(tmp_path: Path) -> None:
    document = {"asset": {"version": "2.0"}, "buffers": [{"uri": "https://example.org/a.bin", "byteLength": 4}]}
    (tmp_path / "a.gltf").write_text(json.dumps(document))
    with pytest.raises(InputRefused, match="nothing is ever fetched"):
        read(tmp_path / "a.gltf")


def test_compressed_gltf_is_refused_by_name(tmp_path: Path) -> None:
    body = json.dumps({"asset": {"version": "2.0"}, "extensionsRequired": ["EXT_meshopt_compression"]}).encode()
    body += b" " * (-len(body) % 4)
    chunk = struct.pack("<I4s", len(body), b"JSON") + body
    (tmp_path / "a.glb").write_bytes(struct.pack("<4sII", b"glTF", 2, 12 + len(chunk)) + chunk)
    with pytest.raises(InputRefused, match="EXT_meshopt_compression"):
        read(tmp_path / "a.glb")


# file → points that a correct reader finds (counted from the files themselves, or the suites' own tests)
TRICKY = {
    "PDAL__A_B.e57": 6,
    "PDAL__crlf_test.txt": 10,
    "PDAL__test.pts": 19,
    "assets__AnimatedTriangle.usdz": 3,
    "happly__platonic_shelf_big_endian.ply": 50,
    "laspy__simple.laz": 1065,
    "laspy__test1_4.las": 1000,
    "numpy__CubeInvalidUnicode.stl": 8,
    "PDAL__missingheader.txt": 5,
    "tinyobjloader__leading-zero-in-exponent-notation-issue-210.obj": 3,
    "tinyusdz__cube.usdz": 8,
    "trimesh__busted.STL": 1941,
    "trimesh__comments.off": 8,
    "trimesh__negative_indices.obj": 24,
    "trimesh__points_agisoft.xyz": 100,
    "trimesh__points_ascii_with_lists.ply": 5,
    "trimesh__points_cloudcompare.xyz": 101,
    "trimesh__points_emptyascii.ply": 12,
    "trimesh__rock.obj.bz2": 21,
    "trimesh__soup.stl": 300,
}


@pytest.mark.skipif(not BAD_SCANS.is_dir(), reason="the folder of malformed public files is not here")
@pytest.mark.parametrize("name", sorted(p.name for p in BAD_SCANS.glob("*") if p.suffix != ".md"))
def test_malformed_public_files(name: str) -> None:
    """`bad` files are refused in one line; `tricky` ones give their points, or are refused with that count."""
    said = outcome(BAD_SCANS / name)
    assert "\n" not in said
    if name in TRICKY:
        assert f"{TRICKY[name]} points" in said
    else:
        assert said.startswith("refused")


def outcome(path: Path) -> str:
    try:
        return f"{len(read(path).points)} points"
    except InputRefused as refusal:
        return f"refused: {refusal.message}"
