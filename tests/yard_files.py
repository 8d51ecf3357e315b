"""Small saddle, pad and case files for the tests of the readers; each test changes one thing."""

from pathlib import Path

SADDLE = """
name = "test saddle"
style = "english"
tree = "rigid"
weight_kg = 8
length_mm = 420
panel_width_mm = [95, 110, 120]
channel_mm = [70, 70, 75]
angle_deg = [48, 32, 24]
rocker_mm = 25
seat_x_mm = 235
straps_x_mm = [110, 190]
reference_arch = "medium"
[[arch]]
name = "medium"
included_deg = 86
width_mm = 190
[[arch]]
name = "wide"
included_deg = 92
width_mm = "8 1/4 in"
[filling]
material = "wool"
depth_mm = 30
"""

PAD = """
name = "test pad"
shell_mm = 6
shell_material = "felt"
[[insert]]
name = "thin"
material = "felt"
thickness_mm = "1/4 in"
[[pocket]]
name = "front"
from_front_mm = 20
length_mm = 120
from_middle_mm = 40
width_mm = 85
[[pocket]]
name = "rear_left"
outline_mm = [[200, 40], [400, 40], [400, 140], [200, 130]]
[[shim]]
name = "sheet"
material = "felt"
thicknesses_mm = [6, 3]
sheet_mm = [1000, 500]
"""

CASE = """
scan = "scan.ply"
saddle = "saddle.toml"
pad = "pad.toml"
[frame]
unit = "m"
head = "-x"
[horse]
name = "test horse"
height = "15.2 hh"
[today]
date = 2026-03-21
setup = { arch = "wide", pockets = { front_left = 6, rear_left = { layers = [{ shim = "sheet", thickness_mm = 3 }] } } }
[marks]
shoulder_left = "red"
withers = [0.0, 0.1, 1.6]
last_rib_left = "420 mm"
[rider]
weight = "165 lb"
[[try]]
pockets = { front_left = 3, front_right = 3 }
"""


def written(folder: Path, saddle: str = SADDLE, pad: str = PAD, case: str = CASE) -> Path:
    """The three files and an empty scan in `folder`; the case's path."""
    for name, text in (("saddle.toml", saddle), ("pad.toml", pad), ("case.toml", case), ("scan.ply", "")):
        (folder / name).write_text(text, encoding="utf-8")
    return folder / "case.toml"
