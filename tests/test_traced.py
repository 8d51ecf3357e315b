"""Hand-traced sections: what was traced from a known formula comes back; what is no back is refused."""

import re
from importlib.resources import files

import numpy as np
import pytest
from test_photo import line, sheet

from shimwright.cli import run
from shimwright.export.back_templates import write_back_templates
from shimwright.measure import measure_traced
from shimwright.optimize.place import place
from shimwright.progress import silent
from shimwright.saddle_file import read_saddle
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.traced_file import read_traced

STARTER = files("shimwright") / "starter"
SPLAY_MM = 450.0  # z falls by y² / SPLAY: its own half-width d mm down is √(SPLAY · d), exactly
STATIONS_MM = (20, 100, 200, 300, 400, 500)


def spine(behind):
    """Withers at 0 as a peak, low at 350, croup at 760 mm."""
    behind = np.asarray(behind, float)
    return (
        -45.0 * np.exp(-(((behind - 350.0) / 180.0) ** 2))
        + 8.0 * np.exp(-((behind / 70.0) ** 2))
        - np.where(behind > 760, 0.002 * (behind - 760) ** 2, 0.0)
        - np.where(behind < 0, 0.002 * behind**2, 0.0)
    )


def traced_toml(rng=None, sections=STATIONS_MM):
    """The file a person would write after tracing that back, pencil error by `rng`."""
    profile = [[float(b), float(np.round(spine(b) - spine(0), 1))] for b in range(-100, 901, 50)]
    lines = [f"profile_mm = {profile}"]
    for behind in sections:
        y = np.arange(-180.0, 181.0, 15.0)
        z = -(y**2) / SPLAY_MM + (0.0 if rng is None else rng.normal(0.0, 1.0, y.size))
        points = [[float(a), float(b)] for a, b in zip(y, np.round(z, 2), strict=True)]
        lines.append(f"[[section]]\nbehind_withers_mm = {behind}\npoints_mm = {points}")
    return "\n".join(lines)


@pytest.fixture
def traced(tmp_path):
    def back(text):
        (tmp_path / "traced.toml").write_text(text, encoding="utf-8")
        return measure_traced(tmp_path / "traced.toml", silent)

    return back


def test_a_parabola_comes_back(traced):
    """Half-widths of z = −y²/S are √(S·d) in closed form; both sides alike."""
    back = traced(traced_toml())
    rows = [2, 4, 6, 8]
    for column, depth in enumerate((30.0, 50.0)):
        expected = np.sqrt(SPLAY_MM * depth)
        np.testing.assert_allclose(back.stations.half_width_mm[rows, column], expected, atol=1.0)
    np.testing.assert_allclose(back.stations.slope_deg[rows, 0], back.stations.slope_deg[rows, 1], atol=0.1)


def test_pencil_error_stays_within_the_sd_that_is_told(traced):
    rng = np.random.default_rng(7)
    back = traced(traced_toml(rng))
    off = back.stations.half_width_mm[2:9, 1] - np.sqrt(SPLAY_MM * 50.0)
    assert np.nanmean(np.abs(off) < 2 * back.stations.half_width_sd_mm[2:9, 1]) > 0.8


def test_a_last_rib_in_front_of_the_shoulder_is_refused(traced):
    with pytest.raises(InputRefused, match="no rib lies in front of the shoulder"):
        traced("shoulder_left_mm = 400\nlast_rib_left_mm = 60\n" + traced_toml())
    assert traced("shoulder_left_mm = 60\nlast_rib_left_mm = 400\n" + traced_toml()).build.usable_mm[0] > 300


def test_nothing_is_known_beyond_the_sections(traced):
    back = traced(traced_toml())
    assert np.isnan(back.section(-600.0)).all()
    assert np.isnan(back.section(-300.0)[0]).all()


def test_left_is_left(traced):
    text = traced_toml()
    lower = text.replace("[90.0, -18.0]", "[90.0, -38.0]")
    assert lower != text
    back = traced(lower)
    assert np.nanmean(back.stations.area_difference_cm2[1:10]) > 1.0  # left falls away more


@pytest.mark.parametrize(
    ("old", "new", "error", "words"),
    [
        ("behind_withers_mm = 400", "behind_withers_mm = 300", InputRefused, "0 mm apart"),
        ("behind_withers_mm = 500", "behind_withers_mm = 890", InputRefused, "490 mm apart"),
        ("behind_withers_mm = 500", "behind_withers_mm = 620", None, ""),
        ("behind_withers_mm = 20", "behind_withers_mm = -140", InputRefused, "off the profile"),
        ("behind_withers_mm", "behind_wither_mm", WrongUse, "did you mean"),
        ("[90.0, -18.0]", "[90.0, nan]", WrongUse, "finite"),
        ("[90.0, -18.0]", '[90.0, "-18 mm"]', None, ""),
        ("[180.0, -72.0]", "[180.0, 72.0]", InputRefused, "heights below the spine are negative"),
        ("[100.0, ", "[50.0, ", InputRefused, "two points 50 mm behind"),
        ("[450.0, -", "[450.0, -9", InputRefused, "no back goes beyond 400 mm"),
    ],
)
def test_what_is_no_back_is_refused(traced, old, new, error, words):
    text = traced_toml().replace(old, new, 1)
    assert text != traced_toml()
    if error is None:
        assert traced(text).quality.verdict
        return
    with pytest.raises(error) as refused:
        traced(text)
    assert words in refused.value.message


def test_a_photo_of_the_grid_sheet_is_a_section_too(traced, tmp_path):
    """The drawn line is a formula; read through the photo its half-widths return within 3 mm (goal of the project)."""
    sheet().save(tmp_path / "section.png")
    drawn = "\n".join(f'[[section]]\nbehind_withers_mm = {b}\nphoto = "section.png"' for b in STATIONS_MM)
    back = traced(traced_toml(sections=()) + "\n" + drawn)
    y = np.linspace(0, 170, 3401)
    left = np.interp(50.0, line(np.zeros(1))[0] - line(y), y)
    assert back.stations.half_width_mm[4, 1, 0] == pytest.approx(left, abs=3.0)


def test_a_back_that_falls_away_too_little_for_a_level_line_has_its_templates(traced, tmp_path):
    """No level through a flat section lies on its negative."""
    flat = re.sub(r"(behind_withers_mm = 200\npoints_mm = ).*", r"\1[[-180, 3], [-90, 3], [-30, 0], [0, 0], [30, 0], "
                  "[90, 3], [180, 3]]", traced_toml())  # fmt: skip
    write_back_templates(traced(flat), tmp_path)
    assert (tmp_path / "back-templates-a4.pdf").stat().st_size > 1000


@pytest.mark.parametrize("told", [("--mirror",), ("--scanner", "lidar"), ("--mark", "withers=red")])
def test_what_is_said_of_a_scan_is_not_dropped_in_silence(tmp_path, capsys, told):
    (tmp_path / "t.toml").write_text(traced_toml(), encoding="utf-8")
    assert run(["measure", "--traced", str(tmp_path / "t.toml"), *told, "--out", str(tmp_path / "out")]) == 2
    assert "only a tracing is named" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_few_sections_are_wrong_keys(tmp_path, capsys):
    (tmp_path / "t.toml").write_text(traced_toml(sections=(20, 100)), encoding="utf-8")
    assert run(["measure", "--traced", str(tmp_path / "t.toml")]) == 2
    assert "section" in capsys.readouterr().err
    with pytest.raises(WrongUse):
        read_traced(tmp_path / "t.toml")


def test_the_saddle_that_new_writes_lies_on_the_sections_that_new_writes(traced, tmp_path):
    (tmp_path / "saddle.toml").write_text((STARTER / "saddle.toml").read_text("utf-8"), encoding="utf-8")
    tack = read_saddle(tmp_path / "saddle.toml")
    text = (STARTER / "traced.toml").read_text("utf-8")
    assert place(traced(text), tack).front_x_mm < 0.0
    short = traced(text.replace("behind_withers_mm = 540", "behind_withers_mm = 440"))
    with pytest.raises(InputRefused, match="run from 60 mm behind the withers to 440 mm behind the withers: trace one"):
        place(short, tack)


def test_a_tracing_is_told_to_draw_and_never_to_scan(traced):
    text = (STARTER / "traced.toml").read_text("utf-8").replace(", [700, -12], [800, -8], [900, -24]", "")
    said = traced(text.replace("[180, -120], [150, -88], [120, -60], ", "")).quality.messages
    assert {"no_croup", "missing_flank_left"} <= {message.code for message in said}
    assert not any("scan" in message.text.lower() for message in said)
