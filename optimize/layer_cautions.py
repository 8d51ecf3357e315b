"""What must be said of the layers under the saddle: bottomed out, pressed past what they last with, beyond what was
measured, known to how much (reference.md §4; PRACTICE §8).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from shimwright.optimize.answer import Contact
from shimwright.optimize.assess import bottomed_out, overstrained
from shimwright.optimize.bench import insert_named
from shimwright.optimize.cautions import caution
from shimwright.optimize.materials import Material
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup

WHEN = {"mounted": "mounted", "walk": "at walk", "trot": "at trot", "canter": "at canter"}
OWN_LAW_SAID = 0.01  # of the thickness: a law known better than that needs no word [J]
LEVELLED_SAID = 0.005  # strain: a fall less than this is not told in whole percents


@dataclass(frozen=True)
class Sheets:
    """Sheets of one material under the saddle. roles: what they are; thickness_mm: the thickest layer."""

    material: str
    roles: tuple[str, ...]
    thickness_mm: float

    @property
    def words(self) -> str:
        """
        >>> Sheets("felt", ("the shims", "the pad itself"), 6.0).words
        'The shims and the pad itself (felt)'
        """
        said = f"{' and '.join(self.roles)} ({self.material})"
        return said[0].upper() + said[1:]


def sheets_under(saddle: Saddle, pad: Pad, setup: Setup) -> Mapping[str, Sheets]:
    """Material → its sheets that lie under the saddle: panel filling, shell, insert, shims."""
    rows: list[tuple[str, str, float]] = []
    if setup.insert is not None:
        insert = insert_named(pad, setup.insert)
        rows += [(insert.material, f"the insert {insert.name}", insert.thickness_mm)] if insert else []
    material = {shim.name: shim.material for shim in pad.shims}
    rows += [(material[one.shim], "the shims", one.thickness_mm) for stack in setup.stacks.values() for one in stack]
    if pad.shell_material is not None and pad.shell_mm > 0:
        rows.append((pad.shell_material, "the pad itself", pad.shell_mm))
    if saddle.filling is not None and saddle.filling.depth_mm > 0:
        rows.append((saddle.filling.material, "the panel's filling", saddle.filling.depth_mm))
    return {
        name: Sheets(
            name,
            tuple(dict.fromkeys(role for of, role, _ in rows if of == name)),
            max(thickness for of, _, thickness in rows if of == name),
        )
        for name in dict.fromkeys(of for of, _, _ in rows)
    }


def layer_cautions(contact: Contact, laws: Mapping[str, Material], sheets: Mapping[str, Sheets]) -> tuple[str, ...]:
    """One line for each material and thing, at the gentlest case in which it shows. sheets: by `sheets_under`."""
    said: dict[tuple[str, str], str] = {}
    for case, when in WHEN.items():
        result = contact.cases.get(case)
        if result is None:
            continue
        top = float(np.nanmax(result.pressure_kpa))
        for name, strain in result.strain.items():
            if name not in sheets:
                continue
            for kind, words in _of_law(laws[name], sheets[name].words, strain, top, when):
                said.setdefault((name, kind), words)
    return (*said.values(), *(line for name, sheet in sheets.items() for line in _of_measuring(laws[name], sheet)))


def _of_law(law: Material, what: str, strain: float, top_kpa: float, when: str) -> Iterator[tuple[str, str]]:
    share = 100 * strain
    if bottomed_out(law, strain):
        yield "pressed", caution("bottomed_out", what=what, when=when, strain=share)
    elif overstrained(law, strain):
        limit = 100 * law.working_strain
        yield "pressed", caution("overstrained", what=what, when=when, strain=share, limit=limit)
    if top_kpa > law.range_kpa:
        yield "beyond", caution("beyond_law", what=what, when=when, top=top_kpa, range=law.range_kpa)


def _of_measuring(law: Material, sheet: Sheets) -> Iterator[str]:
    if law.levelled >= LEVELLED_SAID:
        yield caution("levelled", what=sheet.words, fall=100 * law.levelled)
    if law.strain_sd >= OWN_LAW_SAID:
        sd, thickness = law.strain_sd, sheet.thickness_mm
        yield caution("own_law", what=sheet.words, strain=100 * sd, thickness=thickness, mm=sd * thickness)
