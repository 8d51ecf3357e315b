"""The whole way from a raw scan: the same horse in any pose, unit, mirror or form gives the same back."""

from dataclasses import replace

import numpy as np
import pytest
from scanners import SCANNERS, Scene, take

from shimwright.scan.back import Back
from shimwright.scan.raw import RawScan
from shimwright.scan.surface import Surface
from shimwright.scan.survey import SCANNER_NOT_TOLD, survey
from shimwright.scan.synthetic import BUILDS, random_shape, true_back
from shimwright.scan.synthetic_scan import random_pose
from shimwright.scan.told import Dot, ScanPoint, Told


def quietly(raw: RawScan, told: Told) -> Back:
    return survey(raw, told, None, lambda _: None)


def same_measures(one: Back, other: Back, tolerance: float) -> None:
    for name in ("slope_deg", "half_width_mm", "area_difference_cm2"):
        a, b = getattr(one.stations, name), getattr(other.stations, name)
        assert np.array_equal(np.isnan(a), np.isnan(b)), name
        assert a == pytest.approx(b, abs=tolerance, nan_ok=True), name
    assert one.build.uphill_deg == pytest.approx(other.build.uphill_deg, abs=tolerance)
    assert one.build.dip_mm == pytest.approx(other.build.dip_mm, abs=tolerance)


@pytest.fixture(scope="module")
def plain() -> tuple[RawScan, Told]:
    """A handheld cloud lying level, in mm, nothing marked; the withers are a peak."""
    taken = take(BUILDS["uneven left"], SCANNERS["handheld"], Scene(mesh=False), np.random.default_rng(8))
    return taken.raw, taken.told


@pytest.fixture(scope="module")
def plain_back(plain: tuple[RawScan, Told]) -> Back:
    return quietly(*plain)


@pytest.mark.parametrize("mm_per_unit", [1.0, 1000.0, 25.4])
def test_any_rigid_motion_and_unit(plain: tuple[RawScan, Told], plain_back: Back, mm_per_unit: float) -> None:
    """Turned, moved and in m or inches: every measure the same; what remains is how cells fall on the cloud."""
    raw, told = plain
    pose = random_pose(np.random.default_rng(9), mm_per_unit)
    assert told.up is not None
    assert told.head is not None
    there = Told(unit_mm=mm_per_unit, up=pose.direction(told.up), head=pose.direction(told.head))
    moved = replace(raw, points=pose.to_scan(raw.points))
    same_measures(plain_back, quietly(moved, there), 0.3)


def test_a_mirror_image_undone(plain: tuple[RawScan, Told], plain_back: Back) -> None:
    raw, told = plain
    flip = np.array([-1.0, 1.0, 1.0])
    assert told.up is not None
    assert told.head is not None
    mirrored = replace(raw, points=raw.points * flip)
    there = Told(unit_mm=1.0, up=tuple(told.up * flip), head=tuple(told.head * flip), mirror=True)
    back = quietly(mirrored, there)
    assert back.frame.mirrored
    same_measures(plain_back, back, 0.3)


def test_left_and_right_are_the_horses_own(plain_back: Back) -> None:
    """The left side was invented less filled: it falls away more, + by definition."""
    truth = true_back(BUILDS["uneven left"])
    assert truth.stations.area_difference_cm2[5] > 5.0
    assert plain_back.stations.area_difference_cm2[5] == pytest.approx(truth.stations.area_difference_cm2[5], abs=5.0)


def test_mesh_or_cloud() -> None:
    """The same samples with and without their faces; a facet sags by bend · edge² / 8, a few tenths of a mm here."""
    taken = take(BUILDS["level"], SCANNERS["clean"], Scene(mesh=True), np.random.default_rng(10))
    same_measures(quietly(taken.raw, taken.told), quietly(replace(taken.raw, faces=None), taken.told), 1.0)


def test_marks_and_told_distances_arrive() -> None:
    taken = take(BUILDS["level"], SCANNERS["handheld"], Scene(mesh=False), np.random.default_rng(11))
    place = tuple(float(v) for v in taken.pose.to_scan(np.array([[0.0, 0.0, 0.0]]))[0])
    told = replace(taken.told, marks={"withers": ScanPoint(place)})
    back = quietly(taken.raw, told)
    withers, shoulder = back.landmark("withers"), back.landmark("shoulder_left")
    assert withers is not None
    assert withers.source == "marked"
    assert withers.position_mm == pytest.approx(np.zeros(3), abs=1e-9)
    assert shoulder is not None
    assert shoulder.source == "estimated"
    assert shoulder.sd_mm > 20.0
    assert shoulder.position_mm[1] > 80.0  # 150 mm of arc down the left side
    assert back.landmark("saddle_rear") is None  # nobody said


@pytest.mark.parametrize("seed", range(4))
def test_truth_is_met_at_every_station(seed: int) -> None:
    """A faultless scan of a random horse: slopes within 1°, widths within 3 mm of the exact back's own."""
    rng = np.random.default_rng([12, seed])
    shape = random_shape(rng)
    taken = take(shape, SCANNERS["clean"], Scene(mesh=False), rng)
    place = tuple(float(v) for v in taken.pose.to_scan(np.zeros((1, 3)))[0])
    back = quietly(taken.raw, replace(taken.told, marks={"withers": ScanPoint(place)}))
    truth = taken.back
    assert back.stations.slope_deg[1:10] == pytest.approx(truth.stations.slope_deg[1:10], abs=1.5)
    assert back.stations.half_width_mm[1:10].sum(axis=2) == pytest.approx(
        truth.stations.half_width_mm[1:10].sum(axis=2), abs=3.0
    )
    assert back.build.dip_mm == pytest.approx(truth.build.dip_mm, abs=1.5)


def test_surface_is_read_only_and_whole(plain_back: Back) -> None:
    surface: Surface = plain_back.surface
    with pytest.raises(ValueError, match="read-only"):
        surface.radius_mm[0, 0] = 0.0
    assert (np.isnan(surface.sd_mm) == ~surface.seen).all()


def test_unknown_dot_colour_is_refused_by_name(plain: tuple[RawScan, Told]) -> None:
    from shimwright.scan.refusal import Refusal

    raw, told = plain
    with pytest.raises(Refusal) as refused:
        quietly(raw, replace(told, marks={"withers": Dot("red")}))
    assert "red" in refused.value.message


def test_what_made_the_scan_decides_how_far_it_is_trusted(plain: tuple[RawScan, Told]) -> None:
    """The same points: a phone's lidar drifts by 3–6 mm (reference.md §6, our judgement), a handheld scanner hardly."""
    raw, told = plain
    untold, *backs = (quietly(raw, replace(told, scanner=kind)) for kind in (None, "handheld", "photos", "lidar"))
    sd = [float(np.nanmedian(back.surface.sd_mm)) for back in backs]
    assert sd == sorted(sd)
    assert sd[0] < 1.0
    assert 3.0 < sd[2] < 6.0
    assert [back.quality.verdict for back in backs] == ["good", "good", "usable"]
    notes = [[message.text for message in back.quality.messages] for back in (untold, *backs)]
    assert [SCANNER_NOT_TOLD in said for said in notes] == [True, False, False, False]
    for back in backs:  # only the trust changes, not the measures
        np.testing.assert_allclose(back.stations.slope_deg, untold.stations.slope_deg, atol=0.2)
