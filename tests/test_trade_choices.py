"""What the trade would choose on backs of known build (DESIGN §8): invented horses under the yard's rigid saddle."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
import tack

from shimwright import meshes
from shimwright.optimize.case import Aim, Case
from shimwright.optimize.fit import choices, prepared
from shimwright.optimize.search import Found, search
from shimwright.optimize.setup import Setup, height_mm
from shimwright.saddle_file import read_saddle
from shimwright.scan.synthetic import BUILDS, HorseShape, true_back

SADDLE = read_saddle(Path(meshes.__path__[0]) / "saddles" / "rigid.toml")
PAD = tack.pad(3, (3.0, 6.0), inserts=(5.0,))
LEVEL = replace(BUILDS["level"], dip_mm=76.0)  # the back that the yard's saddle was made for
NO_AIM = Aim()
OWN_ARCH = tuple(arch for arch in SADDLE.arches if arch.name == SADDLE.reference_arch)


@cache
def chosen(shape: HorseShape, all_sizes: bool = False, aim: Aim = NO_AIM) -> Found:
    """With the saddle's own arch, or with every size of arch that does not follow the horse by itself."""
    sizes = tuple(arch for arch in SADDLE.arches if not arch.soft)
    saddle = replace(SADDLE, arches=sizes if all_sizes else OWN_ARCH)
    job = prepared(true_back(shape), saddle, PAD, Case(aim=aim))
    options, rule = choices(job)
    return search(options, PAD, saddle, rule, job.found_setup, lambda _: None)


def picked(found: Found) -> Setup:
    assert found.best is not None
    return found.best.setup


def thirds(setup: Setup) -> dict[str, tuple[float, float]]:
    """third → (left, right) heights."""
    return {
        third: (height_mm(setup.stacks[f"{third}_left"]), height_mm(setup.stacks[f"{third}_right"]))
        for third in ("front", "middle", "rear")
    }


def test_nothing_on_a_level_back() -> None:
    assert set(thirds(picked(chosen(LEVEL))).values()) == {(0.0, 0.0)}


def test_the_middle_of_a_dipped_back() -> None:
    """Where the shape dips 30 mm deeper, the middle gets most; nowhere one side alone."""
    heights = thirds(picked(chosen(replace(LEVEL, dip_mm=106.0, withers_mm=108.0))))
    assert min(heights["middle"]) > 0
    assert sum(heights["middle"]) >= max(sum(heights["front"]), sum(heights["rear"]))
    assert heights["rear"] == (0.0, 0.0)


def test_the_front_of_a_downhill_back() -> None:
    heights = thirds(picked(chosen(replace(LEVEL, uphill_deg=LEVEL.uphill_deg - 2.0))))
    assert min(heights["front"]) > 0
    assert sum(heights["front"]) >= sum(heights["middle"]) >= sum(heights["rear"])


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_hollow_side_of_a_one_sided_back(side: str) -> None:
    sign = 1.0 if side == "left" else -1.0
    heights = thirds(picked(chosen(replace(LEVEL, uneven_mm=8.0 * sign))))
    left, right = (sum(pair[i] for pair in heights.values()) for i in (0, 1))
    assert (left > right) == (side == "left")
    assert min(left, right) == 0


def test_a_wider_arch_for_a_broad_back() -> None:
    front, middle, rear = LEVEL.angle_deg
    broad = replace(LEVEL, angle_deg=(front - 6, middle - 6, rear - 6))
    widths = {arch.name: arch.width_mm for arch in SADDLE.arches}
    level, wide = picked(chosen(LEVEL, True)), picked(chosen(broad, True))
    assert level.arch is not None
    assert wide.arch is not None
    assert widths[wide.arch] > widths[level.arch]


@pytest.mark.parametrize(
    "shape",
    [LEVEL, replace(LEVEL, dip_mm=90.0), replace(LEVEL, uphill_deg=LEVEL.uphill_deg + 2.0), BUILDS["narrow"]],
    ids=["level", "dipped", "uphill", "narrow"],
)
def test_nothing_one_sided_on_a_symmetric_back(shape: HorseShape) -> None:
    assert all(left == right for left, right in thirds(picked(chosen(shape))).values())


def test_level_as_a_wish_not_a_law() -> None:
    """On the uphill back the most level set-up costs evenness: both exist, the pick is the more even one."""
    found = chosen(replace(LEVEL, uphill_deg=LEVEL.uphill_deg + 2.0))
    assert found.level is not None
    assert found.best is not None
    assert found.level.tilt_deg < found.best.tilt_deg
    assert found.best.cost <= found.level.cost


def test_room_in_the_middle_takes_height_from_the_middle() -> None:
    """Common practice, no source: a little lightness in the middle. The dipped back gets less there, never more."""
    dipped = replace(LEVEL, dip_mm=106.0, withers_mm=108.0)
    as_it_is, light = (thirds(picked(chosen(dipped, aim=Aim(middle_room_mm=room)))) for room in (0.0, 5.0))
    middle = [sum(one["middle"]) - (sum(one["front"]) + sum(one["rear"])) / 2 for one in (as_it_is, light)]
    assert middle[1] < middle[0]


def test_room_to_grow_is_one_step_wider() -> None:
    """Common practice, no source: wasted muscle behind the shoulder gets the next wider arch, never one too far."""
    wasted = replace(LEVEL, hollow_mm=(10.0, 10.0))
    today, growing = (picked(chosen(wasted, True, Aim(aim))) for aim in ("today", "room to grow"))
    widths = [arch.name for arch in sorted(SADDLE.arches, key=lambda arch: arch.width_mm)]
    assert today.arch is not None
    assert growing.arch is not None
    assert widths.index(growing.arch) == widths.index(today.arch) + 1
    far_off = replace(LEVEL, hollow_mm=(14.0, 14.0))  # the next arch would be beyond the hard limit
    assert picked(chosen(far_off, True, Aim("room to grow"))).arch == picked(chosen(far_off, True)).arch
