"""The panel for a maker: known numbers come back, curves and solids are what they say, files re-opened by others."""

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import numpy as np
import plain_tack as tack
import pypdfium2
import pytest
import trimesh
from manifold3d import Error, Manifold, Mesh
from plain_backs import back_of
from scipy.optimize import linprog

from shimwright.cli import run
from shimwright.export.panel_curves import panel_sections, stations_mm, write_panel_curves
from shimwright.export.panel_solids import write_panel_solids
from shimwright.meshes.yard import HORSES
from shimwright.optimize.panel_fit import PanelFit, Ridden, fit_panel
from shimwright.optimize.panel_rules import panel_rules
from shimwright.optimize.thickness_map import MapProgram, solve_map
from shimwright.optimize.underside import Panels
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray

FRONT_X_MM = tack.FRONT_X_MM
TOP_MM = 70.0  # of the panels' frame above the back's
KNOWN = replace(
    tack.saddle(),
    angle_deg=np.array([44.0, 33.0, 24.0]),
    channel_mm=np.array([72.0, 70.0, 76.0]),
    rocker_mm=21.0,
    rise_mm=12.0,
    panel_curve_mm=3.0,
    arches=(),
    reference_arch=None,
)


def height_under(panels: tuple[Panels, Panels], pad_mm: float = 0.0):
    """z(x, y) of the back that these panels (left, right) lie on, crown carried on, without rims. Its crest lies
    2 mm under the surface carried on at 5 mm inside the channel's edge: the rule by which a channel is told.
    """
    rules = panel_rules()

    def one(panel: Panels, x: FloatArray, out: FloatArray) -> FloatArray:
        saddle = panel.saddle
        s = np.clip((FRONT_X_MM - x) / saddle.length_mm, 0.0, 1.0)
        middle, z0 = panel._centre(s, 1)
        angle, width, crown = panel.angle_rad(s, 1), panel.width_mm(s), saddle.panel_curve_mm
        proud = 0.0
        across = (out - middle) / np.cos(angle)
        for _ in range(7):  # Newton: the point of the crowned surface that lies at this distance beside the spine
            proud = crown * (1 - (2 * across / width) ** 2) + pad_mm
            off = middle + across * np.cos(angle) - proud * np.sin(angle) - out
            across = across - off / (np.cos(angle) + 8 * crown * across / width**2 * np.sin(angle))
        z = z0 - across * np.sin(angle) - proud * np.cos(angle)
        crest = panel._profiles[1](s) / 2 - rules.channel_clear_mm + 10.0 - pad_mm * np.sin(angle)
        return np.asarray(z - rules.leave_mm * (np.maximum(crest - out, 0.0) / 10.0) ** 2 + TOP_MM)

    def height(x: FloatArray, y: FloatArray) -> FloatArray:
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        return np.where(y >= 0, one(panels[0], x, np.abs(y)), one(panels[1], x, np.abs(y)))

    return height


@pytest.fixture(scope="module")
def back() -> Back:
    return back_of(height_under((Panels(KNOWN, None), Panels(KNOWN, None))))


@pytest.fixture(scope="module")
def fit(back: Back) -> PanelFit:
    return fit_panel(tack.saddle(), [Ridden("known", back, 0.0)], uneven=False)


def test_known_panel_numbers_come_back(fit: PanelFit, back: Back) -> None:
    assert fit.shape.angle_deg == pytest.approx(np.tile(KNOWN.angle_deg, (2, 1)), abs=0.3)
    assert fit.shape.rocker_mm == pytest.approx([21.0, 21.0], abs=0.5)
    assert fit.shape.crown_mm == pytest.approx([3.0, 3.0], abs=0.5)
    assert fit.shape.rise_mm == pytest.approx(12.0, abs=0.5)
    assert fit.shape.channel_mm == pytest.approx(KNOWN.channel_mm, abs=0.5)
    assert np.nanmax(np.abs(fit.remaining[0].gap_mm)) < 0.1
    # the arch: its leg lies as the panel does over the arch's length; where the known panel lies 100 mm under an arch
    # whose top is 47.5 mm above this back's withers (straight from the surface, filling's depth off)
    under = np.linspace(0, 1, 201) * KNOWN.arch_length_mm / KNOWN.length_mm
    leg = np.degrees(Panels(KNOWN, None).angle_rad(under, 1)).mean()
    assert fit.arch.included_deg == pytest.approx(180 - 2 * leg, abs=0.3)
    x = FRONT_X_MM - np.linspace(0, 1, 201) * KNOWN.arch_length_mm
    level = float(back.midline.at(x)[1].max()) + panel_rules().arch_clear_mm - 100.0
    angle = np.radians(KNOWN.angle_deg[0])
    y, z = Panels(KNOWN, None)._centre(np.array(0.0), 1)
    # the leg: the panel's plane moved back by the filling's depth, square to itself
    inside = y + 25.0 * np.sin(angle), z + TOP_MM + 25.0 * np.cos(angle)
    assert fit.arch.width_mm / 2 == pytest.approx(inside[0] + (inside[1] - level) / np.tan(angle), abs=0.5)


@pytest.mark.accuracy
def test_pad_as_ridden_lies_between() -> None:
    """The back one pad's thickness under the panels gives the same panels."""
    plain = replace(KNOWN, angle_deg=np.full(3, 33.0), rocker_mm=0.0, rise_mm=0.0)  # no twist: the offset is exact
    below = back_of(height_under((Panels(plain, None), Panels(plain, None)), pad_mm=9.0))
    shape = fit_panel(tack.saddle(), [Ridden("padded", below, 9.0)], uneven=False).shape
    assert shape.angle_deg == pytest.approx(np.full((2, 3), 33.0), abs=0.3)
    assert shape.rocker_mm == pytest.approx([0.0, 0.0], abs=0.5)
    assert shape.channel_mm == pytest.approx(KNOWN.channel_mm, abs=1.0)


@pytest.mark.accuracy
def test_an_uneven_back_gives_two_panels_where_asked_and_a_difference_where_not() -> None:
    right = replace(KNOWN, angle_deg=np.array([48.0, 35.0, 25.0]))
    # both sides meet the same front edge height of the panels' own frame
    back = back_of(height_under((Panels(KNOWN, None), Panels(right, None))))
    two = fit_panel(tack.saddle(), [Ridden("uneven", back, 0.0)], uneven=True)
    assert two.shape.angle_deg[1] - two.shape.angle_deg[0] == pytest.approx([4.0, 2.0, 1.0], abs=0.6)
    one = fit_panel(tack.saddle(), [Ridden("uneven", back, 0.0)], uneven=False)
    assert (one.shape.angle_deg[0] == one.shape.angle_deg[1]).all()
    assert one.remaining[0].mean_mm > 3 * two.remaining[0].mean_mm


@pytest.mark.accuracy
def test_two_backs_weigh_as_told() -> None:
    flat = [replace(KNOWN, angle_deg=KNOWN.angle_deg + more, panel_curve_mm=0.0) for more in (0.0, 2.0)]
    one, other = (back_of(height_under((Panels(panel, None), Panels(panel, None)))) for panel in flat)
    middles = []
    for weight in (1.0, 0.25):
        both = [Ridden("one", one, 0.0), Ridden("other", other, 0.0, weight=weight)]
        middles.append(fit_panel(tack.saddle(), both, uneven=False).shape.angle_deg[0, 1])
    assert middles[0] == pytest.approx(34.0, abs=0.5)
    assert 33.0 < middles[1] < middles[0] - 0.2


def test_section_curves_lie_on_the_solid(fit: PanelFit, back: Back, tmp_path: Path) -> None:
    write_panel_solids(fit, back, tmp_path)
    solid = trimesh.load(tmp_path / "panel-underside.stl")
    for curves in panel_sections(fit, back):
        cut = solid.section([1.0, 0.0, 0.0], [-curves.behind_mm, 0.0, 0.0])
        ends = (
            cut.vertices[cut.entities[0].nodes]
            if False
            else np.concatenate([np.stack([line[:-1], line[1:]], axis=1) for line in cut.discrete])
        )
        for part in (curves.left, curves.right):
            points = np.column_stack([-part[:, 0], part[:, 1]])
            a, b = ends[:, 0, 1:], ends[:, 1, 1:]
            along = b - a
            share = np.clip(((points[:, None] - a) * along).sum(-1) / np.maximum((along**2).sum(-1), 1e-12), 0.0, 1.0)
            off = np.linalg.norm(points[:, None] - a - share[..., None] * along, axis=-1).min(axis=1)
            assert off.max() < 0.1


def test_solids_are_closed_and_sections_are_grooves(fit: PanelFit, back: Back, tmp_path: Path) -> None:
    write_panel_solids(fit, back, tmp_path)
    for name, bodies in (("panel-underside.stl", 2), ("back-block.stl", 1)):
        mesh = trimesh.load(tmp_path / name)
        mesh.merge_vertices()
        whole = Manifold(Mesh(mesh.vertices.astype(np.float32), mesh.faces.astype(np.uint32)))
        assert whole.status() == Error.NoError
        assert whole.volume() > 0
        assert len(whole.decompose()) == bodies
    block = trimesh.load(tmp_path / "back-block.stl")
    station = FRONT_X_MM - stations_mm(fit.saddle.length_mm)[1]
    tops = [block.vertices[np.abs(block.vertices[:, 0] - x) < 1e-3] for x in (station, station - 1.2)]
    depth = tops[1][np.abs(tops[1][:, 1] - 100.0).argmin(), 2] - tops[0][np.abs(tops[0][:, 1] - 100.0).argmin(), 2]
    assert 0.5 < depth < 3.0


def test_sections_reopened_have_one_outline_and_true_bars(fit: PanelFit, back: Back, tmp_path: Path) -> None:
    write_panel_curves(fit, back, tmp_path, "known", None)
    document = ezdxf.readfile(tmp_path / "panel-sections.dxf")
    assert not document.audit().errors
    outlines = [np.array(line.get_points("xy")) for line in document.modelspace().query("LWPOLYLINE[layer=='cut']")]
    assert len(outlines) == 2 * len(stations_mm(fit.saddle.length_mm))
    bars = [np.array(line.get_points("xy")) for line in document.modelspace().query("LWPOLYLINE[layer=='scale']")]
    assert sorted(float(np.ptp(bar, axis=0).max()) for bar in bars)[-2:] == pytest.approx([100.0, 100.0], abs=0.05)
    root = ElementTree.parse(tmp_path / "panel-sections.svg").getroot()
    group = next(g for g in root.iter("{http://www.w3.org/2000/svg}g") if g.get("id") == "cut")
    drawn = [_points(path.get("d")) for path in group]
    assert len(drawn) == len(outlines)
    for first, second in zip(outlines, drawn, strict=True):
        assert np.ptp(first, axis=0) == pytest.approx(np.ptp(second, axis=0), abs=0.05)
    # the first outline against the known surface: outer edges of both panels
    s = np.full(2, 50.0 / KNOWN.length_mm)
    outer = Panels(KNOWN, None).points(s, np.array([1.0, 1.0]), 1)[0, 1]
    assert np.ptp(outlines[0][:, 0]) == pytest.approx(2 * outer, abs=0.5)
    assert len(pypdfium2.PdfDocument(tmp_path / "panel-sections-a4.pdf")) > 5


def _points(d: str) -> FloatArray:
    pairs = d.replace("M ", "").replace(" Z", "").split(" L ")
    return np.array([[float(value) for value in pair.split()] for pair in pairs])


def test_command_on_the_demo_horse_lame_today(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (HORSES / "juniper" / "case.toml").read_text(encoding="utf-8").replace("lame = false", "lame = true")
    text = text.replace("../../", f"{HORSES.parent.as_posix()}/")
    case = tmp_path / "case.toml"
    case.write_text(text.replace("scan.ply", f"{HORSES.as_posix()}/juniper/scan.ply"), encoding="utf-8")
    assert run(["panel", str(case), "--out", str(tmp_path)]) == 0
    assert "Vet first: lame" in capsys.readouterr().out
    document = json.loads((tmp_path / "panel.json").read_text())
    assert document["schema"] == "shimwright/panel/1"
    assert [rest["weight"] for rest in document["remaining"]] == [1.0, 0.5]
    assert document["remaining"][0]["mean_gap_mm"] < 3.0
    page = pypdfium2.PdfDocument(tmp_path / "profile-card.pdf")[0].get_textpage().get_text_range()
    assert f"{document['arch']['included_deg']:.0f}°" in page


def test_panels_of_different_length_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["panel", "nowhere.toml"]) == 2
    assert "nowhere.toml" in capsys.readouterr().err


def test_one_scan_under_two_names_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (HORSES / "fennel" / "case.toml").read_text(encoding="utf-8")
    text = text.replace("../../", f"{HORSES.parent.as_posix()}/")
    text = text.replace("scan.ply", f"{HORSES.as_posix()}/fennel/scan.ply")
    (tmp_path / "again.toml").write_text(text, encoding="utf-8")
    told = [str(HORSES / "fennel" / "case.toml"), str(tmp_path / "again.toml")]
    assert run(["panel", *told, "--out", str(tmp_path / "out")]) == 2
    assert "the same scan as" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def _bowl(k: float) -> tuple[FloatArray, FloatArray]:
    x = np.linspace(-200.0, 200.0, 41)
    return x, np.tile((k * x**2)[None, :, None], (2, 1, 3))


def test_worst_gap_under_a_limit_of_curvature_has_a_closed_form() -> None:
    """k x² on |x| ≤ l met by a curve whose second derivative is at most κ < 2k and any lift: the rest is (k − κ/2) x²
    less its best constant, (2k − κ) l² / 4 (Chebyshev: the best constant for a parabola is half its range).
    """
    k, bend, half = 2e-4, 1e-4, 200.0
    x, gap = _bowl(k)
    pose = np.ones((*gap.shape, 1))
    found = solve_map(MapProgram(gap, (x[1] - x[0], 50.0), pose, -100.0, 100.0, bend), "worst")
    assert found.value == pytest.approx((2 * k - bend) * half**2 / 4, rel=1e-3)


def test_map_against_a_linear_program() -> None:
    """The worst gap by scipy's linprog (HiGHS), built by hand on one side, box and curvature along only."""
    rng = np.random.default_rng(4)
    gap = np.cumsum(rng.normal(0, 1.0, (2, 14, 1)), axis=1)
    found = solve_map(MapProgram(gap, (20.0, 20.0), np.zeros((2, 14, 1, 0)), -2.0, 3.0, 0.002), "worst")
    worst = []
    for side in range(2):
        n, g = 14, gap[side, :, 0]
        rows, limits = [], []
        for i in range(n):
            for sign in (1.0, -1.0):
                row = np.zeros(n + 1)
                row[i], row[n] = -sign, -1.0
                rows.append(row)
                limits.append(-sign * g[i])
        for i in range(1, n - 1):
            for sign in (1.0, -1.0):
                row = np.zeros(n + 1)
                row[i - 1 : i + 2] = sign * np.array([1.0, -2.0, 1.0])
                rows.append(row)
                limits.append(0.002 * 20.0**2)
        cost = np.append(np.zeros(n), 1.0)
        bounds = [(-2.0, 3.0)] * n + [(0.0, None)]
        worst.append(linprog(cost, A_ub=np.array(rows), b_ub=np.array(limits), bounds=bounds).fun)
    assert found.value == pytest.approx(max(worst), abs=1e-3)


def test_a_gentle_hollow_is_filled_and_a_map_keeps_its_limits() -> None:
    _, gap = _bowl(2e-5)
    soft = solve_map(MapProgram(gap, (10.0, 50.0), np.zeros((*gap.shape, 0)), -6.0, 12.0, 1e-3))
    assert np.abs(soft.left_mm).max() < 0.01
    _, gap = _bowl(8e-4)
    hard = solve_map(MapProgram(gap, (10.0, 50.0), np.zeros((*gap.shape, 0)), -6.0, 12.0, 1e-3))
    assert hard.height_mm.max() <= 12.0 + 1e-6
    assert np.abs(np.diff(hard.height_mm, 2, axis=1)).max() <= 1e-3 * 100.0 + 1e-6


def test_drawings_are_the_same_bytes_in_every_run() -> None:
    """Python orders sets of words anew in each process: three seeds, one file."""
    program = (
        "import hashlib, numpy as np\n"
        "from shimwright.export.drawing import CUT, Drawing, Line\n"
        "from shimwright.export.write_dxf import dxf_text\n"
        "line = Line(np.array([[0.0, 0], [1, 0], [1, 1]]), CUT, closed=True)\n"
        "print(hashlib.sha256(dxf_text(Drawing('a', (line,))).encode()).hexdigest())\n"
    )
    said = {
        subprocess.run(
            [sys.executable, "-c", program], env={**os.environ, "PYTHONHASHSEED": seed}, capture_output=True, check=True
        ).stdout
        for seed in ("1", "2", "3")
    }
    assert len(said) == 1
