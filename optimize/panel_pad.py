"""How thick the pad lies between panel and horse as ridden: pressed by the mean pressure of a mounted saddle."""

import numpy as np

from shimwright.optimize.bench import common_layers, known_materials
from shimwright.optimize.case import Case
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle

GRAVITY = 9.81


def pad_as_ridden_mm(saddle: Saddle, pad: Pad, case: Case) -> float:
    """Shell and insert (worn now, else the thinnest) at the mean pressure on the panels' whole area; panel filling is
    the panel's own and is not counted.
    """
    worn = case.today.worn.insert if case.today.worn else None
    thinnest = min(pad.inserts, key=lambda insert: insert.thickness_mm).name if pad.inserts else None
    area = 2 * saddle.length_mm * float(np.mean(saddle.panel_width_mm))
    pressure = 1e3 * (case.rider.weight_kg + saddle.mass_kg) * GRAVITY / area
    layers = common_layers(saddle, pad, worn or thinnest, known_materials(saddle, pad))
    filled = saddle.filling is not None and saddle.filling.depth_mm > 0
    own = layers[:-1] if filled else layers
    return float(sum(depth * (1 - float(law.strain_at(pressure))) for law, depth in own))
